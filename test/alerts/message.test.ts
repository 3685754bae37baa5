import * as fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import type { RulePlan } from '../../config/plan.ts'
import type { AlarmEvent, AlarmEventKind } from '../../rules/event.ts'
import { explainText } from '../../alerts/explain.ts'
import { CAUTIOUS_STEP } from '../../alerts/first-step.ts'
import { finished, messageFor } from '../../alerts/message.ts'
import { cold, coldContext, contactLost, deviation, flowLow, kestrel, RAISED_MS, raised } from './kestrel.ts'

const told = (event: AlarmEvent, plan = kestrel, now_ms = event.at_ms + 40) => messageFor(event, plan, now_ms, { id: 'e1' })
const withRule = (rule: RulePlan) => ({
  ...kestrel,
  units: kestrel.units.map((unit) => ({ ...unit, circuits: unit.circuits.map((circuit) => ({ ...circuit, rules: [rule] })) })),
})

test('the whole message of a hot deviation', () => {
  expect(told(raised).text.split('\n')).toEqual([
    'Press 12, moving half: main line off its set value – HIGH, 143.4 °C instead of 140.0 °C',
    'Since 14:02:20, raised 14:03:20.',
    'Likely: cooling valve stuck; no cooling water.',
    'Caution, hot (143.4 °C) and under pressure (2.1 bar).',
    'First: Read set value, main line and return line at the unit and compare them with this message. Before any work: cool down, depressurise, verify temperature and pressure at the unit; only a qualified person may do this.',
    'Act before 14:33, else: parts out of tolerance.',
    'Nobody has acknowledged it yet.',
  ])
})

test('why it came, in numbers', () => {
  expect(explainText(raised, kestrel)).toBe(
    'raised 14:03:20 because temperature.main_line was 143.4 °C, above 140.0 + 3.0 K, for 60 s; armed since 13:41:07',
  )
})

test.each<{ name: string; event: Partial<AlarmEvent>; text: string }>([
  { name: 'below', event: { value: 136.5 }, text: 'temperature.main_line was 136.5 °C, below 140.0 - 3.0 K' },
  {
    name: 'low limit',
    event: {
      alarm: flowLow.alarm,
      rule: flowLow.id,
      signal: 'flow_rate',
      measure: 'l_min',
      value: 7.5,
      limit: 8,
      explain: { ...raised.explain, reference: null },
    },
    text: 'flow_rate was 7.5 l/min, below 8.0 l/min',
  },
  { name: 'so close that one digit would hide it', event: { value: 143.04 }, text: 'was 143.04 °C, above 140.0 + 3.0 K' },
  {
    name: 'returned',
    event: { event: 'returned', value: 141 },
    text: 'returned 14:03:20 because temperature.main_line was 141.0 °C, for 30 s',
  },
  { name: 'acknowledged', event: { event: 'acknowledged', by: 'p-17', from: 'mqtt' }, text: 'acknowledged 14:03:20 by p-17 (mqtt)' },
  {
    name: 'shelved',
    event: { event: 'shelved', by: 'p-17', until_ms: RAISED_MS + 86_400_000 },
    text: 'by p-17, until 2026-03-05 14:03:20',
  },
  { name: 'again', event: { event: 're_alarmed', count: 2 }, text: 'for the 2nd time because temperature.main_line' },
  { name: 'uncertain', event: { quality: 'uncertain' }, text: '; quality uncertain' },
  {
    name: 'by another alarm',
    event: { event: 'suppressed', explain: { ...raised.explain, hiddenBy: ['kite-07:contact'] } },
    text: 'by kite-07:contact',
  },
])('explanation, $name', ({ event, text }) => expect(explainText({ ...raised, ...event }, kestrel)).toContain(text))

