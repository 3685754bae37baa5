import * as fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { planBlocks } from '../../collector/modbus/blocks.ts'
import { decoderOf } from '../../collector/modbus/decode.ts'
import type { RegisterMap, RegisterRow } from '../../config/register-map.ts'
import { qualityName, sampleAt, type Reading } from '../../rules/reading.ts'
import { circuit, map, row } from './plans.ts'
import { registers } from './wire.ts'

/** Decodes one answer that holds exactly the registers that the map asks for. */
function decodeMap(registersOf: RegisterMap, bytes: Buffer, signals?: readonly RegisterRow['signal'][]): Reading {
  const decoder = decoderOf(circuit('u', 'a', registersOf, signals))
  const blocks = planBlocks([registersOf])
  decoder.bind(blocks)
  return decoder.decode({ data: [bytes], quality: new Uint8Array(1) }, 1, false)
}
function decodeRow(made: RegisterRow, bytes: Buffer): number | string {
  const sample = sampleAt(decodeMap(map([made]), bytes), 0)
  return sample.quality === 'bad' ? sample.reason : sample.value
}
const hex = (text: string): Buffer => Buffer.from(text.replaceAll(' ', ''), 'hex')

describe('scale is exact', () => {
  test('every raw value of an int16 tenths register is the decimal number that a person would write', () => {
    const made = map([row('temperature.main_line', 0, { decimals: 1 })])
    const decoder = decoderOf(circuit('u', 'a', made))
    decoder.bind(planBlocks([made]))
    const bytes = Buffer.alloc(2)
    const answers = { data: [bytes], quality: new Uint8Array(1) }
    let wrong = 0
    for (let raw = -32_768; raw <= 32_767; raw++) {
      bytes.writeInt16BE(raw)
      const value = decoder.decode(answers, 1, false).values[0]
      if (!Object.is(value, raw === 0 ? 0 : Number((raw / 10).toFixed(1)))) wrong++
    }
    expect(wrong).toBe(0)
  })

  test('with any power of ten and any offset in decimals it is the number that its decimal text gives', () => {
    fc.assert(
      fc.property(
        fc.integer({ min: -32_768, max: 32_767 }),
        fc.integer({ min: 0, max: 4 }),
        fc.integer({ min: -5000, max: 5000 }),
        (raw, decimals, tenths) => {
          const value = decodeRow(row('temperature.main_line', 0, { decimals, offset: tenths / 10 }), registers(raw))
          // Whole numbers as BigInt, then one parse of decimal text: an exact reference by another way.
          const scaled = BigInt(raw) * 10n ** BigInt(5 - decimals) + BigInt(tenths) * 10_000n
          expect(value).toBe(Number(`${scaled}e-5`))
        },
      ),
    )
  })

  test.each([
    { name: 'a negative power multiplies', made: row('process_power', 0, { decimals: -2, unit: 'kW' }), bytes: registers(12), value: 1200 },
    { name: 'no power: as it stands', made: row('temperature.main_line', 0), bytes: registers(-7), value: -7 },
    {
      name: 'a float is rounded to its resolution',
      made: row('temperature.main_line', 0, { type: 'float32', decimals: 1 }),
      bytes: hex('41c8cccd'),
      value: 25.1,
    },
    {
      name: 'without a resolution it comes as it is',
      made: row('temperature.main_line', 0, { type: 'float32' }),
      bytes: hex('41c8cccd'),
      value: Math.fround(25.1),
    },
    {
      name: 'a float of tens',
      made: row('temperature.main_line', 0, { type: 'float32', decimals: -1 }),
      bytes: hex('42f6e979'),
      value: 120,
    },
    {
      name: 'a tiny negative float is 0, not -0',
      made: row('temperature.main_line', 0, { type: 'float32', decimals: 1 }),
      bytes: hex('bc23d70a'),
      value: 0,
    },
  ])('$name', ({ made, bytes, value }) => expect(Object.is(decodeRow(made, bytes), value)).toBe(true))

  test('every float32 with a resolution is the nearest such decimal', () => {
    fc.assert(
      fc.property(fc.float({ noNaN: true, min: -1000, max: 1000 }), fc.integer({ min: 0, max: 3 }), (value, decimals) => {
        const bytes = Buffer.alloc(4)
        bytes.writeFloatBE(value)
        const found = Number(decodeRow(row('temperature.main_line', 0, { type: 'float32', decimals }), bytes))
        expect(found).toBe(Number(found.toFixed(decimals)))
        expect(Math.abs(found - value)).toBeLessThanOrEqual(0.5 * 10 ** -decimals * (1 + 1e-9))
      }),
    )
  })
})

