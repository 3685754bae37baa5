import type { Phase } from './phases.ts'

/**
 * Quality of one signal in one reading, as a small number so that a hot loop can keep it in a Uint8Array.
 * 0 and 1 carry a value; everything from 2 up is bad and carries none (the value beside it is NaN). After OPC 10000-4/8.
 */
export const QUALITY = {
  good: 0,
  uncertain: 1,
  no_communication: 2,
  sensor_failure: 3,
  device_failure: 4,
  not_connected: 5,
  out_of_service: 6,
  waiting_for_initial_data: 7,
  no_such_register: 8,
  out_of_range: 9,
  not_available: 10,
  not_a_number: 11,
  decode_error: 12,
  unknown_unit: 13,
  no_data: 14,
} as const
export type QualityName = keyof typeof QUALITY
export type BadReason = Exclude<QualityName, 'good' | 'uncertain'>

const NAMES: readonly QualityName[] = [
  'good',
  'uncertain',
  'no_communication',
  'sensor_failure',
  'device_failure',
  'not_connected',
  'out_of_service',
  'waiting_for_initial_data',
  'no_such_register',
  'out_of_range',
  'not_available',
  'not_a_number',
  'decode_error',
  'unknown_unit',
  'no_data',
]

/** Name of a quality code. Throws RangeError on a number that is no code: that is a bug, not a fault of the plant. */
export function qualityName(code: number): QualityName {
  const name = NAMES[code]
  if (name === undefined) throw new RangeError(`${code} is no quality code`)
  return name
}

export const isBad = (code: number): boolean => code > QUALITY.uncertain

/** One error that the unit itself reports. severity: 1..1000 (OPC 10000-9); 0 where the unit does not say. */
export interface UnitError {
  readonly id: string
  readonly severity: number
  readonly text: string
}

/** A value or a reason, never both: the readable form of one place in a reading. */
export type Sample =
  { readonly quality: 'good' | 'uncertain'; readonly value: number } | { readonly quality: 'bad'; readonly reason: BadReason }

/**
 * One poll of one circuit. `values[i]` and `quality[i]` belong to `signals[i]` of the circuit's plan, whole and in that order.
 * The arrays may be reused by who made them: a receiver copies or encodes before it returns.
 * at_ms: Unix ms UTC of receipt. phase: what the unit itself says it is doing, null where it does not say.
 */
export interface Reading {
  readonly kind: 'reading'
  /** `<unit id>/<circuit id>` */
  readonly circuit: string
  readonly at_ms: number
  readonly values: Float64Array
  readonly quality: Uint8Array
  readonly phase: Phase | null
  readonly errors: readonly UnitError[]
}

/** Place `index` of a reading in readable form. */
export function sampleAt(reading: Pick<Reading, 'values' | 'quality'>, index: number): Sample {
  const code = reading.quality[index] ?? QUALITY.no_data
  const value = reading.values[index] ?? Number.NaN
  if (code <= QUALITY.uncertain && Number.isFinite(value)) {
    return { quality: code === QUALITY.good ? 'good' : 'uncertain', value }
  }
  const name = qualityName(code)
  return { quality: 'bad', reason: name === 'good' || name === 'uncertain' ? 'not_a_number' : name }
}

export const NO_ERRORS: readonly UnitError[] = Object.freeze([])