describe('what is asked for first depends on the state', () => {
  const siteStep = 'Open the strainer'
  test.each<{ name: string; event: AlarmEvent; handsOff: boolean }>([
    { name: 'cold and without pressure: the words of the site', event: cold, handsOff: false },
    { name: '60.0 °C is not above 60 °C', event: { ...cold, context: { ...coldContext, hottest_degC: 60 } }, handsOff: false },
    { name: 'above 60 °C', event: { ...cold, context: { ...coldContext, hottest_degC: 60.1 } }, handsOff: true },
    { name: '0.5 bar is not above 0.5 bar', event: { ...cold, context: { ...coldContext, pressure_bar: 0.5 } }, handsOff: false },
    { name: 'above 0.5 bar', event: { ...cold, context: { ...coldContext, pressure_bar: 0.51 } }, handsOff: true },
    { name: 'a bad signal in the circuit', event: { ...cold, context: { ...coldContext, anyBad: true } }, handsOff: true },
    { name: 'bad quality of what is judged', event: { ...cold, quality: 'bad', value: null }, handsOff: true },
    { name: 'uncertain quality: zeros are usual after switching on', event: { ...cold, quality: 'uncertain' }, handsOff: true },
    {
      name: 'temperature never seen',
      event: { ...cold, context: { ...coldContext, hottest_degC: null, hottestAt_ms: null } },
      handsOff: true,
    },
    { name: 'pressure never seen', event: { ...cold, context: { ...coldContext, pressure_bar: null } }, handsOff: true },
    {
      name: 'temperature seen long ago',
      event: { ...cold, context: { ...coldContext, hottestAt_ms: RAISED_MS - 120_001 } },
      handsOff: true,
    },
    { name: 'cold, but heating up to 140 °C', event: { ...cold, context: { ...coldContext, phase: 'heating' } }, handsOff: true },
    { name: 'phase unknown', event: { ...cold, context: { ...coldContext, phase: 'unknown' } }, handsOff: true },
    { name: 'not a number', event: { ...cold, context: { ...coldContext, hottest_degC: Number.NaN } }, handsOff: true },
  ])('$name', ({ event, handsOff }) => {
    const message = told(event)
    expect(message.hands_off).toBe(handsOff)
    expect(message.lines.first_step.startsWith(siteStep)).toBe(!handsOff)
    expect(message.lines.caution === null).toBe(!handsOff)
  })

  test('contact lost while hot: last seen, state unknown, treat as hot', () => {
    const event: AlarmEvent = {
      ...raised,
      alarm: contactLost.alarm,
      rule: contactLost.id,
      circuit: null,
      signal: null,
      measure: null,
      value: null,
      limit: null,
      quality: 'bad',
    }
    expect(told(event).headline).toBe('Press 12, moving half: contact lost – HIGH, last seen 143.4 °C, state unknown, treat as hot')
  })
})

describe('late and unrecorded', () => {
  test('in time says nothing', () =>
    expect(finished(told(raised), RAISED_MS + 60_000)).toMatchObject({ late: false, lines: { late: null } }))
  test('told late, when it happened, and the cautious first step even where it was cold', () => {
    const message = finished(told(cold), RAISED_MS + 31 * 60_000)
    expect(message.text).toContain('\nTold late: happened 14:03, connection was down.\n')
    expect(message.lines.first_step).toBe(CAUTIOUS_STEP)
    expect(message.lines.act_before).toBe('14:33 (passed)')
    expect(message.text).toContain('14:33 (passed)')
  })
  test('a message of mouldtend about itself keeps its own step: a computer is neither hot nor under pressure', () => {
    const message = finished(told({ ...cold, signal: 'self.dead_letters' }), RAISED_MS + 61_000)
    expect(message.lines.first_step).toBe('Open the strainer of the cooling water and clean it.')
  })
  test('noticed late is not the fault of the connection', () => {
    expect(finished(told(raised, kestrel, RAISED_MS + 3_600_000), RAISED_MS + 3_600_040).lines.late).toBe(
      'Told late: happened 14:03, noticed 15:03.',
    )
  })
  test('unrecorded says so', () => {
    const message = messageFor(raised, kestrel, RAISED_MS, { id: 'e1', recorded: false })
    expect(message.recorded).toBe(false)
    expect(message.text).toContain('Not recorded')
  })
})

