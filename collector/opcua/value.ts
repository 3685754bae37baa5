import { QUALITY } from '../../rules/reading.ts'
import { signalInfo, type Measure } from '../../rules/signals.ts'
import { convert, unitByCode, unitByDisplayName, type UnitSlug } from '../../rules/units.ts'

/** Of an EUInformation what matters here (OPC 10000-8, 5.6.3). */
export interface UnitOfMeasure {
  readonly namespaceUri: string
  readonly unitId: number
  readonly displayName: string
}
const UNECE = 'http://www.opcfoundation.org/UA/units/un/cefact'

/**
 * How to understand the numbers of one node. canonical: they are in our own unit already. unknown: nobody can tell in which
 * unit they are; `found` is what stands there.
 */
export type Understood =
  { readonly kind: 'canonical' } | { readonly kind: 'unit'; readonly unit: UnitSlug } | { readonly kind: 'unknown'; readonly found: string }
export const CANONICAL: Understood = { kind: 'canonical' }

/**
 * @param found what the node's EngineeringUnits say; null where it has none (or an empty one, which means the same).
 * @param assume true: a node without a unit is in our own (a person named the node); false: it has to say.
 */
export function understand(signal: string, found: UnitOfMeasure | null, assume: boolean): Understood {
  const measure = signalInfo(signal)?.measure ?? 'state'
  if (measure === 'state' || measure === 'count') return CANONICAL
  if (found === null || (found.unitId <= 0 && found.displayName === '')) return assume ? CANONICAL : { kind: 'unknown', found: '' }
  const coded = found.namespaceUri === UNECE || found.namespaceUri === '' ? unitByCode(found.unitId) : null
  const unit = coded ?? unitByDisplayName(found.displayName)
  if (unit === null || convert(1, unit, measure) === null) {
    return { kind: 'unknown', found: found.displayName === '' ? `UnitId ${found.unitId}` : found.displayName }
  }
  return { kind: 'unit', unit }
}

/** Where a value and its quality go: one place in a circuit's arrays. */
export interface Place {
  readonly values: Float64Array
  readonly quality: Uint8Array
  readonly index: number
}

/**
 * Puts a number in its place: converted, and an analog one rounded to 7 significant digits (1e-6 relative and better), so that
 * neither the conversion nor the float32 of a controller leaves 80.30000305 where 80.3 was meant. Counters and states stay as
 * they are.
 */
export function putNumber(at: Place, raw: number, quality: number, signal: Signal, how: Understood): void {
  if (!Number.isFinite(raw)) return putBad(at, QUALITY.not_a_number)
  if (how.kind === 'unknown') return putBad(at, QUALITY.unknown_unit)
  const value = how.kind === 'canonical' ? raw : convert(raw, how.unit, signal.measure)
  if (value === null || !Number.isFinite(value)) return putBad(at, QUALITY.not_a_number)
  at.values[at.index] = signal.rounded ? settled(value) : value
  at.quality[at.index] = quality
}

export function putBad(at: Place, quality: number): void {
  at.values[at.index] = Number.NaN
  at.quality[at.index] = quality
}

export interface Signal {
  readonly measure: Measure
  readonly rounded: boolean
}
export function signalOf(name: string): Signal {
  const info = signalInfo(name)
  return { measure: info?.measure ?? 'state', rounded: info?.kind === 'analog' || info?.kind === 'setting' }
}

/** To 7 significant digits. Multiplies or divides by a whole power of ten, so that the result is the decimal number itself. */
export function settled(value: number): number {
  if (value === 0 || !Number.isFinite(value)) return value
  const digits = 6 - Math.floor(Math.log10(Math.abs(value)))
  if (digits > 22) return 0
  if (digits < 0) return Math.round(value / 10 ** -digits) * 10 ** -digits
  const scale = 10 ** digits
  return Math.round(value * scale) / scale
}

/** The number in a variant's value: numbers and truths as they are, 64-bit integers from their halves. Null: it is no number. */
export function numberIn(value: unknown): number | null {
  if (typeof value === 'number') return value
  if (typeof value === 'boolean') return value ? 1 : 0
  if (Array.isArray(value) && value.length === 2) {
    const [high, low] = value as readonly unknown[]
    if (typeof high === 'number' && typeof low === 'number') return (high | 0) * 2 ** 32 + (low >>> 0)
  }
  return null
}
