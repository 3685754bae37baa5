import type { CircuitPlan, Condition, RulePlan } from '../config/plan.ts'
import { observe, type Alarm, type Happening } from './alarm.ts'
import { freshAlarm, ZONE, type AlarmState } from './alarm-state.ts'
import { judge } from './judge.ts'
import { isOffPhase, type PhaseFacts } from './phase.ts'
import { isBad, QUALITY, qualityName } from './reading.ts'
import { signalInfo, type SignalName } from './signals.ts'
import { freshCircuit, type CircuitState, type UnitState } from './unit-state.ts'

/** An alarm with its places in a reading looked up once. */
export interface RunningAlarm extends Alarm {
  readonly condition: Condition
  /** Place of the judged signal; CONTROL: the sensor at the control point; NONE: no single signal. */
  readonly index: number
  readonly referenceIndex: number
  readonly fixedReference: number
  /** Places of the signals of a bad_signal rule. */
  readonly watched: readonly number[]
}
const CONTROL = -1
const NONE = -2

/** A circuit at work: its plan, its memory, its last reading in arrays, and places looked up once. */
export interface RunningCircuit {
  readonly plan: CircuitPlan
  readonly state: CircuitState
  readonly alarms: readonly RunningAlarm[]
  readonly values: Float64Array
  readonly quality: Uint8Array
  readonly at: Places
  /** 1 where the signal is something that somebody set. */
  readonly settings: Uint8Array
  readonly facts: { -readonly [K in keyof PhaseFacts]: PhaseFacts[K] }
  nextDue_ms: number
  dirty: boolean
}
interface Places {
  readonly actual: number
  readonly main: number
  readonly back: number
  readonly external: number
  readonly set: number
  readonly controlPoint: number
  readonly pumpRunning: number
  readonly flow: number
  readonly pumpSpeed: number
  readonly regulation: number
  readonly refilling: number
  readonly switchingOff: number
  readonly activeErrors: number
  readonly temperatures: readonly number[]
  readonly pressures: readonly number[]
}

export type Teller = (alarm: RunningAlarm, circuit: RunningCircuit | null, happening: Happening) => void

/** Opens a circuit on the unit's state, making memory for what is new. */
export function openCircuit(plan: CircuitPlan, unit: UnitState, teller: Teller): RunningCircuit {
  const state = (unit.circuits[plan.key] ??= freshCircuit(plan))
  if (state.values.length !== plan.signals.length) {
    // Another profile: what the old places meant is not known any more.
    state.values = plan.signals.map(() => null)
    state.quality = plan.signals.map(() => QUALITY.waiting_for_initial_data)
  }
  const at = (signal: SignalName): number => plan.signals.indexOf(signal)
  const have = (signals: readonly SignalName[]): number[] => signals.map(at).filter((i) => i >= 0)
  const circuit: { -readonly [K in keyof RunningCircuit]: RunningCircuit[K] } = {
    plan,
    state,
    alarms: [],
    values: Float64Array.from(state.values, (v) => v ?? Number.NaN),
    quality: Uint8Array.from(state.quality),
    settings: Uint8Array.from(plan.signals, (signal) =>
      Number(signalInfo(signal)?.kind === 'setting' && signal !== 'temperature.set_value'),
    ),
    at: {
      actual: at('temperature.actual'),
      main: at('temperature.main_line'),
      back: at('temperature.return_line'),
      external: at('temperature.external'),
      set: at('temperature.set_value'),
      controlPoint: at('control_point'),
      pumpRunning: at('pump.running'),
      flow: at('flow_rate'),
      pumpSpeed: at('pump_speed'),
      regulation: at('regulation_ratio'),
      refilling: at('refill.active'),
      switchingOff: at('temperature.switching_off'),
      activeErrors: at('active_errors'),
      temperatures: have(['temperature.main_line', 'temperature.return_line', 'temperature.external', 'temperature.actual']),
      pressures: have(['pressure.main_line', 'pressure.return_line', 'pressure.system']),
    },
    facts: {
      actual_degC: Number.NaN,
      set_degC: Number.NaN,
      plus_K: plan.tolerance.plus_K,
      minus_K: plan.tolerance.minus_K,
      pumpRunning: Number.NaN,
      flow_l_min: Number.NaN,
      pumpSpeed_percent: Number.NaN,
      regulation_percent: Number.NaN,
      refilling: Number.NaN,
    },
    nextDue_ms: Infinity,
    dirty: true,
  }
  circuit.alarms = inOrder(plan.rules).map((rule) => openAlarm(rule, state.alarms, circuit, teller))
  return circuit
}

