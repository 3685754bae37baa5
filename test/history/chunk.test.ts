import * as fc from 'fast-check'
import { expect, test } from 'vitest'
import { countIn, createChunkWriter, findDamage, readChunk } from '../../history/chunk.ts'
import { StoreError } from '../../history/store.ts'
import type { Input, Sequenced } from '../../rules/input.ts'
import { PHASES } from '../../rules/phases.ts'
import { plan, reading, SIGNALS, T0 } from './made.ts'

const site = plan()

/** Bits of a value, so that -0 and 0 differ; every NaN is one NaN. */
const bits = (value: number): bigint => new BigUint64Array(Float64Array.of(value).buffer)[0] ?? 0n
const plain = ({ seq, input }: Sequenced): unknown =>
  input.kind === 'reading'
    ? { seq, ...input, at_ms: bits(input.at_ms), values: Array.from(input.values, bits), quality: Array.from(input.quality) }
    : { seq, input }

const decimal = fc.tuple(fc.integer({ min: -3_000_000, max: 3_000_000 }), fc.constantFrom(1, 10, 100, 1000)).map(([raw, by]) => raw / by)
const value = fc.oneof(
  { weight: 6, arbitrary: decimal },
  fc.double(),
  fc.constantFrom(
    -0,
    0,
    NaN,
    Infinity,
    -Infinity,
    127,
    128,
    -128,
    -129,
    32_767,
    32_768,
    -32_769,
    2 ** 31 - 1,
    2 ** 31,
    -(2 ** 31),
    0.1 + 0.2,
  ),
)
const text = fc.oneof(fc.string(), fc.string({ unit: 'binary' }), fc.constantFrom('\u{feff}', '\ud800', 'Umwälzpumpe', ''))
const at_ms = fc.oneof(
  { weight: 5, arbitrary: fc.integer({ min: T0, max: T0 + 5000 }) },
  fc.constantFrom(0, -0, 1, T0 + 0.25, 2 ** 52, T0 - 86_400_000 * 30),
)
const anyReading = fc
  .record({
    length: fc.oneof({ weight: 5, arbitrary: fc.constant(SIGNALS.length) }, fc.nat(40)),
    circuit: fc.oneof(fc.constantFrom('north-01/a', 'north-02/a', 'north-03/a'), text),
  })
  .chain(({ length, circuit }) =>
    fc.record({
      kind: fc.constant('reading' as const),
      circuit: fc.constant(circuit),
      at_ms,
      values: fc.array(value, { minLength: length, maxLength: length }).map((list) => Float64Array.from(list)),
      quality: fc.array(fc.nat(14), { minLength: length, maxLength: length }).map((list) => Uint8Array.from(list)),
      phase: fc.constantFrom(null, ...PHASES),
      errors: fc.oneof(
        { weight: 3, arbitrary: fc.constant([]) },
        fc.array(fc.record({ id: text, severity: fc.nat(1000), text }), { maxLength: 3 }),
      ),
    }),
  )
const time = fc.integer({ min: T0, max: T0 + 100_000 })
const other: fc.Arbitrary<Input> = fc.oneof(
  fc.record({ kind: fc.constant('fault' as const), at_ms: time, unit: text, fault: text, why: text }),
  fc.record({ kind: fc.constant('tick' as const), at_ms: time, unit: text }),
  fc.record({ kind: fc.constant('service_stop' as const), at_ms: time }),
  fc.record({ kind: fc.constant('gap' as const), at_ms: time, from_ms: time, to_ms: time, why: text }),
  fc.record({
    kind: fc.constant('command' as const),
    at_ms: time,
    id: text,
    alarm: text,
    action: fc.constantFrom({ act: 'acknowledge' as const }, { act: 'shelve' as const, for_ms: 60_000 }),
    by: text,
    from: text,
    comment: text,
  }),
)
const inputs = fc.array(
  fc.tuple(
    fc.oneof(fc.integer({ min: 1, max: 3 }), fc.constantFrom(200, 70_000, 2 ** 33)),
    fc.oneof({ weight: 3, arbitrary: anyReading }, other),
  ),
  {
    minLength: 1,
    maxLength: 30,
  },
)

test('every input comes back bit for bit, chunk after chunk from one writer', () => {
  const seen = { readings: 0, others: 0, errors: 0, ownShape: 0 }
  fc.assert(
    fc.property(inputs, fc.nat(29), (list, cut) => {
      const writer = createChunkWriter(site)
      let seq = 0
      const given = list.map(([step, input]): Sequenced => ({ seq: (seq += step), input }))
      const chunks = given.flatMap((one, i) => {
        expect(writer.add(one.seq, one.input)).toBe(true)
        if (one.input.kind !== 'reading') seen.others++
        else {
          seen.readings++
          if (one.input.errors.length > 0) seen.errors++
          if (!/^north-0[123].a$/.test(one.input.circuit) || one.input.values.length !== SIGNALS.length) seen.ownShape++
        }
        return i === cut ? [writer.take()] : []
      })
      const read = [...chunks, writer.take()].flatMap((chunk) => {
        if (chunk === null) return []
        expect(findDamage(chunk.bytes)).toBeNull()
        const back = readChunk(chunk.bytes, site)
        expect([back[0]?.seq, back.at(-1)?.seq, back.length]).toEqual([chunk.firstSeq, chunk.lastSeq, countIn(chunk.bytes)])
        return back
      })
      expect(read.map(plain)).toEqual(given.map(plain))
    }),
    { numRuns: 300 },
  )
  expect(Object.entries(seen).filter(([, times]) => times < 100)).toEqual([])
})

