import { pathText, type Path } from './finding.ts'

/** Stands in for what had to be taken out but cannot be missing. Slugs that nobody would write. */
const STAND_INS: Readonly<Record<string, (path: Path) => string>> = {
  site: () => 'x',
  id: (path) => `x-${path.filter((step) => typeof step === 'number').join('-')}`,
  kind: () => 'other',
}

/**
 * A copy of a file's value without the parts that are wrong, so that the rest can be checked in the same go. What stands in a list
 * takes its whole list along, since places are counted by number.
 */
export function without(value: unknown, wrong: readonly Path[]): unknown {
  const copy: unknown = structuredClone(value)
  for (const path of wrong) remove(copy, path)
  return copy
}

function remove(root: unknown, path: Path): void {
  let owner: unknown = null
  let key: string | null = null
  let at: unknown = root
  let to: Path = []
  for (const [index, step] of path.entries()) {
    if (typeof at !== 'object' || at === null) break
    if (!Array.isArray(at)) {
      owner = at
      key = String(step)
      to = path.slice(0, index + 1)
    }
    at = Reflect.get(at, step)
  }
  if (typeof owner !== 'object' || owner === null || key === null) return
  const standIn = Object.hasOwn(STAND_INS, key) ? STAND_INS[key] : undefined
  if (standIn === undefined) Reflect.deleteProperty(owner, key)
  else Reflect.set(owner, key, standIn(to))
}

/**
 * Whether something said about a path may only follow from what was taken out: of the entry itself as a whole (a unit that nothing
 * says how to reach), or beside the faulty key of one small mapping (a deadband whose tolerance could not be read).
 * @param users entries that stand on something faulty.
 */
export function tainted(wrong: readonly Path[], users: readonly Path[]): (path: string) => boolean {
  const roots = new Set([...wrong, ...users].map((path) => pathText(path.slice(0, 2))))
  const areas = wrong.map((path) => pathText(path.length > 3 ? path.slice(0, -1) : path))
  return (path) => roots.has(path) || areas.some((area) => path === area || path.startsWith(`${area}.`) || path.startsWith(`${area}[`))
}
