import { withDiscovery } from '../config/discovered.ts'
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
    const units = old.units
      .filter((unit) => unit.source === source.id && unit.serial !== '')
      .map((unit) => ({
        serial: unit.serial,
        model: '',
        manufacturer: '',
        location: '',
        circuits: unit.circuits.map((circuit) => ({
          id: circuit.id,
          signals: circuit.signals.map((signal, i) => ({ signal, node: circuit.nodes[i] ?? '' })),
        })),
      }))
    return units.length === 0 ? plan : withDiscovery(plan, { source: source.id, units })
  }, fresh)
}
