import * as fc from 'fast-check'
import { expect, test } from 'vitest'
import { parseQuantity, type Wanted } from '../../config/quantity.ts'

const WANTED: readonly Wanted[] = ['degC', 'K', 'bar', 'l_min', 'kW', '%', 'h', 's', 'ms', '1_min', 'count', 'state', 'm']

// Factors: NIST SP 811, appendix B.8.
test.each<[unknown, Wanted, number]>([
  ['3 K', 'K', 3],
  ['0.5 bar', 'bar', 0.5],
  ['10 s', 'ms', 10_000],
  ['1.1 s', 'ms', 1100],
  ['10s', 'ms', 10_000],
  ['  250 ms ', 'ms', 250],
  ['12 l/min', 'l_min', 12],
  ['12 L/min', 'l_min', 12],
  ['2 h', 'ms', 7_200_000],
  ['30 d', 'ms', 2_592_000_000],
  ['15 min', 's', 900],
  ['140 degC', 'degC', 140],
  ['140 °C', 'degC', 140],
  ['-5 °C', 'degC', -5],
  ['284 °F', 'degC', 140],
  ['7 psi', 'bar', 0.48263301],
  ['250 kPa', 'bar', 2.5],
  ['0.6 MPa', 'bar', 6],
  ['10 gal/min', 'l_min', 37.854118],
  ['98 %', '%', 98],
  ['310 m', 'm', 310],
  ['1000 ft', 'm', 304.8],
  ['2900 1/min', '1_min', 2900],
  ['2900 rpm', '1_min', 2900],
  [3, 'count', 3],
  ['3', 'state', 3],
])('%j as %s is %d', (input, wanted, value) => {
  const found = parseQuantity(input, wanted)
  expect(found.kind === 'ok' ? found.value : Number.NaN).toBeCloseTo(value, 6)
})

test.each<[unknown, Wanted, string]>([
  [3, 'K', 'Write "3 K"'],
  ['3', 'K', 'Write "3 K"'],
  [10, 'ms', 'Write "10 s"'],
  ['3 °C', 'K', 'Write "3 K" if a difference is meant'],
  ['9 °F', 'K', 'Write "5 K" if a difference of 9 °F is meant'],
  ['413.15 K', 'degC', 'or "140 °C" if kelvins are meant'],
  ['140 C', 'degC', 'Write "140 °C"'],
  ['3 C', 'K', 'Write "3 K"'],
  ['5 m', 'ms', 'Write "5 min"'],
  ['5 M', 'ms', 'minutes, metres or months'],
  ['0,5 bar', 'bar', 'Write "0.5 bar"'],
  ['1,000 l/min', 'l_min', 'thousands or decimals'],
  ['3 bar(a)', 'bar', 'Pressures are gauge here'],
  ['3 Mbar', 'bar', 'Known units: bar, mbar, Pa, kPa, MPa, psi'],
  ['3 K', 'bar', 'Known units'],
  ['12 l/min', 'K', 'Write "12 K"'],
  ['', 'K', 'Write it like "5 K"'],
  ['K', 'K', 'Write it like'],
  ['1e3 s', 'ms', ''],
  ['- 3 K', 'K', 'Write it like'],
  ['3 K 4', 'K', ''],
  [null, 'K', 'Write it like'],
  [true, 'count', 'Write it like'],
  [Number.NaN, 'count', 'Write it like'],
  [Number.POSITIVE_INFINITY, 'ms', 'Write it like'],
  [`${'9'.repeat(400)} K`, 'K', 'Write it like'],
  ['5 toString', 'm', 'Known units: m, km, ft'],
])('%j as %s is refused: %s', (input, wanted, todo) => {
  const found = parseQuantity(input, wanted)
  expect(found.kind === 'refused' ? found.todo : 'taken').toContain(todo)
})

test('whatever the text, the answer is a finite number or what to write instead', () => {
  let ok = 0
  let refused = 0
  const unit = fc.constantFrom('K', '°C', '°F', 'bar', 'psi', 's', 'm', 'min', 'l/min', '%', '', ' ', 'x', '1/min', '\u0000')
  const text = fc.oneof(
    {
      weight: 4,
      arbitrary: fc.tuple(fc.oneof(fc.integer().map(String), fc.float().map(String), fc.string()), unit).map(([n, u]) => `${n} ${u}`),
    },
    fc.string({ unit: 'binary' }),
    fc.anything(),
  )
  fc.assert(
    fc.property(text, fc.constantFrom(...WANTED), (input, wanted) => {
      const found = parseQuantity(input, wanted)
      if (found.kind === 'ok') ok++
      else refused++
      expect(found.kind === 'ok' ? Number.isFinite(found.value) : found.expected !== '' && found.todo !== '').toBe(true)
    }),
    { numRuns: 3000 },
  )
  expect(ok).toBeGreaterThan(60)
  expect(refused).toBeGreaterThan(500)
})

test('a difference in K is the number that was written, for every decimal text', () => {
  fc.assert(
    fc.property(fc.integer({ min: 0, max: 99_999 }), fc.integer({ min: 0, max: 3 }), (digits, places) => {
      const text = (digits / 10 ** places).toFixed(places)
      expect(parseQuantity(`${text} K`, 'K')).toEqual({ kind: 'ok', value: Number(text) })
    }),
  )
})

test('what a refusal tells to write is taken', () => {
  let followed = 0
  fc.assert(
    fc.property(
      fc.integer({ min: -500, max: 500 }),
      fc.constantFrom(...WANTED),
      fc.constantFrom('', ' °C', ' °F', ' C', ' F', ' K', ' m', ' bar'),
      (n, wanted, unit) => {
        const found = parseQuantity(`${n}${unit}`, wanted)
        if (found.kind === 'ok') return
        const advice = /Write "([^"]+)"/.exec(found.todo)?.[1] ?? /like "([^"]+)"/.exec(found.todo)?.[1]
        if (advice === undefined) return
        followed++
        expect(parseQuantity(advice, wanted).kind).toBe('ok')
      },
    ),
    { numRuns: 2000 },
  )
  expect(followed).toBeGreaterThan(250)
})
