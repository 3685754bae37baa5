import { hash } from 'node:crypto'

/**
 * Canonical JSON after RFC 8785 (JSON Canonicalization Scheme): members sorted by UTF-16 code units, numbers and strings as
 * ECMAScript writes them, no white space. The same value gives the same bytes everywhere, so a hash of it means something.
 * Members that are undefined are left out. Throws TypeError on what JSON cannot say (NaN, functions, lone surrogates): a bug.
 */
export function canonical(value: unknown): string {
  if (value === null || typeof value === 'boolean') return String(value)
  if (typeof value === 'string') {
    if (!value.isWellFormed()) throw new TypeError(`a lone surrogate in ${JSON.stringify(value)} has no canonical form`)
    return JSON.stringify(value)
  }
  if (typeof value === 'number') {
    if (!Number.isFinite(value)) throw new TypeError(`${value} has no canonical form`)
    return JSON.stringify(value)
  }
  if (typeof value !== 'object') throw new TypeError(`a ${typeof value} has no canonical form`)
  return Array.isArray(value) ? `[${value.map(canonical).join(',')}]` : members(value)
}

function members(value: object): string {
  const proto: unknown = Object.getPrototypeOf(value)
  if (proto !== Object.prototype && proto !== null) throw new TypeError(`${Object.prototype.toString.call(value)} has no canonical form`)
  const entries = Object.entries(value).filter(([, member]) => member !== undefined)
  // Compares UTF-16 code units, as the RFC asks; never by locale.
  entries.sort(([a], [b]) => (a < b ? -1 : 1))
  return `{${entries.map(([name, member]) => `${canonical(name)}:${canonical(member)}`).join(',')}}`
}

/** A copy in which every lone surrogate is U+FFFD: a unit's garbled error text must not keep an event out of the journal. */
export function wellFormed(value: unknown): unknown {
  if (typeof value === 'string') return value.toWellFormed()
  if (Array.isArray(value)) return value.map(wellFormed)
  if (typeof value !== 'object' || value === null) return value
  return Object.fromEntries(Object.entries(value).map(([name, member]) => [name.toWellFormed(), wellFormed(member)]))
}

/** `prev` of the first row. */
export const CHAIN_START = '0'.repeat(64)

/**
 * Hash of a journal row: SHA-256 of `prev`, line feed, `recorded_ms`, line feed, canonical body, all UTF-8, in hex.
 * So a row that is changed, moved, added or taken out of the middle breaks every hash from there on. `sha256sum` can check it.
 */
export function chainHash(prev: string, recorded_ms: number, body: string): string {
  return hash('sha256', `${prev}\n${recorded_ms}\n${body}`, 'hex')
}
