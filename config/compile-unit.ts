import { compileCircuit, compileUnitRules, type GivenCircuit, type UnitFrame } from './compile-circuit.ts'
import type { PlacePlan, UnitPlan } from './plan.ts'
import type { Complain } from './own-rule.ts'
import type { UnitSettings } from './unit-settings.ts'

export interface CompiledUnit {
  readonly unit: UnitPlan
  /** Places that nobody declared, made up so that every circuit stands somewhere. */
  readonly places: readonly PlacePlan[]
}
/** Complaints of one circuit; null: of the unit itself. */
export type ComplainAbout = (circuit: string | null) => Complain

/**
 * One unit out of what the site says and what its circuits have. Pure: used for profiles and nodes at start and again for what
 * discovery finds. @param declared ids of the places of the site. @param location where the unit says that it stands.
 */
export function compileUnit(
  settings: UnitSettings,
  given: readonly GivenCircuit[],
  declared: ReadonlySet<string>,
  location: string,
  about: ComplainAbout,
): CompiledUnit {
  const frame: UnitFrame = { id: settings.unit, medium: settings.medium, staleAfter_ms: settings.staleAfter_ms }
  const places = new Map<string, PlacePlan>()
  const circuits = given.map((circuit) => {
    const choice = settings.circuits[circuit.id] ?? settings.every
    const own = given.length === 1 ? settings.unit : `${settings.unit}-${circuit.id}`
    const id = choice.place ?? own
    if (!declared.has(id) && !places.has(id))
      places.set(id, madeUp(id, settings.unit, choice.place ?? nameOf(location, settings.unit, given.length === 1 ? null : circuit.id)))
    return compileCircuit(frame, circuit, choice, id, about(circuit.id))
  })
  const unit: UnitPlan = {
    id: settings.unit,
    serial: settings.serial,
    medium: settings.medium,
    source: settings.source,
    poll_ms: settings.poll_ms,
    staleAfter_ms: settings.staleAfter_ms,
    booting_ms: settings.booting_ms,
    circuits,
    rules: compileUnitRules(frame, settings.every, about(null)),
  }
  return { unit, places: [...places.values()] }
}

const nameOf = (location: string, unit: string, circuit: string | null): string => {
  const where = location === '' ? unit : location
  return circuit === null ? where : `${where}, circuit ${circuit}`
}
const madeUp = (id: string, unit: string, name: string): PlacePlan => ({ id, name, machine: '', half: '', connection: '', ofUnit: unit })