describe('numbers in registers', () => {
  const at = (type: RegisterRow['type'], words: RegisterRow['words'], bytes: RegisterRow['bytes']): RegisterRow =>
    row('refill.count', 0, { type, words, bytes, unit: 'count' })
  // The same number in the four orders that units use; only the first is what the protocol suggests.
  test.each([
    { type: 'uint32', words: 'high_first', bytes: 'high_first', wire: '12345678', value: 0x12345678 },
    { type: 'uint32', words: 'low_first', bytes: 'high_first', wire: '56781234', value: 0x12345678 },
    { type: 'uint32', words: 'high_first', bytes: 'low_first', wire: '34127856', value: 0x12345678 },
    { type: 'uint32', words: 'low_first', bytes: 'low_first', wire: '78563412', value: 0x12345678 },
    { type: 'int32', words: 'high_first', bytes: 'high_first', wire: 'fffffffe', value: -2 },
    { type: 'uint32', words: 'high_first', bytes: 'high_first', wire: 'fffffffe', value: 4_294_967_294 },
    { type: 'uint16', words: 'high_first', bytes: 'low_first', wire: '3412', value: 0x1234 },
    { type: 'uint64', words: 'high_first', bytes: 'high_first', wire: '001fffffffffffff', value: 9_007_199_254_740_991 },
    { type: 'uint64', words: 'low_first', bytes: 'high_first', wire: 'ffffffffffff001f', value: 9_007_199_254_740_991 },
    { type: 'int64', words: 'high_first', bytes: 'high_first', wire: 'ffe0000000000001', value: -9_007_199_254_740_991 },
    { type: 'int64', words: 'high_first', bytes: 'high_first', wire: 'ffffffffffffffff', value: -1 },
    { type: 'float64', words: 'high_first', bytes: 'high_first', wire: '3ff8000000000000', value: 1.5 },
    { type: 'float64', words: 'low_first', bytes: 'high_first', wire: '0000000000003ff8', value: 1.5 },
  ] as const)('$type, words $words, bytes $bytes: $wire', ({ type, words, bytes, wire, value }) => {
    expect(decodeRow(at(type, words, bytes), hex(wire))).toBe(value)
  })

  test.each(['uint64', 'int64'] as const)('%s past 2^53 has no exact value: out of range', (type) => {
    expect(decodeRow(at(type, 'high_first', 'high_first'), hex('0020000000000000'))).toBe('out_of_range')
    expect(decodeRow(at(type, 'high_first', 'high_first'), hex('7fffffffffffffff'))).toBe('out_of_range')
  })
})

