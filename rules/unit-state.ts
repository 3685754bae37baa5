import type { CircuitPlan } from '../config/plan.ts'
import type { AlarmState } from './alarm-state.ts'
import type { Phase } from './phases.ts'
import { NO_ERRORS, QUALITY, type UnitError } from './reading.ts'

/** Memory of one circuit: plain JSON-able data. Times are Unix ms UTC. A bad value is null. */
export interface CircuitState {
  /** Engine time of this circuit: the latest instant seen; null before the first input (T11). */
  time_ms: number | null
  /** Stamp of the last accepted reading: an older one is late. */
  lastStamp_ms: number | null
  /** Silence counts from here: the last reading, or the first input of all (T10). */
  staleBase_ms: number | null
  /** As above, but for the alarm: the last usable reading, or the start of the service. */
  silenceBase_ms: number | null
  stale: boolean
  phase: Phase
  phaseDerived: boolean
  setValue: number | null
  setValueMoved_ms: number | null
  recordedSetValue: number | null
  controlPoint: number | null
  values: (number | null)[]
  quality: number[]
  errors: readonly UnitError[]
  /** Hottest and most pressurised that was last seen with a usable value: what a person has to reckon with. */
  hottest_degC: number | null
  hottestAt_ms: number | null
  pressure_bar: number | null
  recordNo: number
  alarms: Record<string, AlarmState>
}

/** Memory of one unit. */
export interface UnitState {
  /** Silence of the whole unit counts from here. */
  contactBase_ms: number | null
  contact: 'unknown' | 'there' | 'lost' | 'powered_down'
  /** What the line last said of why it cannot be reached. */
  why: string | null
  recordNo: number
  alarms: Record<string, AlarmState>
  circuits: Record<string, CircuitState>
  /** Ids of the latest commands, oldest first: the same one twice does nothing. */
  commands: string[]
}

export function freshUnit(): UnitState {
  return { contactBase_ms: null, contact: 'unknown', why: null, recordNo: 0, alarms: {}, circuits: {}, commands: [] }
}

export function freshCircuit(plan: CircuitPlan): CircuitState {
  return {
    time_ms: null,
    lastStamp_ms: null,
    staleBase_ms: null,
    silenceBase_ms: null,
    stale: false,
    phase: 'unknown',
    phaseDerived: true,
    setValue: null,
    setValueMoved_ms: null,
    recordedSetValue: null,
    controlPoint: null,
    values: plan.signals.map(() => null),
    quality: plan.signals.map(() => QUALITY.waiting_for_initial_data),
    errors: NO_ERRORS,
    hottest_degC: null,
    hottestAt_ms: null,
    pressure_bar: null,
    recordNo: 0,
    alarms: {},
  }
}
