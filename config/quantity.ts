import { convert, dimensionOf, unitByDisplayName, unitDimension, writtenUnits, type UnitSlug } from '../rules/units.ts'
import type { Measure } from '../rules/signals.ts'

/** What a setting wants: a measure of mouldtend, a length of time in ms, or a length in m. */
export type Wanted = Measure | 'ms' | 'm'
export type Quantity =
  { readonly kind: 'ok'; readonly value: number } | { readonly kind: 'refused'; readonly expected: string; readonly todo: string }

interface Words {
  /** 'a temperature difference in K' */
  readonly expected: string
  /** What to write, filled with the number that was meant. */
  readonly write: (number: string) => string
}
const say = (expected: string, unit: string): Words => ({ expected, write: (number) => `${number} ${unit}` })
const WORDS: Readonly<Record<Wanted, Words>> = {
  degC: say('a temperature with its unit', '°C'),
  K: say('a temperature difference in K', 'K'),
  bar: say('a pressure with its unit (gauge)', 'bar'),
  l_min: say('a flow with its unit', 'l/min'),
  kW: say('a power with its unit', 'kW'),
  '%': say('a share in %', '%'),
  h: say('a time with its unit', 'h'),
  s: say('a time with its unit', 's'),
  ms: say('a time with its unit', 's'),
  '1_min': say('a speed with its unit', '1/min'),
  count: { expected: 'a plain number', write: (number) => number },
  state: { expected: 'a plain number', write: (number) => number },
  m: say('a height with its unit', 'm'),
}
const METRES: Readonly<Record<string, number>> = { m: 1, km: 1000, ft: 0.3048 }

/** What the setting expects, in words. */
export const expectation = (wanted: Wanted): string => WORDS[wanted].expected

/** How it could be written, for editors and messages. */
export const sample = (wanted: Wanted): string => WORDS[wanted].write('5')

/**
 * Reads `3 K`, `0.5 bar`, `284 °F` into the unit that mouldtend keeps. Whatever could be meant in two ways is refused, with what
 * to write instead: a bare number, a decimal comma, °C or °F for a difference, K for a temperature, `m` for a time.
 * Never throws. The value is finite.
 */
export function parseQuantity(input: unknown, wanted: Wanted): Quantity {
  const plain = wanted === 'count' || wanted === 'state'
  if (typeof input === 'number') {
    if (plain && Number.isFinite(input)) return { kind: 'ok', value: input }
    return refuse(
      wanted,
      Number.isFinite(input) ? `A bare number has no unit. Write "${WORDS[wanted].write(String(input))}".` : example(wanted),
    )
  }
  if (typeof input !== 'string') return refuse(wanted, example(wanted))
  const found = /^\s*([+-]?\d+(?:[.,]\d+)?)\s*(.*?)\s*$/su.exec(input)
  const number = found?.[1]
  const unit = found?.[2]
  if (number === undefined || unit === undefined) return refuse(wanted, example(wanted))
  if (number.includes(',')) {
    return refuse(wanted, `A comma could part thousands or decimals. Write "${`${number.replace(',', '.')} ${unit}`.trim()}".`)
  }
  const value = Number(number)
  // Hundreds of digits overflow; no setting is that large.
  if (!Number.isFinite(value)) return refuse(wanted, example(wanted))
  if (unit === '')
    return plain ? { kind: 'ok', value } : refuse(wanted, `A bare number has no unit. Write "${WORDS[wanted].write(number)}".`)
  if (wanted === 'm') return length(value, unit)
  return withUnit(value, number, unit, wanted)
}

function length(value: number, unit: string): Quantity {
  const factor = Object.hasOwn(METRES, unit) ? METRES[unit] : undefined
  return factor === undefined ? refuse('m', 'Known units: m, km, ft.') : { kind: 'ok', value: value * factor }
}

function withUnit(value: number, number: string, unit: string, wanted: Exclude<Wanted, 'm'>): Quantity {
  const slug = unitByDisplayName(unit)
  const dimension = wanted === 'ms' ? 'time' : dimensionOf(wanted)
  if (slug === null || unitDimension(slug) !== dimension) return refuse(wanted, wrongUnit(number, unit, wanted, dimension))
  const ambiguous = mixedUp(value, number, slug, wanted)
  if (ambiguous !== null) return refuse(wanted, ambiguous)
  const converted = convert(value, slug, wanted === 'ms' ? 's' : wanted)
  if (converted === null) return refuse(wanted, example(wanted))
  // A time in ms is whole: 1.1 s must be 1100 and not 1100.0000000000002.
  return { kind: 'ok', value: wanted === 'ms' ? Math.round(converted * 1000) : converted }
}

/** °C and K look alike and are not: 3 °C as a difference may be 3 K or 276.15 K. */
function mixedUp(value: number, number: string, slug: UnitSlug, wanted: Wanted): string | null {
  if (wanted === 'K' && slug === 'degC') return `A difference is in K, a temperature in °C. Write "${number} K" if a difference is meant.`
  if (wanted === 'K' && slug === 'degF') {
    return `A difference is in K, a temperature in °F. Write "${tidy((value * 5) / 9)} K" if a difference of ${number} °F is meant.`
  }
  if (wanted === 'degC' && slug === 'K')
    return `K is for differences here. Write "${number} °C", or "${tidy(value - 273.15)} °C" if kelvins are meant.`
  return null
}

function wrongUnit(number: string, unit: string, wanted: Wanted, dimension: Parameters<typeof writtenUnits>[0]): string {
  if (dimension === 'time' && /^m$/i.test(unit)) return `"m" could be minutes, metres or months. Write "${number} min" or "${number} d".`
  if (dimension === 'temperature' && /^[CF]$/i.test(unit)) {
    const letter = unit.toUpperCase()
    const meant = mixedUp(Number(number), number, letter === 'C' ? 'degC' : 'degF', wanted)
    return meant ?? `Write "${number} °${letter}".`
  }
  if (/\(a\)|abs|psia/i.test(unit)) return 'Pressures are gauge here. Take off the pressure of the air and write bar.'
  return wanted === 'K' ? `Write "${number} K".` : `Known units: ${writtenUnits(dimension).join(', ')}.`
}

const tidy = (value: number): string => String(Math.round(value * 100) / 100)
const example = (wanted: Wanted): string => `Write it like "${sample(wanted)}".`
const refuse = (wanted: Wanted, todo: string): Quantity => ({ kind: 'refused', expected: WORDS[wanted].expected, todo })
