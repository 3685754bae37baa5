import type { UnitState } from './unit-state.ts'

/** The wall clock jumped forward: delays run on monotonic time, so everything that waits moves along with it. */
export function shift(unit: UnitState, by_ms: number): void {
  if (by_ms <= 0) return
  const later = (t: number | null): number | null => (t === null ? null : t + by_ms)
  unit.contactBase_ms = later(unit.contactBase_ms)
  const alarms = Object.values(unit.alarms)
  for (const c of Object.values(unit.circuits)) {
    c.staleBase_ms = later(c.staleBase_ms)
    c.silenceBase_ms = later(c.silenceBase_ms)
    c.setValueMoved_ms = later(c.setValueMoved_ms)
    alarms.push(...Object.values(c.alarms))
  }
  for (const s of alarms) {
    s.since_ms = later(s.since_ms)
    s.startDue_ms = later(s.startDue_ms)
    s.holdSince_ms = later(s.holdSince_ms)
    s.unshelve_ms = later(s.unshelve_ms)
    s.reAlarmBase_ms = later(s.reAlarmBase_ms)
    s.setValueInhibit_ms = later(s.setValueInhibit_ms)
    s.setValueInhibits = s.setValueInhibits.map((t) => t + by_ms)
  }
}