/**
 * A rule that holds others back is judged before them, so that of two that become due at the same instant people hear of the graver
 * one only. Stable otherwise: the order is part of what makes the same inputs give the same events.
 */
export const inOrder = (rules: readonly RulePlan[]): readonly RulePlan[] =>
  rules.toSorted((a, b) => a.suppressedBy.length - b.suppressedBy.length)

export function openAlarm(
  rule: RulePlan,
  states: Record<string, AlarmState>,
  circuit: RunningCircuit | null,
  teller: Teller,
): RunningAlarm {
  const state = (states[rule.id] ??= freshAlarm(rule))
  const { condition } = rule
  const find = (signal: SignalName | 'control'): number => {
    if (signal === 'control') return CONTROL
    const index = circuit?.plan.signals.indexOf(signal) ?? NONE
    return index < 0 ? NONE : index
  }
  const reference = 'reference' in condition ? condition.reference : null
  const alarm: RunningAlarm = {
    rule,
    state,
    condition,
    index: 'signal' in condition ? find(condition.signal) : NONE,
    referenceIndex: reference?.kind === 'signal' ? find(reference.signal) : NONE,
    fixedReference: reference?.kind === 'fixed' ? reference.value : Number.NaN,
    watched: condition.kind === 'bad_signal' ? condition.signals.map(find) : [],
    tell: (happening) => teller(alarm, circuit, happening),
  }
  return alarm
}

/** Place of the sensor that is controlled, NONE where the circuit has no such signal. */
export function controlPlace(circuit: RunningCircuit): number {
  const { at } = circuit
  switch (circuit.plan.controlPoint) {
    case 'main_line':
      return at.main >= 0 ? at.main : orNone(at.actual)
    case 'return_line':
      return at.back >= 0 ? at.back : orNone(at.actual)
    case 'external':
      return at.external >= 0 ? at.external : orNone(at.actual)
    case 'unit': {
      if (at.actual >= 0) return at.actual
      const told = usable(circuit, at.controlPoint)
      return orNone(told === 1 ? at.back : told === 2 ? at.external : at.main)
    }
  }
}
const orNone = (index: number): number => (index >= 0 ? index : NONE)

/** The value at a place, NaN where it is bad or there is no such place. */
export function usable(circuit: RunningCircuit, index: number): number {
  if (index < 0 || isBad(circuit.quality[index] ?? QUALITY.no_data)) return Number.NaN
  return circuit.values[index] ?? Number.NaN
}

/** Shows one alarm the circuit's last reading. `live`: at least one value of the reading is usable. */
export function show(alarm: RunningAlarm, circuit: RunningCircuit, at_ms: number, control: number, live: boolean): void {
  const { condition } = alarm
  switch (condition.kind) {
    case 'high':
    case 'low':
    case 'high_above':
    case 'band':
    case 'off_normal':
    case 'discrepancy':
      showValue(alarm, circuit, at_ms, control)
      return
    case 'switched_off_hot':
      showOffHot(alarm, circuit, at_ms, condition.limit_degC)
      return
    case 'bad_signal': {
      // Nothing usable at all is a lost contact, which has an alarm of its own.
      if (!live) return
      let bad = 0
      for (const place of alarm.watched) {
        const index = place === CONTROL ? control : place
        const code = index < 0 ? QUALITY.not_available : (circuit.quality[index] ?? QUALITY.no_data)
        // A setting that a unit says it does not have is no broken sensor.
        if (code === QUALITY.not_available && index >= 0 && circuit.settings[index] === 1) continue
        if (isBad(code)) bad += 1
      }
      observe(alarm, at_ms, judge(condition, bad, 0), 0, null, bad, null)
      return
    }
    case 'unit_errors': {
      const place = circuit.at.activeErrors
      const code = place >= 0 ? (circuit.quality[place] ?? QUALITY.no_data) : live ? QUALITY.good : QUALITY.no_communication
      if (isBad(code)) return observe(alarm, at_ms, ZONE.inactive, 2, qualityName(code), null, null)
      let count = 0
      for (const error of circuit.state.errors) {
        const severity = error.severity === 0 ? UNSTATED_SEVERITY : error.severity
        if (severity >= condition.minSeverity && severity <= condition.maxSeverity) count += 1
      }
      observe(alarm, at_ms, judge(condition, count, 0), code === QUALITY.uncertain ? 1 : 0, null, count, null)
      return
    }
    case 'no_reading':
    case 'contact_lost':
  }
}
/** A unit that gives no severity is taken as a warning: the middle of the band 334 to 666 (bands: OPC 40083, 6.4). */
const UNSTATED_SEVERITY = 500

