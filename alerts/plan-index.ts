import type { CircuitPlan, PlacePlan, Plan, RulePlan, UnitPlan } from '../config/plan.ts'
import type { SignalName } from '../rules/signals.ts'

/** Where a rule stands in the plan. circuit null: a rule of the whole unit. */
export interface RuleAt {
  readonly rule: RulePlan
  readonly unit: UnitPlan
  readonly circuit: CircuitPlan | null
}
export interface PlanIndex {
  readonly alarms: ReadonlyMap<string, RuleAt>
  readonly places: ReadonlyMap<string, PlacePlan>
}

// A flood asks for hundreds of rules at once; a plan never changes, so its index can be kept as long as the plan lives.
const indexes = new WeakMap<Plan, PlanIndex>()

export function indexOf(plan: Plan): PlanIndex {
  const known = indexes.get(plan)
  if (known !== undefined) return known
  const alarms = new Map<string, RuleAt>()
  for (const unit of plan.units) {
    for (const rule of unit.rules) alarms.set(rule.alarm, { rule, unit, circuit: null })
    for (const circuit of unit.circuits) for (const rule of circuit.rules) alarms.set(rule.alarm, { rule, unit, circuit })
  }
  const index = { alarms, places: new Map(plan.places.map((place) => [place.id, place])) }
  indexes.set(plan, index)
  return index
}

/** The signal that `control` stands for where the plan knows it; null where the unit says it while it runs. */
export function controlSignal(circuit: CircuitPlan | null): SignalName | null {
  switch (circuit?.controlPoint) {
    case 'main_line':
      return 'temperature.main_line'
    case 'return_line':
      return 'temperature.return_line'
    case 'external':
      return 'temperature.external'
    case 'unit':
    case undefined:
      return null
  }
}
