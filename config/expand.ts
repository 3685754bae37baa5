import { pathText, suggestion, type Path } from './finding.ts'
import type { Layer } from './choice.ts'
import type { SiteFile, UnitEntry, UnitLayer } from './site-schema.ts'

/** One unit of the site, every list written out. Later layers lie over earlier ones. */
export interface ExpandedUnit {
  readonly id: string
  /** Number in its list, null for a unit that stands alone. */
  readonly n: number | null
  readonly path: Path
  readonly layers: readonly Layer[]
}
export type Say = (path: Path, text: string, part?: 'key' | 'value') => void

const MOST = 2000

/** Units with templates, lists and overrides resolved. What is wrong is said, and the rest goes on. */
export function expandUnits(site: SiteFile, say: Say): ExpandedUnit[] {
  const units = site.units.flatMap((entry, index) => expandEntry(entry, ['units', index], site.templates ?? {}, say))
  const first = new Map<string, Path>()
  for (const unit of units) {
    const before = first.get(unit.id)
    if (before !== undefined) {
      const hint =
        unit.n !== null && pathText(before) === pathText(unit.path)
          ? 'Put <n> or <nn> into the id of the list.'
          : 'Give each unit an id of its own.'
      say([...unit.path, 'id'], `the id "${unit.id}" is taken by ${pathText(before)}. ${hint}`)
    } else first.set(unit.id, unit.path)
  }
  return units
}

function expandEntry(entry: UnitEntry, path: Path, templates: NonNullable<SiteFile['templates']>, say: Say): ExpandedUnit[] {
  const { list, overrides = {}, id, template, ...fields } = entry
  const numbers = list === undefined ? [null] : readList(list, [...path, 'list'], say)
  const used = new Set<string>()
  const units = numbers.map((n): ExpandedUnit => {
    const override = n === null ? undefined : overrides[String(n)]
    if (override !== undefined) used.add(String(n))
    const overridePath: Path = [...path, 'overrides', String(n)]
    const named = override?.template ?? template
    const layers: Layer[] = []
    if (named !== undefined) {
      const found = Object.hasOwn(templates, named) ? templates[named] : undefined
      if (found === undefined) {
        const at: Path = override?.template === undefined ? [...path, 'template'] : [...overridePath, 'template']
        say(at, `there is no template "${named}". ${suggestion(named, Object.keys(templates))}`)
      } else layers.push({ fields: numbered(found, n), path: ['templates', named] })
    }
    layers.push({ fields: numbered(fields, n), path })
    if (override !== undefined) layers.push({ fields: numbered(override, n), path: overridePath })
    const layered = layersOf(layers)
    return { id: numbered(override?.id ?? id, n), n, path, layers: layered }
  })
  for (const key of Object.keys(overrides)) {
    if (!used.has(key)) say([...path, 'overrides', key], `the list has no number ${key}. Take the override out, or widen the list.`, 'key')
  }
  if (list === undefined) refusePlaceholders(entry, path, say)
  return units
}

/** A connection in one layer takes the place of the one below it, not parts of it: a unit has one way to be reached. */
function layersOf(layers: readonly Layer[]): Layer[] {
  let last = -1
  for (const [index, { fields }] of layers.entries()) if (WAYS.some((way) => fields[way] !== undefined)) last = index
  return layers.map((layer, index) => {
    if (index >= last) return layer
    const { line: _line, connection: _connection, opcua: _opcua, replay: _replay, ...rest } = layer.fields
    return { fields: rest, path: layer.path }
  })
}
export const WAYS = ['line', 'connection', 'opcua', 'replay'] as const

/** '1..40', [1, 3, 5..9] as numbers, each once and in order. */
export function readList(list: string | number | readonly (string | number)[], path: Path, say: Say): number[] {
  const numbers = new Set<number>()
  for (const part of typeof list === 'object' ? list : [list]) {
    const found = /^\s*(\d{1,4})\s*(?:(?:\.\.|-)\s*(\d{1,4})\s*)?$/.exec(String(part))
    const from = Number(found?.[1] ?? Number.NaN)
    const to = Number(found?.[2] ?? from)
    if (Number.isNaN(from) || to < from) {
      say(path, `"${String(part)}" is no range. Write it like 1..40, or [1, 3, 5..9].`)
      continue
    }
    for (let n = from; n <= to && numbers.size < MOST; n++) numbers.add(n)
  }
  if (numbers.size >= MOST) say(path, `more than ${MOST} in one list. Split it.`)
  return [...numbers].sort((a, b) => a - b)
}

/** Puts the number of a list in the place of `<n>`, `<nn>` … in every text below. */
export function numbered<T>(value: T, n: number | null): T {
  if (n === null) return value
  const fill = (part: unknown): unknown => {
    if (typeof part === 'string') return part.replaceAll(/<(n{1,4})>/g, (_all, digits: string) => String(n).padStart(digits.length, '0'))
    if (Array.isArray(part)) return part.map(fill)
    if (typeof part === 'object' && part !== null) return Object.fromEntries(Object.entries(part).map(([key, each]) => [key, fill(each)]))
    return part
  }
  // The same shape with other letters in its texts; nothing but texts is touched.
  return fill(value) as T
}

function refusePlaceholders(value: unknown, path: Path, say: Say): void {
  if (typeof value === 'string' && /<n{1,4}>/.test(value))
    say(path, `"${value}" stands for a number of a list, but there is no list here. Add list: 1..40, or write the number.`)
  if (typeof value !== 'object' || value === null) return
  for (const [key, each] of Object.entries(value)) refusePlaceholders(each, [...path, Array.isArray(value) ? Number(key) : key], say)
}

/** The last layer that says something, with its place. */
export function pick<K extends keyof UnitLayer>(
  unit: ExpandedUnit,
  key: K,
): { readonly value: NonNullable<UnitLayer[K]>; readonly path: Path } | null {
  for (const { fields, path } of unit.layers.toReversed()) {
    const value = fields[key]
    if (value !== undefined && value !== null) return { value, path: [...path, key] }
  }
  return null
}