test('times are those of the site, over a change to summer time too (IANA time zone database: Europe/Berlin, 2026-03-29 01:00 UTC)', () => {
  const before = Date.parse('2026-03-29T00:59:59Z')
  expect(explainText({ ...raised, at_ms: before }, kestrel)).toContain('raised 01:59:59')
  expect(explainText({ ...raised, at_ms: before + 1_000 }, kestrel)).toContain('raised 03:00:00')
  expect(explainText({ ...raised, at_ms: Date.parse('2026-07-01T22:00:00Z') }, kestrel)).toContain('raised 00:00:00')
})

test('a coarse signal keeps its digits, a limit the digits somebody gave it', () => {
  const row = { signal: 'temperature.main_line', decimals: 0 }
  const limited = withRule({ ...deviation, condition: { kind: 'high', signal: 'control', limit: 142.5, deadband: 1 } })
  const coarse = {
    ...limited,
    units: limited.units.map((unit) => ({
      ...unit,
      circuits: unit.circuits.map((circuit) => ({ ...circuit, registers: { rows: [row] } as unknown as typeof circuit.registers })),
    })),
  }
  expect(told({ ...raised, value: 143, limit: 142.5 }, coarse).headline).toContain('143 °C, limit 142.5 °C')
})

const FORBIDDEN_VERB = /\b(open|bleed|vent|drain|tighten|disconnect|loosen|unscrew|undo|detach|uncouple|remove)\b/i
const CAUTIOUS = /cool down, depressurise, verify .* at the unit; only a qualified person/
const SAFE = /\bsafe(ly)?\b/i
const LIVELY = [
  'open the valve',
  'Bleed it',
  'it is safe',
  'tighten the nut\nnow',
  'SAFELY disconnect',
  'valve stuck',
  'unsafe',
  '\u202Eevil',
  '',
]
const text = fc.oneof(fc.constantFrom(...LIVELY), fc.string({ maxLength: 80 }), fc.lorem({ maxCount: 12 }))
const number = fc.oneof(fc.double({ min: -1e6, max: 1e6, noNaN: true }), fc.constantFrom(0, 60, 60.1, 0.5, 0.6, 143.4))
const orNull = <T>(value: fc.Arbitrary<T>): fc.Arbitrary<T | null> => fc.option(value, { freq: 4 })
const kinds: readonly AlarmEventKind[] = [
  'raised',
  'returned',
  'acknowledged',
  'reset',
  're_alarmed',
  'quality_changed',
  'shelved',
  'unshelved',
  'suppressed',
  'rule_changed',
  'rejected',
  'armed',
]
const context = fc.record({
  phase: fc.constantFrom('off', 'heating', 'in_tolerance', 'unknown', 'powered_down'),
  phaseDerived: fc.boolean(),
  hottest_degC: fc.oneof(orNull(fc.double({ min: -20, max: 200, noNaN: true })), fc.constantFrom(24, 60)),
  hottestAt_ms: fc.oneof(fc.constant(RAISED_MS), orNull(fc.integer({ min: RAISED_MS - 1e7, max: RAISED_MS }))),
  pressure_bar: fc.oneof(orNull(fc.double({ min: -1, max: 20, noNaN: true })), fc.constantFrom(0.1, 0.5)),
  anyBad: fc.oneof({ weight: 4, arbitrary: fc.constant(false) }, fc.boolean()),
  errors: fc.array(fc.record({ id: text, text, severity: fc.nat(1000) }), { maxLength: 3 }),
})
const anyEvent: fc.Arbitrary<AlarmEvent> = fc
  .record({
    event: fc.constantFrom(...kinds),
    priority: fc.constantFrom('high' as const, 'medium' as const, 'low' as const),
    value: orNull(number),
    limit: orNull(number),
    set_value: fc.oneof(orNull(number), fc.constant(20)),
    quality: fc.constantFrom('good' as const, 'good' as const, 'good' as const, 'uncertain' as const, 'bad' as const),
    signal: fc.constantFrom('control' as const, 'flow_rate' as const, 'pressure.main_line' as const, null),
    measure: fc.constantFrom('degC' as const, 'l_min' as const, 'bar' as const, 'state' as const, null),
    by: orNull(text),
    why: orNull(text),
    comment: orNull(text),
    place: fc.constantFrom('press-12-moving', 'nowhere', ''),
    context,
  })
  .map((some) => ({ ...raised, ...some }))
