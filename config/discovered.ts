import { isSignalName, type SignalName } from '../rules/signals.ts'
import { withVersion } from './canonical.ts'
import type { GivenCircuit } from './compile-circuit.ts'
import { compileUnit } from './compile-unit.ts'
import type { OpcUaSource, PlacePlan, Plan, UnitPlan } from './plan.ts'
import { slugOf } from './schema-words.ts'
import type { UnitSettings } from './unit-settings.ts'

/** What an adapter found behind one source. The shape of what collector/ reports; only what is used here. */
export interface FoundUnitLike {
  /** The id it has had so far, where it is known: alarms are known by it and must not change their names. */
  readonly id?: string
  readonly serial: string
  readonly location: string
  readonly circuits: readonly { readonly id: string; readonly signals: readonly { readonly signal: string; readonly node: string }[] }[]
}
export interface FoundLike {
  readonly source: string
  readonly units: readonly FoundUnitLike[]
}

/**
 * The plan with the units of one discovered source as they were found, under the same defaults and the same settings of the site.
 * Pure; the same findings give the same plan version, in whatever order they come. One unit keeps the id of the site; several get
 * `<id>-<serial>`. Where nothing was found, or the source is not discovered, the plan stays as it is.
 */
export function withDiscovery(plan: Plan, found: FoundLike): Plan {
  return lay(plan, found).plan
}

/** What the site says and the found units cannot have, in words: 'site.yaml:14 …'. */
export function discoveryNotes(plan: Plan, found: FoundLike): readonly string[] {
  return lay(plan, found).notes
}

function lay(plan: Plan, found: FoundLike): { readonly plan: Plan; readonly notes: readonly string[] } {
  const source = plan.sources.find((each): each is OpcUaSource => each.kind === 'opcua' && each.id === found.source)
  const settings = source?.settings
  if (source === undefined || settings === undefined || found.units.length === 0) return { plan, notes: [] }
  const old = plan.units.filter((unit) => unit.source === source.id)
  const oldIds = new Set(old.map((unit) => unit.id))
  const elsewhere = new Set(plan.units.flatMap((unit) => (oldIds.has(unit.id) ? [] : unit.circuits.map((circuit) => circuit.place))))
  const kept = plan.places.filter((place) => place.ofUnit === undefined || !oldIds.has(place.ofUnit) || elsewhere.has(place.id))
  const declared = new Set(kept.map((place) => place.id))
  const notes: string[] = []
  const ordered = found.units.toSorted(byText((unit) => `${unit.serial}\n${JSON.stringify(unit.circuits)}`))
  const taken = new Set(plan.units.filter((unit) => !oldIds.has(unit.id)).map((unit) => unit.id))
  const places: PlacePlan[] = []
  const known = new Map(old.flatMap((unit) => (unit.serial === '' ? [] : [[unit.serial, unit.id] as const])))
  for (const unit of ordered) if (unit.id !== undefined && unit.serial !== '') known.set(unit.serial, unit.id)
  const units = ordered.map((unit, index) => {
    const before = known.get(unit.serial)
    const id =
      before !== undefined && !taken.has(before)
        ? before
        : ordered.length === 1
          ? settings.unit
          : free(`${settings.unit}-${slugOf(unit.serial) || String(index + 1)}`, taken)
    taken.add(id)
    const own: UnitSettings = { ...settings, unit: id, serial: unit.serial === '' ? settings.serial : unit.serial }
    const compiled = compileUnit(
      own,
      unit.circuits.map(given).toSorted(byText((circuit) => circuit.id)),
      declared,
      unit.location,
      () => (_level, setting, _below, text) => {
        const line = settings.every.lines[setting]
        notes.push(`${line ?? source.line} unit "${id}": ${text}`)
      },
    )
    for (const place of compiled.places) {
      declared.add(place.id)
      places.push(place)
    }
    return compiled.unit
  })
  return {
    plan: withVersion({
      ...plan,
      places: [...kept, ...places],
      supplies: plan.supplies.map((supply) => ({ ...supply, units: renamed(supply.units, oldIds, units) })),
      units: replaced(plan.units, source.id, units),
    }),
    notes: [...new Set(notes)],
  }
}

/** Signals that we do not know are left out; a signal twice counts once, the first time. */
function given(circuit: FoundUnitLike['circuits'][number]): GivenCircuit {
  const nodes = new Map<SignalName, string>()
  for (const { signal, node } of circuit.signals) if (isSignalName(signal) && !nodes.has(signal)) nodes.set(signal, node)
  return { id: slugOf(circuit.id) || 'a', signals: [...nodes.keys()], registers: null, nodes: [...nodes.values()] }
}

function free(wanted: string, taken: ReadonlySet<string>): string {
  let id = wanted
  for (let n = 2; taken.has(id); n++) id = `${wanted}-${n}`
  return id
}

/** The found units stand where the first of the old ones stood. */
function replaced(all: readonly UnitPlan[], source: string, units: readonly UnitPlan[]): UnitPlan[] {
  const first = all.findIndex((unit) => unit.source === source)
  const others = all.filter((unit) => unit.source !== source)
  return first < 0
    ? [...others, ...units]
    : [...all.slice(0, first), ...units, ...all.slice(first).filter((unit) => unit.source !== source)]
}

function renamed(names: readonly string[], old: ReadonlySet<string>, units: readonly UnitPlan[]): string[] {
  if (!names.some((name) => old.has(name))) return [...names]
  const first = names.findIndex((name) => old.has(name))
  return [...names.slice(0, first), ...units.map((unit) => unit.id), ...names.slice(first).filter((name) => !old.has(name))]
}

/** By code units, so that no locale can change the order. */
function byText<T>(textOf: (value: T) => string): (a: T, b: T) => number {
  return (a, b) => {
    const [one, other] = [textOf(a), textOf(b)]
    return one < other ? -1 : one > other ? 1 : 0
  }
}