test('every raw value of an int16 register in tenths comes back as the decimal that was decoded', () => {
  const writer = createChunkWriter(site)
  let seq = 0
  const quality = new Uint8Array(14)
  for (let raw = -32_768; raw <= 32_767; raw += 14) {
    const values = Float64Array.from({ length: 14 }, (_, i) => (raw + i) / 10)
    writer.add(++seq, { kind: 'reading', circuit: 'north-01/a', at_ms: T0, values, quality, phase: null, errors: [] })
  }
  const back = readChunk(writer.take()?.bytes ?? new Uint8Array(0), site)
  let raw = -32_768
  const values = back.flatMap(({ input }) => (input.kind === 'reading' ? Array.from(input.values) : []))
  for (const value of values) expect(Object.is(value, raw++ / 10)).toBe(true)
  expect(raw).toBeGreaterThan(32_767)
})

test('any flipped bit and any cut is found', () => {
  const writer = createChunkWriter(site)
  for (let seq = 1; seq <= 5; seq++) writer.add(seq, reading(seq))
  writer.add(6, { kind: 'service_stop', at_ms: T0 })
  const bytes = writer.take()?.bytes ?? new Uint8Array(0)
  for (let bit = 0; bit < bytes.length * 8; bit++) {
    const torn = bytes.slice()
    torn[bit >> 3] = (torn[bit >> 3] ?? 0) ^ (1 << (bit & 7))
    expect(findDamage(torn), `bit ${bit}`).not.toBeNull()
    expect(() => readChunk(torn, site)).toThrow(StoreError)
  }
  for (let length = 0; length < bytes.length; length++) expect(findDamage(bytes.subarray(0, length)), `${length} bytes`).not.toBeNull()
  expect(findDamage(bytes)).toBeNull()
})

test('a chunk read with another plan than its own is refused', () => {
  const writer = createChunkWriter(site)
  writer.add(1, reading(1))
  const bytes = writer.take()?.bytes ?? new Uint8Array(0)
  expect(() => readChunk(bytes, plan('plan-2'))).toThrow(/not of plan plan-2/)
})

test('full: refuses without losing what it has, and goes on once taken', () => {
  const writer = createChunkWriter(site, 4096)
  let seq = 0
  while (writer.add(seq + 1, reading(seq + 1))) seq++
  expect(seq).toBeGreaterThan(20)
  const first = writer.take()
  expect([first?.lastSeq, countIn(first?.bytes ?? new Uint8Array(16))]).toEqual([seq, seq])
  expect(first?.bytes.length).toBeLessThanOrEqual(4096)
  expect(writer.add(seq + 1, reading(seq + 1))).toBe(true)
  expect(writer.take()?.firstSeq).toBe(seq + 1)
})

test('what was added does not change when its arrays are used again', () => {
  const writer = createChunkWriter(site)
  const values = new Float64Array(14).fill(80.5)
  const input = { kind: 'reading' as const, circuit: 'north-01/a', at_ms: T0, values, quality: new Uint8Array(14), phase: null, errors: [] }
  writer.add(1, input)
  values.fill(1)
  const first = writer.take()
  writer.add(2, input)
  const back = readChunk(first?.bytes ?? new Uint8Array(0), site)[0]?.input
  expect(back?.kind === 'reading' ? back.values[3] : null).toBe(80.5)
})

test.each([
  ['a falling sequence number', 3, reading(3)],
  ['a quality that is no code', 6, { ...reading(6), quality: new Uint8Array(14).fill(15) }],
  ['fewer qualities than values', 6, { ...reading(6), quality: new Uint8Array(13) }],
] as [string, number, Input][])('%s is a bug, and spoils nothing', (_, seq, input) => {
  const writer = createChunkWriter(site)
  writer.add(5, reading(5))
  expect(() => writer.add(seq, input)).toThrow(RangeError)
  writer.add(7, reading(7))
  expect(readChunk(writer.take()?.bytes ?? new Uint8Array(0), site).map(({ seq }) => seq)).toEqual([5, 7])
})

test('nothing added gives no chunk; a usual reading of 14 signals takes under 64 bytes', () => {
  const writer = createChunkWriter(site)
  expect(writer.take()).toBeNull()
  for (let seq = 1; seq <= 100; seq++) writer.add(seq, reading(seq))
  expect((writer.take()?.bytes.length ?? 1e9) / 100).toBeLessThan(64)
})
