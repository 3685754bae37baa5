import type { Measure } from './signals.ts'

/**
 * Units in which a register, a node or a person may give a value. `K` is a temperature difference where a difference is
 * meant and an absolute temperature where a temperature is meant; the wanted measure decides. `gal_min` is the US gallon.
 */
export type UnitSlug = keyof typeof UNITS

/** What a unit measures: only units of one dimension turn into one another. `state` and `count` are plain numbers. */
export type Dimension = 'temperature' | 'pressure' | 'flow' | 'power' | 'ratio' | 'time' | 'speed' | 'number'

interface Unit {
  readonly dimension: Dimension
  /** base = value * times / over, in bar, l/min, kW, %, s, 1/min. Two whole numbers where possible: one rounding less. */
  readonly times: number
  readonly over: number
  /** UN/CEFACT common code (Recommendation 20), null where we know none. */
  readonly code: string | null
  /** As people and units write it; the first is how we write it. Case counts (`mbar`, `MPa`). */
  readonly written: readonly string[]
}

const unit = (dimension: Dimension, times: number, over: number, code: string | null, ...written: string[]): Unit =>
  Object.freeze({ dimension, times, over, code, written: Object.freeze(written) })

/**
 * Factors: psi, US gallon and cubic foot from their definitions (NIST SP 811, appendix B: 1 lbf = 4.4482216152605 N,
 * 1 in = 25.4 mm, 1 US gal = 231 in3); the others are powers of ten or of sixty. Codes: UN/CEFACT Recommendation 20.
 */
const UNITS = {
  degC: unit('temperature', 1, 1, 'CEL', '°C', 'degC', '℃', 'deg C', '° C'),
  degF: unit('temperature', 5, 9, 'FAH', '°F', 'degF', '℉', 'deg F', '° F'),
  K: unit('temperature', 1, 1, 'KEL', 'K'),
  bar: unit('pressure', 1, 1, 'BAR', 'bar'),
  mbar: unit('pressure', 1, 1000, 'MBR', 'mbar'),
  Pa: unit('pressure', 1, 100_000, 'PAL', 'Pa'),
  kPa: unit('pressure', 1, 100, 'KPA', 'kPa'),
  MPa: unit('pressure', 10, 1, 'MPA', 'MPa'),
  psi: unit('pressure', 0.068_947_572_931_683_6, 1, 'PS', 'psi', 'lbf/in2', 'lbf/in²'),
  l_min: unit('flow', 1, 1, 'L2', 'l/min', 'L/min', 'lpm', 'LPM'),
  l_h: unit('flow', 1, 60, 'E32', 'l/h', 'L/h'),
  l_s: unit('flow', 60, 1, 'G51', 'l/s', 'L/s'),
  m3_h: unit('flow', 1000, 60, 'MQH', 'm3/h', 'm³/h'),
  gal_min: unit('flow', 3.785_411_784, 1, 'G2', 'gal/min', 'gal (US)/min', 'gal (US) /min', 'gpm', 'GPM'),
  ft3_min: unit('flow', 28.316_846_592, 1, '2L', 'ft3/min', 'ft³/min', 'cfm', 'CFM'),
  kW: unit('power', 1, 1, 'KWT', 'kW'),
  W: unit('power', 1, 1000, 'WTT', 'W'),
  '%': unit('ratio', 1, 1, 'P1', '%', 'percent'),
  d: unit('time', 86_400, 1, 'DAY', 'd', 'day', 'days'),
  h: unit('time', 3600, 1, 'HUR', 'h'),
  min: unit('time', 60, 1, 'MIN', 'min'),
  s: unit('time', 1, 1, 'SEC', 's'),
  ms: unit('time', 1, 1000, 'C26', 'ms'),
  rpm: unit('speed', 1, 1, 'RPM', 'r/min', 'rpm', 'RPM'),
  '1_min': unit('speed', 1, 1, 'C94', '1/min', 'min-1', 'min⁻¹', '/min'),
  count: unit('number', 1, 1, 'C62', 'count', '1'),
  state: unit('number', 1, 1, null, 'state'),
} as const satisfies Record<string, Unit>

const KELVIN_OF_ZERO_DEGC = 273.15

/**
 * Turns a value into the unit that mouldtend keeps for a measure; null where the two do not measure the same thing.
 * Into K nothing ever gets an offset: a difference of 9 degF is 5 K. Into degC the zero points count: 50 degF is 10 degC.
 * A value already in that unit comes back as it is, bit for bit.
 */
export function convert(value: number, from: UnitSlug, to: Measure): number | null {
  const source = UNITS[from]
  if (source.dimension !== dimensionOf(to)) return null
  if (to === 'degC') return from === 'degF' ? ((value - 32) * 5) / 9 : from === 'K' ? value - KELVIN_OF_ZERO_DEGC : value
  return scaled(value, source.times, to === 'h' ? source.over * 3600 : source.over)
}

/** Dividing by a whole number last keeps `value * 3600 / 3600` and the like exact. */
function scaled(value: number, times: number, over: number): number {
  return times === over ? value : (value * times) / over
}

const DIMENSION_OF = {
  degC: 'temperature',
  K: 'temperature',
  bar: 'pressure',
  l_min: 'flow',
  kW: 'power',
  '%': 'ratio',
  h: 'time',
  s: 'time',
  '1_min': 'speed',
  count: 'number',
  state: 'number',
} as const satisfies Record<Measure, Dimension>

export const dimensionOf = (measure: Measure): Dimension => DIMENSION_OF[measure]

export const unitDimension = (slug: UnitSlug): Dimension => UNITS[slug].dimension

export const isUnitSlug = (text: string): text is UnitSlug => Object.hasOwn(UNITS, text)

/** Every unit of a dimension as we write it, for messages. */
export function writtenUnits(dimension: Dimension): readonly string[] {
  return Object.values(UNITS).flatMap((each) => (each.dimension === dimension ? [each.written[0] ?? ''] : []))
}

/**
 * UN/CEFACT number of a common code as OPC UA sends it in EUInformation.UnitId: start at 0, shift left by 8 bits and OR
 * the next ASCII character (OPC 10000-8, 5.6.3).
 */
export function unitCode(commonCode: string): number {
  let id = 0
  for (let index = 0; index < commonCode.length; index++) id = (id << 8) | commonCode.charCodeAt(index)
  return id
}

const BY_CODE: ReadonlyMap<number, UnitSlug> = new Map(
  slugs().flatMap((slug): [number, UnitSlug][] => {
    const code: string | null = UNITS[slug].code
    return code === null ? [] : [[unitCode(code), slug]]
  }),
)
const BY_NAME: ReadonlyMap<string, UnitSlug> = new Map(
  slugs().flatMap((slug) => [[slug, slug], ...UNITS[slug].written.map((name): [string, UnitSlug] => [name, slug])] as [string, UnitSlug][]),
)

function slugs(): UnitSlug[] {
  return Object.keys(UNITS).filter(isUnitSlug)
}

/** Unit of a UN/CEFACT UnitId, null where the number is none that we know. */
export const unitByCode = (unitId: number): UnitSlug | null => BY_CODE.get(unitId) ?? null

/** Unit as a server or a person writes it ('°C', 'l/min', 'min-1'), or our own slug. Null where nobody can tell. */
export const unitByDisplayName = (name: string): UnitSlug | null => BY_NAME.get(name.trim()) ?? null
