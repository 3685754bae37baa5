import type { RulePlan, UnitPlan } from '../config/plan.ts'
import { freshAlarm, type AlarmState } from './alarm-state.ts'
import { freshCircuit, freshUnit, type UnitState } from './unit-state.ts'

/** The last numbers that were given, by alarm id and by subject of a record. */
export interface Numbers {
  readonly events: ReadonlyMap<string, number>
  readonly activations: ReadonlyMap<string, number>
  readonly records: ReadonlyMap<string, number>
}
/** Numbers of what the plan does not have any more: put back one day, it must not give an identity a second time. */
export interface Past {
  readonly events: Map<string, number>
  readonly activations: Map<string, number>
  readonly records: Map<string, number>
}
/** The same as plain JSON-able data. */
export type KeptPast = { readonly [Kind in keyof Past]: readonly (readonly [string, number])[] }

export const noPast = (kept?: KeptPast): Past => ({
  events: new Map(kept?.events),
  activations: new Map(kept?.activations),
  records: new Map(kept?.records),
})
export const keptPast = ({ events, activations, records }: Past): KeptPast => ({
  events: [...events],
  activations: [...activations],
  records: [...records],
})

/** Notes how far a unit has counted. */
export function remember(past: Past, plan: UnitPlan, state: UnitState): void {
  const alarms = (rules: readonly RulePlan[], states: Readonly<Record<string, AlarmState>>): void => {
    for (const rule of rules) {
      const alarm = states[rule.id]
      if (alarm === undefined || alarm.eventNo === 0) continue
      past.events.set(rule.alarm, alarm.eventNo)
      past.activations.set(rule.alarm, alarm.activation)
    }
  }
  const records = (subject: string, number: number): void => void (number > 0 && past.records.set(subject, number))
  records(plan.id, state.recordNo)
  alarms(plan.rules, state.alarms)
  for (const circuit of plan.circuits) {
    const memory = state.circuits[circuit.key]
    if (memory === undefined) continue
    records(circuit.key, memory.recordNo)
    alarms(circuit.rules, memory.alarms)
  }
}

/** A unit's state (null: a new unit) in which whatever is new to it goes on counting from where it was left. `state` is filled in place. */
export function goOnCounting(plan: UnitPlan, state: UnitState | null, numbers: Numbers): UnitState {
  const unit = state ?? { ...freshUnit(), recordNo: numbers.records.get(plan.id) ?? 0 }
  const alarms = (rules: readonly RulePlan[], states: Record<string, AlarmState>): void => {
    for (const rule of rules) {
      states[rule.id] ??= {
        ...freshAlarm(rule),
        eventNo: numbers.events.get(rule.alarm) ?? 0,
        activation: numbers.activations.get(rule.alarm) ?? 0,
      }
    }
  }
  alarms(plan.rules, unit.alarms)
  for (const circuit of plan.circuits) {
    const memory = (unit.circuits[circuit.key] ??= { ...freshCircuit(circuit), recordNo: numbers.records.get(circuit.key) ?? 0 })
    alarms(circuit.rules, memory.alarms)
  }
  return unit
}

/** What the plan has again is counted by its own state from here on. */
export function forgetLive(past: Past, plan: UnitPlan): void {
  past.records.delete(plan.id)
  for (const circuit of plan.circuits) past.records.delete(circuit.key)
  for (const rule of [...plan.rules, ...plan.circuits.flatMap((circuit) => circuit.rules)]) {
    past.events.delete(rule.alarm)
    past.activations.delete(rule.alarm)
  }
}
