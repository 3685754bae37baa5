import type { CircuitPlan, RulePlan, UnitPlan } from '../config/plan.ts'
import { evaluate, fire, giveReturn, nextTimer, observe, raise, RANK, refuseLate, suppressByRule, type Rank } from './alarm.ts'
import { armsByPhase, isActive, type AlarmState } from './alarm-state.ts'
import { controlPlace, openAlarm, openCircuit, show, type RunningAlarm, type RunningCircuit, type Teller } from './circuit.ts'
import type { Event, RecordEvent } from './event.ts'
import type { Command, Input } from './input.ts'
import { compareErrors, followPhase, followSetValue, setPhase, takeIn } from './follow.ts'
import { isOffPhase, isRunning, saysNothing } from './phase.ts'
import { isBad, QUALITY, type Reading } from './reading.ts'
import { shift } from './shift.ts'
import { obey } from './obey.ts'
import { setValueChanged, start, stop } from './start-delay.ts'
import { alarmEvent } from './unit-events.ts'
import { freshUnit, type CircuitState, type UnitState } from './unit-state.ts'

/** One unit at work. The arrays and states that circuits() and alarms() show are live: look, do not touch. */
export interface UnitEngine {
  readonly plan: UnitPlan
  /** One input in, what happened out, in order. Inputs of other units are not for this one. Never throws on plant data. */
  readonly step: (input: Input) => readonly Event[]
  /** When the next timer is due, Unix ms; Infinity: none. A tick is wanted then. */
  readonly due_ms: () => number
  /** A copy of the whole state: plain JSON-able data. */
  readonly save: () => UnitState
  readonly contact: () => UnitState['contact']
  readonly circuits: () => Iterable<LiveCircuit>
  readonly alarms: () => Iterable<LiveAlarm>
}
export interface LiveCircuit {
  readonly plan: CircuitPlan
  readonly state: Readonly<CircuitState>
  readonly values: Float64Array
  readonly quality: Uint8Array
}
export interface LiveAlarm {
  readonly rule: RulePlan
  readonly state: Readonly<AlarmState>
  readonly circuit: CircuitPlan | null
}

const COMMANDS_KEPT = 256
const NOTHING: readonly Event[] = Object.freeze([])

/**
 * One state machine, so one file though a long one.
 * Opens a unit on its plan and a saved state (copied, not kept). Same plan, state and inputs: same events, bit for bit.
 * States after ISA-18.2 / IEC 62682 (from memory); delays, deadband, acknowledging, discrepancy after OPC 10000-9.
 */
