import * as fc from 'fast-check'
import { standardUnits } from 'node-opcua'
import { expect, test } from 'vitest'
import type { Measure } from '../../rules/signals.ts'
import {
  convert,
  dimensionOf,
  isUnitSlug,
  unitByCode,
  unitByDisplayName,
  unitCode,
  unitDimension,
  writtenUnits,
  type UnitSlug,
} from '../../rules/units.ts'

const SLUGS = 'degC degF K bar mbar Pa kPa MPa psi l_min l_h l_s m3_h gal_min ft3_min kW W % d h min s ms rpm 1_min count state'
  .split(' ')
  .filter(isUnitSlug)
const MEASURES: readonly Measure[] = ['degC', 'K', 'bar', 'l_min', 'kW', '%', 'h', '1_min', 's', 'count', 'state']

// NIST SP 811 appendix B.8 gives the factors (7 digits): psi 6.894757 E+03 Pa; gallon (US) per minute 6.309020 E-05 m3/s;
// cubic foot per minute 4.719474 E-04 m3/s. Fixed points of water and -40 are common knowledge, no source needed.
test.each<[number, UnitSlug, Measure, number]>([
  [284, 'degF', 'degC', 140],
  [212, 'degF', 'degC', 100],
  [32, 'degF', 'degC', 0],
  [-40, 'degF', 'degC', -40],
  [9, 'degF', 'K', 5],
  [3, 'degC', 'K', 3],
  [3, 'K', 'K', 3],
  [413.15, 'K', 'degC', 140],
  [140, 'degC', 'degC', 140],
  [1, 'psi', 'bar', 0.06894757],
  [250, 'kPa', 'bar', 2.5],
  [0.6, 'MPa', 'bar', 6],
  [300, 'mbar', 'bar', 0.3],
  [250_000, 'Pa', 'bar', 2.5],
  [1, 'gal_min', 'l_min', 6.30902e-5 * 60_000],
  [1, 'ft3_min', 'l_min', 4.719474e-4 * 60_000],
  [1, 'm3_h', 'l_min', 16.66667],
  [3, 'm3_h', 'l_min', 50],
  [600, 'l_h', 'l_min', 10],
  [0.5, 'l_s', 'l_min', 30],
  [4500, 'W', 'kW', 4.5],
  [2, 'd', 'h', 48],
  [90, 'min', 'h', 1.5],
  [5400, 's', 'h', 1.5],
  [2, 'h', 's', 7200],
  [250, 'ms', 's', 0.25],
  [2850, 'rpm', '1_min', 2850],
  [98, '%', '%', 98],
  [7, 'count', 'state', 7],
])('%d %s is in %s: %d', (value, from, to, expected) => {
  const found = convert(value, from, to)
  expect(found).not.toBeNull()
  expect(Math.abs((found ?? 0) - expected)).toBeLessThanOrEqual(Math.abs(expected) * 2e-7)
})

test('a temperature difference never gets an offset: nought stays nought', () => {
  for (const from of ['degC', 'degF', 'K'] as const) expect(convert(0, from, 'K')).toBe(0)
})

test('a value that is already in the unit comes back bit for bit', () => {
  const own: readonly [UnitSlug, Measure][] = [
    ...(['degC', 'K', 'bar', 'l_min', 'kW', '%', 'h', '1_min', 's', 'count', 'state'] as const).map((m): [UnitSlug, Measure] => [m, m]),
    ['degC', 'K'],
    ['rpm', '1_min'],
  ]
  fc.assert(
    fc.property(fc.constantFrom(...own), fc.double({ noNaN: true }), ([from, to], value) => {
      expect(convert(value, from, to)).toBe(value)
    }),
  )
})

test('units convert within their dimension and nowhere else', () => {
  let refused = 0
  for (const from of SLUGS) {
    for (const to of MEASURES) {
      const found = convert(12, from, to)
      if (found === null) refused++
      expect(found === null).toBe(unitDimension(from) !== dimensionOf(to))
    }
  }
  expect(refused).toBeGreaterThan(200)
})

// OPC 40082-1 and UN/CEFACT Recommendation 20, the numbers that servers send.
test.each<[string, number, UnitSlug]>([
  ['CEL', 4408652, 'degC'],
  ['FAH', 4604232, 'degF'],
  ['KEL', 4932940, 'K'],
  ['L2', 19506, 'l_min'],
  ['G2', 18226, 'gal_min'],
  ['2L', 12876, 'ft3_min'],
  ['MQH', 5067080, 'm3_h'],
  ['BAR', 4342098, 'bar'],
  ['PS', 20563, 'psi'],
  ['KPA', 4935745, 'kPa'],
  ['MPA', 5066817, 'MPa'],
  ['KWT', 4937556, 'kW'],
  ['WTT', 5723220, 'W'],
  ['P1', 20529, '%'],
  ['RPM', 5394509, 'rpm'],
  ['C94', 4405556, '1_min'],
  ['HUR', 4740434, 'h'],
  ['MIN', 5065038, 'min'],
  ['SEC', 5457219, 's'],
  ['DAY', 4473177, 'd'],
])('code %s is number %d and unit %s', (code, id, slug) => {
  expect(unitCode(code)).toBe(id)
  expect(unitByCode(id)).toBe(slug)
})

// An independent table: the units that node-opcua ships for servers.
test.each<[keyof typeof standardUnits, UnitSlug]>([
  ['degree_celsius', 'degC'],
  ['degree_fahrenheit', 'degF'],
  ['kelvin', 'K'],
  ['bar', 'bar'],
  ['millibar', 'mbar'],
  ['pascal', 'Pa'],
  ['kilopascal', 'kPa'],
  ['megapascal', 'MPa'],
  ['cubic_metre_per_hour', 'm3_h'],
  ['kilowatt', 'kW'],
  ['watt', 'W'],
  ['percent', '%'],
  ['revolutions_per_minute', 'rpm'],
  ['second', 's'],
  ['millisecond', 'ms'],
])('node-opcua calls it %s', (name, slug) => {
  const theirs = standardUnits[name]
  expect(unitByCode(theirs.unitId)).toBe(slug)
  expect(unitByDisplayName(theirs.displayName.text ?? '')).toBe(slug)
})

test.each([0, -1, 4_408_653, 1.5, Number.NaN])('%d is no unit number', (id) => expect(unitByCode(id)).toBeNull())
test.each(['', 'C', 'F', 'Mbar', 'mpa', 'kg', 'bar(a)', 'toString'])('%j is no unit that anyone could be sure of', (name) =>
  expect(unitByDisplayName(name)).toBeNull(),
)
test('a unit as written leads back to itself', () => {
  for (const slug of SLUGS) {
    expect(unitByDisplayName(slug)).toBe(slug)
    expect(unitByDisplayName(` ${slug} `)).toBe(slug)
  }
  expect(writtenUnits('pressure')).toEqual(['bar', 'mbar', 'Pa', 'kPa', 'MPa', 'psi'])
  expect(unitByDisplayName('min⁻¹')).toBe('1_min')
})
