import { CORE_STATES, type ShownState } from '../rules/event.ts'
import { QUALITY } from '../rules/reading.ts'
import { signalInfo, type Measure } from '../rules/signals.ts'
import type { AlarmFacts, CircuitFacts } from './facts.ts'

/**
 * The many series: one per signal and one per alarm. They are written here and not by the metrics library, because that
 * costs five times as much and holds the main thread, where polls start, for as long as it takes. In slices instead, with
 * label text kept from scrape to scrape. All are gauges, so both text formats spell them alike.
 */
interface Family {
  readonly name: string
  readonly help: string
}

/** Base units of the metrics world; what people read (bar, l/min) is made in the dashboards. */
const BY_MEASURE: Readonly<Record<Measure, Family & { readonly scale: number }>> = {
  degC: { name: 'mouldtend_temperature_celsius', scale: 1, help: 'Temperatures and temperature settings of a circuit.' },
  K: { name: 'mouldtend_temperature_difference_kelvin', scale: 1, help: 'Temperature differences and tolerances of a circuit.' },
  bar: { name: 'mouldtend_pressure_pascals', scale: 100_000, help: 'Pressures of a circuit, gauge.' },
  l_min: { name: 'mouldtend_flow_cubic_meters_per_second', scale: 1 / 60_000, help: 'Flow rates of a circuit.' },
  kW: { name: 'mouldtend_power_watts', scale: 1000, help: 'Powers of a circuit; process power is positive when heating.' },
  '%': { name: 'mouldtend_share_ratio', scale: 0.01, help: 'Percentages as ratios; regulation is positive when heating.' },
  '1_min': { name: 'mouldtend_rotation_hertz', scale: 1 / 60, help: 'Speeds of rotation.' },
  h: { name: 'mouldtend_counted_time_seconds', scale: 3600, help: 'Times that a unit counts; they fall when its controller is renewed.' },
  s: { name: 'mouldtend_counted_time_seconds', scale: 1, help: 'Times that a unit counts; they fall when its controller is renewed.' },
  count: { name: 'mouldtend_counted_number', scale: 1, help: 'Numbers that a unit counts; they fall when its controller is renewed.' },
  state: { name: 'mouldtend_state_code', scale: 1, help: 'States of a circuit as codes.' },
}
const SIGNAL_QUALITY: Family = {
  name: 'mouldtend_signal_quality',
  help: 'Quality of each signal: 0 good, 1 uncertain, 2 and more bad; a bad signal has no value series.',
}
const READING_AGE: Family = {
  name: 'mouldtend_reading_age_seconds',
  help: 'Time since the last reading of a circuit; since the start of the service where none came yet.',
}
const PHASE: Family = { name: 'mouldtend_circuit_phase', help: 'Always 1; the label phase tells what the circuit is doing.' }
const INFO: Family = { name: 'mouldtend_circuit_info', help: 'Always 1; place_name is what people call the place.' }
const ALARM_STATE: Family = {
  name: 'mouldtend_alarm_state',
  help: 'State of each alarm as shown: 0 normal, 1 unack_active, 2 ack_active, 3 rtn_unack, 4 latched_unack, 5 latched_ack, 6 shelved, 7 suppressed, 8 out_of_service.',
}
const ALARM_ACTIVE: Family = {
  name: 'mouldtend_alarm_active',
  help: '1 while the condition of the alarm holds, also where it is shelved, suppressed or out of service.',
}
const FAMILIES: readonly Family[] = [
  ...new Map(Object.values(BY_MEASURE).map((family) => [family.name, family])).values(),
  SIGNAL_QUALITY,
  READING_AGE,
  PHASE,
  INFO,
  ALARM_STATE,
  ALARM_ACTIVE,
]

export const SHOWN_STATES = [...CORE_STATES, 'shelved', 'suppressed', 'out_of_service'] as const satisfies readonly ShownState[]
const STATE_CODE = new Map<ShownState, number>(SHOWN_STATES.map((state, code) => [state, code]))

/** Circuits or alarms written before other work gets its turn: well under a millisecond of it. */
const SLICE = 25

/** Label text of one circuit, by the circuit's signal list: a new plan has new lists, and what hung on the old ones goes with them. */
interface Lines {
  readonly labels: string
  readonly info: string
  readonly signals: readonly { readonly value: string; readonly family: string; readonly scale: number; readonly quality: string }[]
}

