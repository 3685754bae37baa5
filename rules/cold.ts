import type { Plan } from '../config/plan.ts'
import type { EngineState } from './engine.ts'
import { goOnCounting, keptPast, type Numbers } from './numbers.ts'
import { freshService } from './service.ts'

/** A state that remembers nothing but how far it counted, so that no event gets the identity of an earlier one. */
export function coldState(plan: Plan, numbers: Numbers): EngineState {
  return {
    service: { ...freshService(), recordNo: numbers.records.get('service') ?? 0 },
    units: Object.fromEntries(plan.units.map((unit) => [unit.id, goOnCounting(unit, null, numbers)])),
    past: keptPast({
      events: new Map(numbers.events),
      activations: new Map(numbers.activations),
      records: new Map(numbers.records),
    }),
  }
}
