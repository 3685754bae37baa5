import type { CircuitSettings, RuleSettings, UnitLayer } from './site-schema.ts'
import type { Path } from './finding.ts'

type Limits = Readonly<Record<string, NonNullable<NonNullable<CircuitSettings['limits']>[string]>>>

/** What a site says about one circuit once template, unit, override and circuit are laid over one another. Plain data, JSON-able. */
export interface CircuitChoice {
  readonly place: string | null
  readonly controlPoint: 'main_line' | 'return_line' | 'external' | 'unit' | null
  readonly tolerance: { readonly plus_K: number; readonly minus_K: number } | null
  readonly switchOff_degC: number | null
  readonly startDistance_K: number | null
  readonly pressureRating_bar: number | null
  readonly base: number | null
  readonly limits: Limits
  readonly rules: Readonly<Record<string, RuleSettings>>
  readonly nodes: Readonly<Record<string, string>>
  readonly signals: readonly string[]
  /** Rules that are only named for the whole site: a circuit that cannot have one does without. */
  readonly broad: readonly string[]
  /** Setting ('tolerance', 'rules temperature.deviation') to where it was said last: 'site.yaml:14'. */
  readonly lines: Readonly<Record<string, string>>
}
/** A part of the file that says something about circuits, with its place. */
export interface Layer {
  readonly fields: UnitLayer
  readonly path: Path
}
export interface Merged {
  readonly choice: CircuitChoice
  /** Setting to its path in the file, for findings. */
  readonly paths: ReadonlyMap<string, Path>
}

type Draft = { -readonly [K in keyof CircuitChoice]: CircuitChoice[K] }

/** Lays the layers over one another, the later over the earlier; what is said for the circuit itself over what is said for its unit. */
export function mergeCircuit(
  circuit: string,
  layers: readonly Layer[],
  siteRules: Readonly<Record<string, RuleSettings>>,
  line: (path: Path) => string,
): Merged {
  const paths = new Map<string, Path>()
  const draft: Draft = {
    place: null,
    controlPoint: null,
    tolerance: null,
    switchOff_degC: null,
    startDistance_K: null,
    pressureRating_bar: null,
    base: null,
    limits: {},
    rules: {},
    nodes: {},
    signals: [],
    broad: [],
    lines: {},
  }
  layRules(draft, paths, siteRules, ['rules'])
  draft.broad = Object.keys(siteRules)
  for (const { fields, path } of layers) lay(draft, paths, fields, path)
  for (const { fields, path } of layers) {
    const own = fields.circuits?.[circuit]
    if (own !== undefined) lay(draft, paths, own, [...path, 'circuits', circuit])
  }
  draft.lines = Object.fromEntries([...paths].map(([setting, path]) => [setting, line(path)]))
  return { choice: draft, paths }
}

function lay(draft: Draft, paths: Map<string, Path>, fields: CircuitSettings | UnitLayer, path: Path): void {
  const note = (key: string): void => void paths.set(key, [...path, key])
  const take = <T>(key: string, value: T | undefined, before: T | null): T | null => {
    if (value === undefined) return before
    note(key)
    return value
  }
  draft.place = take('place', fields.place, draft.place)
  draft.controlPoint = take('control_point', fields.control_point, draft.controlPoint)
  draft.tolerance = take('tolerance', fields.tolerance, draft.tolerance)
  draft.switchOff_degC = take('switch_off', fields.switch_off, draft.switchOff_degC)
  draft.startDistance_K = take('start_distance', fields.start_distance, draft.startDistance_K)
  draft.pressureRating_bar = take('pressure_rating', fields.pressure_rating, draft.pressureRating_bar)
  if (fields.signals !== undefined) {
    draft.signals = fields.signals
    note('signals')
  }
  if ('base' in fields) draft.base = take('base', fields.base, draft.base)
  for (const [signal, limit] of Object.entries(fields.limits ?? {})) {
    draft.limits = { ...draft.limits, [signal]: { ...draft.limits[signal], ...defined(limit) } }
    paths.set(`limits ${signal}`, [...path, 'limits', signal])
  }
  for (const [signal, node] of Object.entries(fields.nodes ?? {})) {
    draft.nodes = { ...draft.nodes, [signal]: node }
    paths.set(`nodes ${signal}`, [...path, 'nodes', signal])
  }
  layRules(draft, paths, fields.rules ?? {}, [...path, 'rules'])
  draft.broad = draft.broad.filter((id) => fields.rules?.[id] === undefined)
}

function layRules(draft: Draft, paths: Map<string, Path>, rules: Readonly<Record<string, RuleSettings>>, path: Path): void {
  for (const [id, given] of Object.entries(rules)) {
    const before = draft.rules[id] ?? {}
    const merged: RuleSettings = { ...before, ...defined(given) }
    if (before.start !== undefined && given.start !== undefined) merged.start = { ...before.start, ...defined(given.start) }
    if (before.words !== undefined && given.words !== undefined) merged.words = { ...before.words, ...defined(given.words) }
    draft.rules = { ...draft.rules, [id]: merged }
    paths.set(`rules ${id}`, [...path, id])
  }
}

/** Without the keys that are undefined, which would otherwise rub out what a layer below says. */
function defined<T extends object>(fields: T): T {
  const entries = Object.entries(fields).filter(([, value]) => value !== undefined)
  // The same keys and values as before, less the undefined ones, which the type allows to be absent.
  return Object.fromEntries(entries) as T
}