function showValue(alarm: RunningAlarm, circuit: RunningCircuit, at_ms: number, control: number): void {
  const { condition, state } = alarm
  const index = alarm.index === CONTROL ? control : alarm.index
  const code = index < 0 ? QUALITY.not_available : (circuit.quality[index] ?? QUALITY.no_data)
  if (code > QUALITY.uncertain) return observe(alarm, at_ms, state.zone, 2, qualityName(code), null, null)
  const value = circuit.values[index] ?? Number.NaN
  let reference = alarm.fixedReference
  let quality = code === QUALITY.uncertain ? 1 : 0
  if (alarm.referenceIndex >= 0) {
    const referenceCode = circuit.quality[alarm.referenceIndex] ?? QUALITY.no_data
    if (referenceCode > QUALITY.uncertain) {
      if (condition.kind !== 'discrepancy') return observe(alarm, at_ms, state.zone, 2, qualityName(referenceCode), null, null)
      return observe(alarm, at_ms, ZONE.inactive, quality === 1 ? 1 : 0, null, value, null)
    }
    if (referenceCode === QUALITY.uncertain) quality = 1
    reference = circuit.values[alarm.referenceIndex] ?? Number.NaN
  }
  const against = Number.isNaN(reference) ? 0 : reference
  let zone = judge(condition, value, against)
  if (condition.kind === 'discrepancy') zone = expect(state, zone, reference)
  observe(alarm, at_ms, zone, quality === 1 ? 1 : 0, null, value, Number.isNaN(reference) ? null : reference)
}

/** T13: a new target is waited for once; when it was met, leaving it again is another rule's business. */
function expect(state: AlarmState, zone: 0 | 1 | 2, target: number): 0 | 1 | 2 {
  if (state.target !== target) {
    state.target = target
    state.waiting = true
    if (state.core !== 'unack_active' && state.core !== 'ack_active') state.pending = false
  }
  if (zone === ZONE.inactive) {
    state.waiting = false
    return zone
  }
  return state.waiting ? ZONE.beyond : ZONE.inactive
}

function showOffHot(alarm: RunningAlarm, circuit: RunningCircuit, at_ms: number, limit_degC: number): void {
  let hottest_degC = Number.NaN
  let quality: 0 | 1 = 0
  for (const index of circuit.at.temperatures) {
    const value = usable(circuit, index)
    if (circuit.quality[index] === QUALITY.uncertain) quality = 1
    if (!(value <= hottest_degC)) hottest_degC = Number.isNaN(value) ? hottest_degC : value
  }
  if (Number.isNaN(hottest_degC)) return observe(alarm, at_ms, alarm.state.zone, 2, 'no temperature is usable', null, null)
  // The unit's own switching-off temperature counts where it is lower, for the lower of the two rules.
  const own_degC = limit_degC === circuit.plan.switchOff_degC ? usable(circuit, circuit.at.switchingOff) : Number.NaN
  const limit = own_degC < limit_degC ? own_degC : limit_degC
  const zone = isOffPhase(circuit.state.phase) ? judge(alarm.condition, hottest_degC, limit) : ZONE.inactive
  observe(alarm, at_ms, zone, quality, null, hottest_degC, limit)
}