describe('what is no value', () => {
  const float = (more: Partial<RegisterRow> = {}): RegisterRow => row('temperature.main_line', 0, { type: 'float32', ...more })
  test.each([
    {
      name: 'a sentinel',
      made: row('temperature.main_line', 0, { notAvailable: [0x7fff] }),
      bytes: registers(0x7fff),
      found: 'not_available',
    },
    {
      name: 'a sentinel of an int16 written without sign',
      made: row('temperature.main_line', 0, { notAvailable: [0x8000] }),
      bytes: registers(0x8000),
      found: 'not_available',
    },
    {
      name: 'a sentinel of a uint16 written as -1',
      made: row('pump_speed_rpm', 0, { type: 'uint16', notAvailable: [-1], unit: '1_min' }),
      bytes: registers(0xffff),
      found: 'not_available',
    },
    {
      name: 'a float sentinel that is no float32',
      made: float({ notAvailable: [-9999.9] }),
      bytes: hex('c61c3f9a'),
      found: 'not_available',
    },
    {
      name: 'a uint64 sentinel of all ones',
      made: row('refill.count', 0, { type: 'uint64', unit: 'count', notAvailable: [Number(0xffff_ffff_ffff_ffffn)] }),
      bytes: hex('ffffffffffffffff'),
      found: 'not_available',
    },
    { name: 'NaN', made: float(), bytes: hex('7fc00000'), found: 'not_available' },
    { name: 'infinity', made: float(), bytes: hex('ff800000'), found: 'not_a_number' },
    { name: 'a value above its range', made: row('temperature.main_line', 0, { max: 400 }), bytes: registers(401), found: 'out_of_range' },
    { name: 'a value at the end of its range', made: row('temperature.main_line', 0, { max: 400 }), bytes: registers(400), found: 400 },
    { name: 'a value below its range', made: row('temperature.main_line', 0, { min: -30 }), bytes: registers(-31), found: 'out_of_range' },
    {
      name: 'a state that the profile does not know',
      made: row('operating_mode', 0, { unit: 'state', enumeration: { '0': 'off', '1': 'on' } }),
      bytes: registers(2),
      found: 'out_of_range',
    },
    {
      name: 'a unit that measures something else',
      made: row('temperature.main_line', 0, { unit: 'bar' }),
      bytes: registers(2),
      found: 'unknown_unit',
    },
  ])('$name', ({ made, bytes, found }) => expect(decodeRow(made, bytes)).toBe(found))
})

describe('units', () => {
  // Fixed points: water freezes at 32 degF and boils (at 1013.25 hPa) at 212 degF; factors NIST SP 811, appendix B.
  test.each([
    { name: '212 degF', made: row('temperature.main_line', 0, { unit: 'degF' }), raw: 212, value: 100 },
    { name: 'a difference of 18 degF has no offset', made: row('temperature.difference', 0, { unit: 'degF' }), raw: 18, value: 10 },
    { name: '273.15 K', made: row('temperature.main_line', 0, { unit: 'K', decimals: 2 }), raw: 27_315, value: 0 },
    { name: '100 psi', made: row('pressure.main_line', 0, { unit: 'psi' }), raw: 100, value: 6.89475729316836 },
    { name: '10 gal/min (US)', made: row('flow_rate', 0, { unit: 'gal_min' }), raw: 10, value: 37.85411784 },
    { name: '250 kPa', made: row('pressure.main_line', 0, { unit: 'kPa' }), raw: 250, value: 2.5 },
    { name: '90 min of operation', made: row('hours_of_operation', 0, { unit: 'min' }), raw: 90, value: 1.5 },
  ])('$name', ({ made, raw, value }) => expect(decodeRow(made, registers(raw))).toBeCloseTo(value, 12))

  test('the range is in our unit', () => {
    const made = row('temperature.main_line', 0, { unit: 'degF', max: 100 })
    expect(decodeRow(made, registers(212))).toBe(100)
    expect(decodeRow(made, registers(213))).toBe('out_of_range')
  })
})

