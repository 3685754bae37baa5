import type { RunningCircuit } from './circuit.ts'
import { usable } from './circuit.ts'
import type { RecordEvent } from './event.ts'
import { derivePhase } from './phase.ts'
import type { Phase } from './phases.ts'
import { NO_ERRORS, QUALITY, type Reading } from './reading.ts'

/** Notes something for the journal that is no alarm. */
export type Recorder = (event: RecordEvent['event'], circuit: RunningCircuit | null, at_ms: number, facts: RecordEvent['facts']) => void

/** A set value that moved again within this time is still on its ramp. Common practice, no source. */
const RAMP_GAP_MS = 60_000

/** Hottest and most pressurised place, for messages; says whether anything is usable at all. */
export function takeIn(circuit: RunningCircuit, at_ms: number): boolean {
  const { state: c, quality } = circuit
  let hottest = -Infinity
  for (const index of circuit.at.temperatures) {
    const value = usable(circuit, index)
    if (value > hottest) hottest = value
  }
  if (hottest !== -Infinity) {
    c.hottest_degC = hottest
    c.hottestAt_ms = at_ms
  }
  let pressure = -Infinity
  for (const index of circuit.at.pressures) {
    const value = usable(circuit, index)
    if (value > pressure) pressure = value
  }
  if (pressure !== -Infinity) c.pressure_bar = pressure
  for (let i = 0; i < quality.length; i += 1) if ((quality[i] ?? QUALITY.no_data) <= QUALITY.uncertain) return true
  return false
}

/** Own errors of the unit that came and went since the last reading. */
export function compareErrors(record: Recorder, circuit: RunningCircuit, reading: Reading, at_ms: number): void {
  const { state: c } = circuit
  const before = c.errors
  c.errors = reading.errors.length === 0 ? NO_ERRORS : reading.errors.map(({ id, severity, text }) => ({ id, severity, text }))
  for (const error of c.errors) {
    if (!before.some((old) => old.id === error.id))
      record('unit_error_came', circuit, at_ms, { id: error.id, text: error.text, severity: error.severity })
  }
  for (const old of before) {
    if (!c.errors.some((error) => error.id === old.id))
      record('unit_error_went', circuit, at_ms, { id: old.id, text: old.text, severity: old.severity })
  }
}

/** Follows the set value; says whether it moved, and whether that belongs to a ramp. */
export function followSetValue(record: Recorder, circuit: RunningCircuit, at_ms: number): 'no' | 'step' | 'ramp' {
  const { state: c, at } = circuit
  const value = usable(circuit, at.set)
  if (Number.isNaN(value) || value === c.setValue) return 'no'
  const first = c.setValue === null
  const ramp = c.setValueMoved_ms !== null && at_ms - c.setValueMoved_ms <= RAMP_GAP_MS
  c.setValue = value
  if (first) {
    c.recordedSetValue = value
    return 'no'
  }
  c.setValueMoved_ms = at_ms
  const { plus_K, minus_K } = circuit.plan.tolerance
  if (Math.abs(value - (c.recordedSetValue ?? value)) >= Math.min(plus_K, minus_K) / 2) {
    record('set_value_changed', circuit, at_ms, { from_degC: c.recordedSetValue, to_degC: value })
    c.recordedSetValue = value
  }
  return ramp ? 'ramp' : 'step'
}

/** What the circuit does now: as the unit says, else derived. A change of the control point is noted too. */
export function followPhase(record: Recorder, circuit: RunningCircuit, told: Phase | null, control: number, at_ms: number): void {
  const { state: c, facts, at } = circuit
  const point = usable(circuit, at.controlPoint)
  if (!Number.isNaN(point) && point !== c.controlPoint) {
    if (c.controlPoint !== null) record('control_point_changed', circuit, at_ms, { from: c.controlPoint, to: point })
    c.controlPoint = point
  }
  if (told !== null) return setPhase(record, circuit, told, false, at_ms)
  facts.actual_degC = usable(circuit, control)
  facts.set_degC = usable(circuit, at.set)
  facts.pumpRunning = usable(circuit, at.pumpRunning)
  facts.flow_l_min = usable(circuit, at.flow)
  facts.pumpSpeed_percent = usable(circuit, at.pumpSpeed)
  facts.regulation_percent = usable(circuit, at.regulation)
  facts.refilling = usable(circuit, at.refilling)
  setPhase(record, circuit, derivePhase(facts, c.phase), true, at_ms)
}

/** Notes a change of phase. */
export function setPhase(record: Recorder, circuit: RunningCircuit, phase: Phase, derived: boolean, at_ms: number): void {
  const { state: c } = circuit
  if (phase === c.phase) {
    c.phaseDerived = derived
    return
  }
  const from = c.phase
  c.phase = phase
  c.phaseDerived = derived
  record('phase_changed', circuit, at_ms, { from, to: phase, derived })
}
