import { withDiscovery, type FoundLike, type FoundUnitLike } from '../config/discovered.ts'
import type { Plan } from '../config/plan.ts'

/**
 * A site file's plan with what was found by browsing in an earlier run: a unit that is out of reach at the start keeps its circuits,
 * alarms and name. What the unit shows when it is back counts then.
 */
export function carriedDiscoveries(fresh: Plan, old: Plan): Plan {
  return fresh.sources.reduce((plan, source) => {
    if (source.kind !== 'opcua' || !source.discover) return plan
    const before = old.sources.find((other) => other.id === source.id)
    if (before?.kind !== 'opcua' || before.endpoint !== source.endpoint || !before.discover) return plan
    const units = foundBefore(old, source.id)
    return units.length === 0 ? plan : withDiscovery(plan, { source: source.id, units })
  }, fresh)
}

/** What is found now, with the units found before that do not show themselves at present: a unit that is away must not vanish. */
export function withMissing(plan: Plan, found: FoundLike): FoundLike {
  const serials = new Set(found.units.map((unit) => unit.serial))
  return { ...found, units: [...found.units, ...foundBefore(plan, found.source).filter((unit) => !serials.has(unit.serial))] }
}

function foundBefore(plan: Plan, source: string): FoundUnitLike[] {
  return plan.units
    .filter((unit) => unit.source === source && unit.serial !== '')
    .map((unit) => ({
      id: unit.id,
      serial: unit.serial,
      location: '',
      circuits: unit.circuits.map((circuit) => ({
        id: circuit.id,
        signals: circuit.signals.map((signal, i) => ({ signal, node: circuit.nodes[i] ?? '' })),
      })),
    }))
}
