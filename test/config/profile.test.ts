import { readFileSync } from 'node:fs'
import { expect, test } from 'vitest'
import { format } from '../../config/finding.ts'
import { parseProfile, resolutionOf, type Profile } from '../../config/profile.ts'

const load = (text: string): Profile => {
  const found = parseProfile(text, 'p.yaml')
  if (found.kind === 'bad') throw new Error(found.errors.map(format).join('\n'))
  return found.profile
}
const shipped = (name: string): Profile => load(readFileSync(new URL(`../../config/profiles/${name}.yaml`, import.meta.url), 'utf8'))
const errorsOf = (text: string): string[] => {
  const found = parseProfile(text, 'p.yaml')
  return found.kind === 'ok' ? [] : found.errors.map(format)
}

test('tenths16: addresses of both zones, tenths, sentinel, contact that is closed while all is well', () => {
  const profile = shipped('tenths16')
  expect(profile.circuits).toEqual(['a', 'b'])
  const [a, b] = [profile.mapFor('a', null), profile.mapFor('b', null)]
  expect(a?.rows.length).toBeGreaterThanOrEqual(14)
  const row = (signal: string) => b?.rows.find((each) => each.signal === signal)
  expect(row('temperature.main_line')).toMatchObject({
    table: 'input_register',
    address: 101,
    type: 'int16',
    decimals: 1,
    unit: 'degC',
    notAvailable: [0x7fff],
  })
  expect(row('hours_of_operation')).toMatchObject({ address: 114, type: 'uint32', words: 'high_first', decimals: 1, unit: 'h' })
  expect(row('alarm_contact')).toMatchObject({ address: 118, type: 'bit', bit: 1, width: 1, inverted: true })
  expect(row('pump.running')).toMatchObject({ address: 118, type: 'bit', bit: 0, inverted: false })
  expect(a?.errors[0]).toMatchObject({ address: 17, code: false })
  expect(a?.phases['1']).toBe('off')
  // Normal operation does not say whether it heats: that is derived.
  expect(a?.phases['2']).toBeUndefined()
  // One request may serve both zones, so both maps know both holes.
  expect(a?.holes).toEqual([
    { table: 'input_register', from: 40, to: 99 },
    { table: 'input_register', from: 140, to: 199 },
  ])
})

test('float32swap: low word first, sentinel, a hole in each zone, error codes', () => {
  const b = shipped('float32swap').mapFor('b', null)
  const row = (signal: string) => b?.rows.find((each) => each.signal === signal)
  expect(row('temperature.external')).toMatchObject({
    table: 'holding_register',
    address: 1206,
    type: 'float32',
    words: 'low_first',
    notAvailable: [-9999],
  })
  expect(row('refill.count')).toMatchObject({ address: 1236, type: 'uint32', words: 'low_first', notAvailable: [] })
  expect(row('alarm_contact')).toMatchObject({ address: 1239, bit: 1, inverted: false })
  expect(b?.errors[0]).toMatchObject({ address: 1238, code: true })
  expect(b?.holes.map(({ from, to }) => [from, to])).toEqual([
    [1040, 1059],
    [1240, 1259],
  ])
})

const small = (signals: string, rest = ''): string => `format: 1\nname: p\ncircuits: { a: 10 }\nsignals:\n${signals}\n${rest}`

test('a circuit of its own first address, and rows of its own', () => {
  const profile = load(
    'format: 1\nname: p\nsignals:\n  flow_rate: { address: 5, decimals: 1, unit: l/min }\ncircuits:\n  a: 0\n  b: { base: 50, signals: { flow_rate: { address: 9, unit: gal/min } } }',
  )
  expect(profile.mapFor('b', null)?.rows[0]).toMatchObject({ address: 59, unit: 'gal_min', decimals: 0 })
  expect(profile.mapFor('b', 200)?.rows[0]).toMatchObject({ address: 209 })
  expect(profile.mapFor('c', 300)?.rows[0]).toMatchObject({ address: 305 })
  expect(profile.mapFor('c', null)).toBeNull()
})

test('coils and discrete inputs are bits', () => {
  const rows = load(
    small('  pump.running: { address: 3, table: coil }\n  alarm_contact: { address: 4, table: discrete_input, sense: open }'),
  ).mapFor('a', null)?.rows
  expect(rows?.map(({ table, type, address, inverted }) => [table, type, address, inverted])).toEqual([
    ['coil', 'bit', 13, false],
    ['discrete_input', 'bit', 14, false],
  ])
})

