import { createHash } from 'node:crypto'
import type { Plan } from './plan.ts'

/** JSON with sorted keys and without undefined: the same data always give the same text. */
export function canonicalJson(value: unknown): string {
  if (Array.isArray(value)) return `[${value.map((each) => (each === undefined ? 'null' : canonicalJson(each))).join(',')}]`
  if (typeof value === 'object' && value !== null) {
    const entries = Object.entries(value).filter(([, each]) => each !== undefined)
    entries.sort(([a], [b]) => (a < b ? -1 : a > b ? 1 : 0))
    return `{${entries.map(([key, each]) => `${JSON.stringify(key)}:${canonicalJson(each)}`).join(',')}}`
  }
  return JSON.stringify(value) ?? 'null'
}

/** The plan with its version: SHA-256 over its canonical JSON without the version, as 64 hexadecimal digits. */
export function withVersion(plan: Omit<Plan, 'version'>): Plan {
  const { ...rest } = plan
  Reflect.deleteProperty(rest, 'version')
  const version = createHash('sha256').update(canonicalJson(rest)).digest('hex')
  return { version, ...rest }
}
