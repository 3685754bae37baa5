import type { Plan, RulePlan } from '../config/plan.ts'
import { freshAlarm, type AlarmState } from './alarm-state.ts'
import type { EngineState } from './engine.ts'
import { freshService } from './service.ts'
import { freshCircuit, freshUnit } from './unit-state.ts'

/** The last numbers that were given, by alarm id and by subject of a record. */
export interface Numbers {
  readonly events: ReadonlyMap<string, number>
  readonly activations: ReadonlyMap<string, number>
  readonly records: ReadonlyMap<string, number>
}

/** A state that remembers nothing but how far it counted, so that no event gets the identity of an earlier one. */
export function coldState(plan: Plan, numbers: Numbers): EngineState {
  const alarms = (rules: readonly RulePlan[]): Record<string, AlarmState> =>
    Object.fromEntries(
      rules.map((rule) => [
        rule.id,
        { ...freshAlarm(rule), eventNo: numbers.events.get(rule.alarm) ?? 0, activation: numbers.activations.get(rule.alarm) ?? 0 },
      ]),
    )
  const units = plan.units.map((unit) => [
    unit.id,
    {
      ...freshUnit(),
      recordNo: numbers.records.get(unit.id) ?? 0,
      alarms: alarms(unit.rules),
      circuits: Object.fromEntries(
        unit.circuits.map((circuit) => [
          circuit.key,
          { ...freshCircuit(circuit), recordNo: numbers.records.get(circuit.key) ?? 0, alarms: alarms(circuit.rules) },
        ]),
      ),
    },
  ])
  return { service: { ...freshService(), recordNo: numbers.records.get('service') ?? 0 }, units: Object.fromEntries(units) }
}