export function openUnit(plan: UnitPlan, planVersion: string, saved: UnitState | null): UnitEngine {
  // A snapshot is JSON, so its own round trip is the copy.
  const state: UnitState = saved === null ? freshUnit() : (JSON.parse(JSON.stringify(saved)) as UnitState)
  let out: Event[] = []
  const timer: { due_ms: number; rank: Rank } = { due_ms: Infinity, rank: RANK.delay }

  const teller: Teller = (alarm, circuit, happening) => {
    out.push(alarmEvent(plan, planVersion, state, circuits.values(), alarm, circuit, happening))
    if (circuit !== null) circuit.dirty = true
    if (happening.event === 'raised') spread(alarm.rule, circuit, true, happening.at_ms)
    else if (happening.event === 'returned') spread(alarm.rule, circuit, false, happening.at_ms)
  }
  const circuits = new Map<string, RunningCircuit>()
  for (const circuit of plan.circuits) circuits.set(circuit.key, openCircuit(circuit, state, teller))
  const unitAlarms = plan.rules.map((rule) => openAlarm(rule, state.alarms, null, teller))

  /** A rule that came or went holds others back, or lets them go: those of its circuit, or of the whole unit. */
  function spread(rule: RulePlan, circuit: RunningCircuit | null, on: boolean, at_ms: number): void {
    const reached = circuit === null ? [...unitAlarms, ...[...circuits.values()].flatMap((c) => c.alarms)] : circuit.alarms
    for (const other of reached) {
      // What is never hidden gives way only to the graver form of itself, which is never hidden either.
      if (other.rule.neverHidden && !rule.neverHidden) continue
      if (other.rule.suppressedBy.includes(rule.id)) suppressByRule(other, at_ms, rule.id, on)
    }
  }

  function record(event: RecordEvent['event'], circuit: RunningCircuit | null, at_ms: number, facts: RecordEvent['facts']): void {
    const owner = circuit?.state ?? state
    owner.recordNo += 1
    const place = (circuit?.plan ?? plan.circuits[0])?.place ?? ''
    out.push({ kind: 'record', event, subject: circuit?.plan.key ?? plan.id, place, eventNo: owner.recordNo, at_ms, planVersion, facts })
  }

  // ---- time ----

  const staleDue = ({ state: c }: RunningCircuit): number =>
    c.stale || c.staleBase_ms === null ? Infinity : c.staleBase_ms + plan.staleAfter_ms

  /** A circuit that is silent though its unit has contact, or has lost it a little later. */
  function silenceDue(alarm: RunningAlarm, { state: c }: RunningCircuit): number {
    const { condition } = alarm
    if (condition.kind !== 'no_reading' || c.silenceBase_ms === null || isActive(alarm.state.core)) return Infinity
    // A unit without contact has an alarm of its own.
    return state.contact === 'powered_down' || state.contact === 'lost' ? Infinity : c.silenceBase_ms + condition.after_ms
  }

  /** When a lost contact is to be told, by the rule for a hot or for a cool unit; Infinity where this rule is not the one. */
  function contactDue(alarm: RunningAlarm): number {
    const { condition } = alarm
    if (condition.kind !== 'contact_lost' || state.contactBase_ms === null || isActive(alarm.state.core)) return Infinity
    if (state.contact === 'powered_down' || condition.hot !== isHot()) return Infinity
    return state.contactBase_ms + (condition.hot ? condition.afterHot_ms : condition.after_ms)
  }

  /** Was the unit above its switch-off temperature when it was last seen? */
  function isHot(): boolean {
    for (const { plan: circuit, state: c, values, quality, at } of circuits.values()) {
      const own =
        at.switchingOff < 0 || isBad(quality[at.switchingOff] ?? QUALITY.no_data) ? Number.NaN : (values[at.switchingOff] ?? Number.NaN)
      const limit_degC = own < circuit.switchOff_degC ? own : circuit.switchOff_degC
      if (c.hottest_degC !== null && c.hottest_degC > limit_degC) return true
    }
    return false
  }

  function refresh(circuit: RunningCircuit): void {
    circuit.nextDue_ms = staleDue(circuit)
    for (const alarm of circuit.alarms) {
      nextTimer(alarm, timer)
      circuit.nextDue_ms = Math.min(circuit.nextDue_ms, timer.due_ms, silenceDue(alarm, circuit))
    }
    circuit.dirty = false
  }

  /** Fires what is due up to and including to_ms, in the order of T5: the unit's alarms and those of `only`, or of all circuits. */
  function advance(only: RunningCircuit | null, to_ms: number): void {
    for (;;) {
      let due_ms = Infinity
      let rank: Rank = RANK.delay
      let alarm: RunningAlarm | null = null
      let circuit: RunningCircuit | null = null
      let special = false
      const take = (d: number, r: Rank, a: RunningAlarm | null, c: RunningCircuit | null, s: boolean): void => {
        if (d > to_ms || d > due_ms || (d === due_ms && r >= rank)) return
        due_ms = d
        rank = r
        alarm = a
        circuit = c
        special = s
      }
      for (const a of unitAlarms) {
        nextTimer(a, timer)
        take(timer.due_ms, timer.rank, a, null, false)
        take(contactDue(a), RANK.delay, a, null, true)
      }
      for (const c of only === null ? circuits.values() : [only]) {
        if (c.dirty) refresh(c)
        if (c.nextDue_ms > to_ms) continue
        take(staleDue(c), RANK.stale, null, c, false)
        for (const a of c.alarms) {
          nextTimer(a, timer)
          take(timer.due_ms, timer.rank, a, c, false)
          take(silenceDue(a, c), RANK.delay, a, c, true)
        }
      }
      if (due_ms === Infinity) return
      fireOne(alarm, circuit, rank, due_ms, special)
    }
  }

  function fireOne(alarm: RunningAlarm | null, circuit: RunningCircuit | null, rank: Rank, due_ms: number, special: boolean): void {
    if (circuit !== null) circuit.dirty = true
    if (alarm === null) {
      if (circuit !== null) goStale(circuit, due_ms)
    } else if (!special) fire(alarm, rank, due_ms)
    else if (circuit !== null) raise(alarm, due_ms, circuit.state.silenceBase_ms ?? due_ms)
    else loseContact(alarm, due_ms)
  }

  function goStale(circuit: RunningCircuit, at_ms: number): void {
    circuit.state.stale = true
    circuit.values.fill(Number.NaN)
    circuit.quality.fill(QUALITY.no_data)
    for (const alarm of circuit.alarms) {
      const { kind } = alarm.condition
      if (kind !== 'no_reading' && kind !== 'bad_signal') observe(alarm, at_ms, alarm.state.zone, 2, 'no_data', null, null)
    }
  }

  function loseContact(alarm: RunningAlarm, at_ms: number): void {
    const running = [...circuits.values()].some((c) => !isOffPhase(c.state.phase))
    const since_ms = state.contactBase_ms ?? at_ms
    if (!running && circuits.size > 0 && !isHot()) {
      // Off and cool before it went silent: somebody switched it off at the wall. Nobody is to be woken for that.
      state.contact = 'powered_down'
      for (const c of circuits.values()) setPhase(record, c, 'powered_down', true, at_ms)
      record('powered_down', null, at_ms, { since_ms })
      return
    }
    state.contact = 'lost'
    for (const circuit of circuits.values()) circuit.dirty = true
    raise(alarm, at_ms, since_ms, state.why ?? 'silent')
  }

  function regainContact(at_ms: number): void {
    state.contactBase_ms = at_ms
    if (state.contact === 'there') return
    if (state.contact !== 'unknown') record('contact_back', null, at_ms, { was: state.contact })
    state.contact = 'there'
    state.why = null
    for (const circuit of circuits.values()) {
      circuit.state.silenceBase_ms = at_ms
      circuit.dirty = true
    }
    for (const alarm of unitAlarms) {
      if (alarm.condition.kind === 'contact_lost' && isActive(alarm.state.core)) giveReturn(alarm, at_ms)
    }
  }

  // ---- inputs ----

  /** The first input of all: from here silence counts. */
  function firstSight(circuit: RunningCircuit, at_ms: number): void {
    const { state: c } = circuit
    if (c.time_ms === null) {
      c.staleBase_ms = at_ms
      c.silenceBase_ms = at_ms
      circuit.dirty = true
    }
    state.contactBase_ms ??= at_ms
  }

  function read(circuit: RunningCircuit, reading: Reading): void {
    const { state: c } = circuit
    firstSight(circuit, reading.at_ms)
    const at_ms = Math.max(reading.at_ms, c.time_ms ?? reading.at_ms)
    advance(circuit, at_ms)
    c.time_ms = at_ms
    if (c.lastStamp_ms !== null && reading.at_ms < c.lastStamp_ms) {
      for (const alarm of circuit.alarms) refuseLate(alarm, at_ms, reading.at_ms)
      return
    }
    c.lastStamp_ms = reading.at_ms
    c.staleBase_ms = at_ms
    c.stale = false
    circuit.values.set(reading.values)
    circuit.quality.set(reading.quality)
    circuit.dirty = true
    const live = takeIn(circuit, at_ms)
    if (live) {
      c.silenceBase_ms = at_ms
      regainContact(at_ms)
    }
    if (reading.errors !== c.errors) compareErrors(record, circuit, reading, at_ms)
    const setValueBefore = c.setValue
    const setValueMoved = followSetValue(record, circuit, at_ms)
    const control = controlPlace(circuit)
    if (live) followPhase(record, circuit, reading.phase, control, at_ms)
    for (const alarm of circuit.alarms) {
      show(alarm, circuit, at_ms, control, live)
      if (armsByPhase(alarm.rule)) armOrDisarm(alarm, c, at_ms)
      if (setValueMoved !== 'no') trigger(alarm, c, at_ms, setValueMoved === 'ramp', setValueBefore)
      if (live && alarm.condition.kind === 'no_reading') {
        if (isActive(alarm.state.core)) giveReturn(alarm, at_ms)
      } else if (alarm.condition.kind !== 'no_reading') evaluate(alarm, at_ms)
    }
    advance(circuit, at_ms)
  }

  function trigger(alarm: RunningAlarm, c: CircuitState, at_ms: number, ramp: boolean, before: number | null): void {
    const { start: delay } = alarm.rule
    if (delay === null || !delay.onSetValue || c.setValue === null) return
    const moved = Math.abs(c.setValue - (alarm.state.countedSetValue ?? before ?? c.setValue))
    if (delay.setValueStep === 0) setValueChanged(alarm, at_ms, false)
    else if (moved >= delay.setValueStep) setValueChanged(alarm, at_ms, ramp)
    else return
    alarm.state.countedSetValue = c.setValue
  }

  /** Entering the phases in which a rule is live starts it; leaving them stops it. */
  function armOrDisarm(alarm: RunningAlarm, c: CircuitState, at_ms: number): void {
    if (saysNothing(c.phase)) return
    const { phases } = alarm.rule
    const runs = isRunning(c.phase, c.phaseDerived)
    const live = phases === null ? runs : phases.includes(c.phase) && (c.phase !== 'cooling' || runs)
    if (live && alarm.state.arm === 'idle') {
      alarm.state.countedSetValue = c.setValue
      start(alarm, at_ms)
    } else if (!live && alarm.state.arm !== 'idle') stop(alarm, at_ms)
  }

  function command(input: Command): void {
    if (state.commands.includes(input.id)) return
    for (const alarm of unitAlarms) if (alarm.rule.alarm === input.alarm) return carryOut(alarm, null, input)
    for (const circuit of circuits.values()) {
      for (const alarm of circuit.alarms) if (alarm.rule.alarm === input.alarm) return carryOut(alarm, circuit, input)
    }
  }

  function carryOut(alarm: RunningAlarm, circuit: RunningCircuit | null, input: Command): void {
    state.commands.push(input.id)
    if (state.commands.length > COMMANDS_KEPT) state.commands.shift()
    const at_ms = passTime(circuit, input.at_ms)
    obey(alarm, at_ms === input.at_ms ? input : { ...input, at_ms })
    if (circuit !== null) circuit.dirty = true
    advance(circuit, at_ms)
  }

  /** Time has come to at_ms for one circuit or for all; returns the engine time that counts. */
  function passTime(only: RunningCircuit | null, at_ms: number): number {
    let now_ms = at_ms
    for (const circuit of only === null ? circuits.values() : [only]) {
      firstSight(circuit, at_ms)
      if (circuit.state.time_ms === null || circuit.state.time_ms < at_ms) circuit.state.time_ms = at_ms
      else if (only !== null) now_ms = circuit.state.time_ms
    }
    advance(only, now_ms)
    return now_ms
  }

  /** mouldtend was away, not the units: silence counts from now, while the missing stretch still shows as bad data (T10). */
  function serviceStart(at_ms: number): void {
    if (state.contactBase_ms !== null && state.contact !== 'lost') state.contactBase_ms = at_ms
    for (const circuit of circuits.values()) {
      if (circuit.state.silenceBase_ms !== null) circuit.state.silenceBase_ms = at_ms
      circuit.dirty = true
    }
    passTime(null, at_ms)
  }

  function step(input: Input): readonly Event[] {
    switch (input.kind) {
      case 'reading': {
        const circuit = circuits.get(input.circuit)
        if (circuit !== undefined) read(circuit, input)
        break
      }
      case 'fault':
        state.why = input.why
        passTime(null, input.at_ms)
        break
      case 'command':
        command(input)
        break
      case 'tick':
        passTime(null, input.at_ms)
        break
      case 'service_start':
        serviceStart(input.at_ms)
        break
      case 'clock_step':
        shift(state, input.by_ms)
        for (const circuit of circuits.values()) circuit.dirty = true
        passTime(null, input.at_ms)
        break
      case 'service_stop':
      case 'plan_change':
      case 'canary':
      case 'gap':
        passTime(null, input.at_ms)
    }
    if (out.length === 0) return NOTHING
    const events = out
    out = []
    return events
  }

  function due_ms(): number {
    let due = Infinity
    for (const alarm of unitAlarms) {
      nextTimer(alarm, timer)
      due = Math.min(due, timer.due_ms, contactDue(alarm))
    }
    for (const circuit of circuits.values()) {
      if (circuit.dirty) refresh(circuit)
      due = Math.min(due, circuit.nextDue_ms)
    }
    return due
  }

  function save(): UnitState {
    for (const { state: c, values, quality } of circuits.values()) {
      c.values = Array.from(values, (v) => (Number.isNaN(v) ? null : v))
      c.quality = [...quality]
    }
    return JSON.parse(JSON.stringify(state)) as UnitState
  }

  function* alarms(): Iterable<LiveAlarm> {
    for (const { rule, state: s } of unitAlarms) yield { rule, state: s, circuit: null }
    for (const c of circuits.values()) for (const { rule, state: s } of c.alarms) yield { rule, state: s, circuit: c.plan }
  }

  return { plan, step, due_ms, save, contact: () => state.contact, circuits: () => circuits.values(), alarms }
}