test.each<[string, string, number]>([
  ['a tenth of a degree Celsius', '{ address: 1, decimals: 1, unit: °C }', 0.1],
  ['a whole degree Fahrenheit is 5/9 K and has no offset', '{ address: 1, decimals: 0, unit: °F }', 5 / 9],
  ['a float as it comes has no known step', '{ address: 1, type: float32, unit: °C }', 0],
])('step of a sensor: %s', (_name, row, step) => {
  const first = load(small(`  temperature.actual: ${row}`)).mapFor('a', null)?.rows[0]
  expect(first === undefined ? null : resolutionOf(first)).toBeCloseTo(step, 12)
})

test.each<[string, string, string]>([
  [
    'misspelt signal',
    small('  temprature.actual: { address: 1, unit: °C }'),
    'p.yaml:5:3 signals.temprature.actual: there is no such signal. Did you mean "temperature.actual"?',
  ],
  [
    'misspelt key',
    small('  flow_rate: { adress: 1, unit: l/min }'),
    'p.yaml:5:16 signals.flow_rate.adress: there is no such key. Did you mean "address"?',
  ],
  ['no unit', small('  flow_rate: { address: 1 }'), 'the unit of flow_rate is not said. Add unit, one of l/min'],
  ['unit of another quantity', small('  flow_rate: { address: 1, unit: bar }'), '"bar" is no unit for flow_rate'],
  ['address past the end', small('  flow_rate: { address: 65535, unit: l/min }'), 'past the last address 65535'],
  [
    'number past the end',
    'format: 1\nname: p\nsignals:\n  flow_rate: { address: 65535, type: float32, unit: l/min }',
    'past the last address',
  ],
  [
    'row in a hole',
    small('  flow_rate: { address: 5, unit: l/min }', 'holes: [{ from: 4, to: 6 }]'),
    'signals.flow_rate: address 15 lies in the hole 14..16',
  ],
  [
    'second word in a hole',
    small('  flow_rate: { address: 3, type: float32, unit: l/min }', 'holes: [{ from: 4, to: 6 }]'),
    'lies in the hole',
  ],
  [
    'hole the wrong way round',
    small('  flow_rate: { address: 3, unit: l/min }', 'holes: [{ from: 9, to: 6 }]'),
    'holes[0].to: ends at 6 before it begins at 9',
  ],
  ['contact without its sense', small('  alarm_contact: { address: 1, bit: 0 }'), 'the sense of the alarm contact is not said'],
  ['sense of a number', small('  operating_mode: { address: 1, sense: open }'), 'only a bit has a sense'],
  ['bits past the register', small('  operating_mode: { address: 1, bit: 14, width: 4 }'), 'bits 14..17 reach past a 16-bit register'],
  ['bit of a coil', small('  pump.running: { address: 1, table: coil, bit: 1 }'), 'a coil is one bit already'],
  [
    'texts for a measured value',
    small('  flow_rate: { address: 1, unit: l/min, enumeration: { 0: none } }'),
    'is a measured value and no state',
  ],
  ['range the wrong way round', small('  flow_rate: { address: 1, unit: l/min, min: 5 l/min, max: 1 l/min }'), 'is not above min'],
  ['bare bound', small('  flow_rate: { address: 1, unit: l/min, min: 5 }'), 'Write "5 l/min"'],
  [
    'phases without a mode',
    small('  flow_rate: { address: 1, unit: l/min }', 'phases: { 1: off }'),
    'phases are read from the signal operating_mode',
  ],
  ['unknown phase', small('  operating_mode: { address: 1 }', 'phases: { 1: offf }'), 'p.yaml:6:14 phases.1: expected one of unknown'],
  ['bits and codes', small('  flow_rate: { address: 1, unit: l/min }', 'errors: [{ address: 1 }]'), 'neither bits nor codes, or both'],
  [
    'too many registers at once',
    small('  flow_rate: { address: 1, unit: l/min }', 'limits: { registers: 126 }'),
    'limits.registers: expected 1..125, found 126',
  ],
  ['another format', 'format: 2\nname: p\nsignals: {}', 'expected 1, found 2'],
])('refused: %s', (_name, text, message) => {
  expect(errorsOf(text).join('\n')).toContain(message)
})