const condition: fc.Arbitrary<RulePlan['condition']> = fc.constantFrom<RulePlan['condition']>(
  deviation.condition,
  flowLow.condition,
  contactLost.condition,
  { kind: 'no_reading', after_ms: 60_000 },
  { kind: 'bad_signal', signals: ['flow_rate'] },
  { kind: 'switched_off_hot', limit_degC: 70, deadband_K: 3 },
  { kind: 'unit_errors', minSeverity: 1, maxSeverity: 1000 },
  { kind: 'off_normal', signal: 'alarm_contact', normal: 0 },
  { kind: 'discrepancy', signal: 'control', reference: { kind: 'fixed', value: 5 }, expected_ms: 1_000, tolerance: 2 },
)
const words = fc.record({
  what: text,
  causes: fc.array(text, { maxLength: 4 }),
  firstStep: text,
  consequence: text,
  respond_ms: orNull(fc.nat(1e7)),
})

test('whatever happens and whatever a site writes: no hands-on step at a hot circuit, never a promise, headline within reach', () => {
  const reached = { handsOff: 0, handsOn: 0, lateCold: 0, runs: 0 }
  fc.assert(
    fc.property(anyEvent, condition, words, text, fc.nat(200_000), (event, condition, words, placeName, later_ms) => {
      const plan = {
        ...withRule({ ...deviation, condition, words }),
        places: kestrel.places.map((place) => ({ ...place, name: placeName })),
      }
      const made = told(event, plan)
      const { hottest_degC, pressure_bar, anyBad } = event.context
      // Stated anew here, from the practice itself: above 60 °C, above 0.5 bar, or bad quality.
      const dangerous = (hottest_degC ?? 999) > 60 || (pressure_bar ?? 999) > 0.5 || anyBad || event.quality === 'bad'
      for (const message of [made, finished(made, event.at_ms + later_ms)]) {
        reached.runs += 1
        const isBarred = dangerous || message.late
        reached[isBarred ? 'handsOff' : 'handsOn'] += 1
        reached.lateCold += message.late && !made.hands_off ? 1 : 0
        const step = message.lines.first_step
        const asksRightly = !FORBIDDEN_VERB.test(step) && CAUTIOUS.test(step)
        expect(!isBarred || asksRightly).toBe(true)
        // All of the text but what others said, which is quoted or stands in the headline as the name of the alarm.
        const { since, causes, caution, consequence } = message.lines
        const ours = [since, ...causes, caution, consequence].join(' ')
        expect(!made.hands_off || !FORBIDDEN_VERB.test(ours)).toBe(true)
        expect(message.text).not.toMatch(SAFE)
        expect(message.headline).not.toMatch(SAFE)
        expect(JSON.stringify(message.lines)).not.toMatch(SAFE)
        expect(message.headline).not.toMatch(/[\n\u202E]/)
        expect(message.text.startsWith(message.headline)).toBe(true)
        const word = event.priority.toUpperCase()
        expect(message.headline.slice(0, 120)).toContain(` – ${word}`)
      }
    }),
    { numRuns: 2_000 },
  )
  expect(reached.handsOff).toBeGreaterThan(reached.runs / 3)
  expect(reached.handsOn).toBeGreaterThan(reached.runs / 50)
  expect(reached.lateCold).toBeGreaterThan(10)
})

test('place, what and how bad stand in the first 120 characters however long the names are', () => {
  const long = 'Extraordinarily long name of a place behind the third press of the second row'
  const plan = {
    ...withRule({ ...deviation, words: { ...deviation.words, what: 'return line far outside of what was taught for this mould' } }),
    places: kestrel.places.map((place) => ({ ...place, name: long })),
  }
  const first = told({ ...raised, event: 'unsuppressed' }, plan).headline.slice(0, 120)
  expect(first).toContain('Extraordinarily long name')
  expect(first).toContain('no longer suppressed: return')
  expect(first).toContain('HIGH, 143.4 °C')
})
