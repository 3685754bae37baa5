import type { UnitPlan } from '../../config/plan.ts'
import type { FoundUnit } from '../source.ts'

/**
 * Does the plan have everything that was found, with the same nodes? What the plan has beyond that is no difference: a unit or
 * a sensor that is not shown any more has to stay in the plan, as bad, until a person takes it out.
 */
export function covers(units: readonly UnitPlan[], found: readonly FoundUnit[]): boolean {
  return found.every((unit) => {
    const planned = units.find(({ serial }) => serial === unit.serial)
    return unit.circuits.every((circuit) => {
      const own = planned?.circuits.find(({ id }) => id === circuit.id)
      return circuit.signals.every(({ signal, node }) => {
        const index = own?.signals.findIndex((name) => name === signal) ?? -1
        return index >= 0 && own?.nodes[index] === node
      })
    })
  })
}

/** Units of the plan that the server does not show. */
export function notShown(units: readonly UnitPlan[], found: readonly FoundUnit[]): readonly UnitPlan[] {
  const shown = new Set(found.map(({ serial }) => serial))
  return units.filter(({ serial, circuits }) => circuits.length > 0 && !shown.has(serial))
}