/** @returns a function that gives all families as text, each with its header, and lets other work in between slices. */
export function processValueWriter(): (
  circuits: readonly CircuitFacts[],
  alarms: readonly AlarmFacts[],
  now_ms: number,
  started_ms: number,
) => Promise<string> {
  const kept = new WeakMap<readonly string[], Map<string, Lines>>()
  return async (circuits, alarms, now_ms, started_ms) => {
    const out = new Map(FAMILIES.map(({ name, help }) => [name, `# HELP ${name} ${help}\n# TYPE ${name} gauge\n`]))
    const add = (name: string, line: string) => out.set(name, (out.get(name) ?? '') + line)
    for (let at = 0; at < circuits.length; at += SLICE) {
      for (const circuit of circuits.slice(at, at + SLICE)) writeCircuit(add, linesOf(kept, circuit), circuit, now_ms, started_ms)
      await turn()
    }
    for (let at = 0; at < alarms.length; at += SLICE * 4) {
      for (const alarm of alarms.slice(at, at + SLICE * 4)) writeAlarm(add, alarm)
      await turn()
    }
    return [...out.values()].join('')
  }
}

type Add = (family: string, line: string) => void

function writeCircuit(add: Add, lines: Lines, circuit: CircuitFacts, now_ms: number, started_ms: number): void {
  const age_ms = Math.max(0, now_ms - (circuit.lastReading_ms ?? started_ms))
  const isSilent = circuit.lastReading_ms === null || age_ms >= circuit.staleAfter_ms
  for (const [i, signal] of lines.signals.entries()) {
    const value = circuit.values[i] ?? Number.NaN
    const told = circuit.quality[i] ?? QUALITY.no_data
    const quality = isSilent && told <= QUALITY.uncertain ? QUALITY.no_data : told
    const isUsable = quality <= QUALITY.uncertain && Number.isFinite(value)
    if (isUsable) add(signal.family, `${signal.value}${value * signal.scale}\n`)
    // No number and no reason may not pass as good.
    add(SIGNAL_QUALITY.name, `${signal.quality}${!isUsable && quality <= QUALITY.uncertain ? QUALITY.not_a_number : quality}\n`)
  }
  add(READING_AGE.name, `${READING_AGE.name}{${lines.labels}} ${age_ms / 1000}\n`)
  add(PHASE.name, `${PHASE.name}{${lines.labels},phase="${circuit.phase}",derived="${circuit.phaseDerived}"} 1\n`)
  add(INFO.name, lines.info)
}

function writeAlarm(add: Add, alarm: AlarmFacts): void {
  const circuit = alarm.circuit === null ? '' : alarm.circuit.slice(alarm.unit.length + 1)
  const labels = `${labelText({ unit: alarm.unit, circuit, place: alarm.place, rule: alarm.rule })},priority="${alarm.priority}"`
  const isActive = alarm.core === 'unack_active' || alarm.core === 'ack_active'
  add(ALARM_STATE.name, `${ALARM_STATE.name}{${labels}} ${STATE_CODE.get(alarm.shown) ?? 0}\n`)
  add(ALARM_ACTIVE.name, `${ALARM_ACTIVE.name}{${labels}} ${isActive ? 1 : 0}\n`)
}

/** The same list may serve many circuits (forty alike units), hence a second step by key; a circuit that moved has other labels. */
function linesOf(kept: WeakMap<readonly string[], Map<string, Lines>>, circuit: CircuitFacts): Lines {
  const byKey = kept.get(circuit.signals) ?? new Map<string, Lines>()
  kept.set(circuit.signals, byKey)
  const labels = labelText({ unit: circuit.unit, circuit: circuit.circuit, place: circuit.place })
  const before = byKey.get(circuit.key)
  const info = `${INFO.name}{${labels},${labelText({ place_name: circuit.placeName })}} 1\n`
  if (before?.info === info) return before
  const lines: Lines = {
    labels,
    info,
    signals: circuit.signals.map((signal) => {
      const { name: family, scale } = BY_MEASURE[signalInfo(signal)?.measure ?? 'state']
      const all = `{${labels},${labelText({ signal })}} `
      return { value: family + all, family, scale, quality: SIGNAL_QUALITY.name + all }
    }),
  }
  byKey.set(circuit.key, lines)
  return lines
}

const labelText = (labels: Readonly<Record<string, string>>): string =>
  Object.entries(labels)
    .map(([name, value]) => `${name}="${escapeLabel(value)}"`)
    .join(',')

/** Backslash, quote and line feed, as the text formats ask (Prometheus exposition format 0.0.4, OpenMetrics 1.0). */
const escapeLabel = (text: string): string => text.replaceAll('\\', '\\\\').replaceAll('"', '\\"').replaceAll('\n', '\\n')

const turn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve))