describe('bits, contacts, errors and phases', () => {
  const contact = (more: Partial<RegisterRow>): RegisterRow => row('alarm_contact', 0, { type: 'bit', unit: 'state', ...more })
  test.each([
    { name: 'a bit of a register', made: contact({ bit: 9 }), bytes: registers(1 << 9), value: 1 },
    { name: 'a field of four bits', made: contact({ bit: 4, width: 4 }), bytes: registers(0xfa3f), value: 3 },
    {
      name: 'a field across two registers, high word first',
      made: contact({ bit: 12, width: 8 }),
      bytes: registers(0x0001, 0xe000),
      value: 0x1e,
    },
    { name: 'a bit in swapped bytes', made: contact({ bit: 0, bytes: 'low_first' }), bytes: registers(0x0100), value: 1 },
    { name: 'a coil', made: contact({ table: 'coil' }), bytes: Buffer.from([1]), value: 1 },
    {
      name: 'three discrete inputs, the lowest address lowest',
      made: contact({ table: 'discrete_input', width: 3 }),
      bytes: Buffer.from([0b110]),
      value: 6,
    },
    { name: 'a contact that opens on alarm: open', made: contact({ inverted: true }), bytes: registers(0), value: 1 },
    { name: 'a contact that opens on alarm: closed', made: contact({ inverted: true }), bytes: registers(1), value: 0 },
  ])('$name', ({ made, bytes, value }) => expect(decodeRow(made, bytes)).toBe(value))

  test('coils inside a longer answer', () => {
    const made = map(
      [contact({ table: 'coil', address: 3 }), row('pump.running', 0, { table: 'coil', address: 12, type: 'bit', unit: 'state' })],
      { gap: 20 },
    )
    expect([...decodeMap(made, Buffer.from([0b1, 0b10])).values]).toEqual([1, 1])
    expect([...decodeMap(made, Buffer.from([0b1, 0b01])).values]).toEqual([1, 0])
  })

  const texts = [
    { when: 0, id: 'E1', text: 'heater', severity: 700 },
    { when: 17, id: 'E2', text: 'pump', severity: 800 },
    { when: 33, id: 'E3', text: 'level', severity: 300 },
  ]
  const withErrors = (code: boolean): RegisterMap =>
    map([row('temperature.main_line', 0)], {
      errors: [
        {
          table: 'input_register',
          address: 1,
          line: 'p.yaml:9',
          code,
          texts: code ? texts.map((text) => ({ ...text, when: text.when + 1 })) : texts,
        },
      ],
    })

  test('error bits over three registers, counted and weighed', () => {
    const reading = decodeMap(withErrors(false), registers(1, 1, 2, 2), [
      'temperature.main_line',
      'active_errors',
      'highest_active_severity',
    ])
    expect(reading.errors.map((error) => error.id)).toEqual(['E1', 'E2', 'E3'])
    expect([...reading.values]).toEqual([1, 3, 800])
  })

  test.each([
    { raw: 0, ids: [] },
    { raw: 18, ids: ['E2'] },
    { raw: 99, ids: ['99'] },
  ])('error code $raw', ({ raw, ids }) => {
    expect(decodeMap(withErrors(true), registers(1, raw)).errors.map((error) => error.id)).toEqual(ids)
  })

  test('the same frozen list while nothing changes; the last known one while the unit is silent', () => {
    const made = withErrors(true)
    const decoder = decoderOf(circuit('u', 'a', made, ['temperature.main_line', 'active_errors']))
    decoder.bind(planBlocks([made]))
    const at = (raw: number, quality = 0): Reading =>
      decoder.decode({ data: [registers(1, raw)], quality: Uint8Array.of(quality) }, 1, false)
    const first = at(18).errors
    expect(Object.isFrozen(first) && Object.isFrozen(first[0])).toBe(true)
    expect(at(18).errors).toBe(first)
    expect(at(0, 2).errors).toBe(first)
    expect(qualityName(at(0, 2).quality[1] ?? 0)).toBe('no_communication')
    expect(decoder.none(2, 2).errors).toBe(first)
    expect(at(0).errors).toEqual([])
  })

  test.each([
    { raw: 3, phase: 'leak_stop' },
    { raw: 2, phase: null },
  ] as const)('operating mode $raw: phase $phase', ({ raw, phase }) => {
    const made = map([row('operating_mode', 0, { unit: 'state' })], { phases: { '3': 'leak_stop' } })
    expect(decodeMap(made, registers(raw)).phase).toBe(phase)
  })

  test('arrays are reused, and a bad place carries no number', () => {
    const made = map([row('temperature.main_line', 0), row('flow_rate', 1, { unit: 'l_min', max: 10 })])
    const decoder = decoderOf(circuit('u', 'a', made))
    decoder.bind(planBlocks([made]))
    const read = (flow: number): Reading => decoder.decode({ data: [registers(5, flow)], quality: new Uint8Array(1) }, 1, false)
    const first = read(3)
    expect([...first.values]).toEqual([5, 3])
    const second = read(11)
    expect(second.values).toBe(first.values)
    expect([...second.values]).toEqual([5, Number.NaN])
  })
})
