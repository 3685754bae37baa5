import { expect, test } from 'vitest'
import { startTimeout_ms } from '../../config/defaults.ts'
import { format } from '../../config/finding.ts'
import { loadText } from '../../config/load.ts'
import type { RulePlan, UnitPlan } from '../../config/plan.ts'
import { forbiddenWord, limitWords, RULE_WORDS } from '../../config/rule-words.ts'

// The numbers in this file: common practice, no source, unless a row names one.
const MINUTE = 60_000

async function unitOf(rest: string, kind = 'profile: tenths16', head = ''): Promise<UnitPlan> {
  const text = `site: kestrel-hall\n${head}units:\n  - id: a\n    connection: { host: h }\n    ${kind}\n${rest
    .split('\n')
    .map((line) => `    ${line}`)
    .join('\n')}\n`
  const loaded = await loadText(text, 'site.yaml', '/x')
  if (loaded.kind === 'bad') throw new Error(loaded.errors.map(format).join('\n'))
  const unit = loaded.plan.units[0]
  if (unit === undefined) throw new Error('no unit')
  return unit
}
const byId = (unit: UnitPlan): Map<string, RulePlan> =>
  new Map([...unit.rules, ...unit.circuits.flatMap((circuit) => circuit.rules)].map((rule) => [rule.id, rule]))

test.each<
  [
    string,
    string,
    { tolerance: number; outer: number; warn: number; high: number; on: number; off: number; hold: number; deadband: number },
  ]
>([
  ['water', 'medium: water', { tolerance: 3, outer: 10, warn: 70, high: 95, on: 60, off: 30, hold: 2, deadband: 0.75 }],
  ['oil', 'medium: oil', { tolerance: 5, outer: 15, warn: 80, high: 120, on: 60, off: 30, hold: 5, deadband: 1.25 }],
  [
    'external sensor in control, water',
    'control_point: external',
    { tolerance: 5, outer: 10, warn: 70, high: 95, on: 120, off: 60, hold: 5, deadband: 1 },
  ],
  [
    'return line in control, water',
    'control_point: return_line',
    { tolerance: 5, outer: 10, warn: 70, high: 95, on: 120, off: 60, hold: 2, deadband: 1 },
  ],
])('starting values: %s', async (_name, rest, want) => {
  const rules = byId(await unitOf(rest))
  const deviation = rules.get('temperature.deviation')
  expect(deviation).toMatchObject({
    condition: {
      kind: 'band',
      signal: 'control',
      reference: { kind: 'signal', signal: 'temperature.set_value' },
      plus: want.tolerance,
      minus: want.tolerance,
      deadband: want.deadband,
    },
    onDelay_ms: want.on * 1000,
    offDelay_ms: want.off * 1000,
    armedByStart: true,
    suppressedBy: ['temperature.outer_high'],
    start: { onStart: true, onSetValue: true, hold_ms: want.hold * MINUTE, setValueStep: want.tolerance / 2, capWindow_ms: 240 * MINUTE },
  })
  expect(deviation?.start?.cap_ms).toBe(2 * (deviation?.start?.timeout_ms ?? 0))
  expect(rules.get('temperature.outer_high')).toMatchObject({
    condition: { kind: 'high_above', signal: 'control', offset: want.outer },
    onDelay_ms: 10_000,
    priority: 'high',
    start: { onStart: false },
  })
  expect(rules.get('off_hot.warn')).toMatchObject({
    condition: { limit_degC: want.warn, deadband_K: 3 },
    priority: 'medium',
    onDelay_ms: 10_000,
    neverHidden: true,
  })
  expect(rules.get('off_hot.high')).toMatchObject({
    condition: { limit_degC: want.high, deadband_K: 3 },
    priority: 'high',
    onDelay_ms: 10_000,
    neverHidden: true,
  })
})

test('contact, readings, bad signals, own errors, alarm contact', async () => {
  const rules = byId(await unitOf(''))
  expect(rules.get('contact.lost')).toMatchObject({
    condition: { kind: 'contact_lost', after_ms: 60_000, afterHot_ms: 30_000, hot: false },
    alarm: 'a:contact.lost',
    line: 'default',
  })
  expect(rules.get('contact.lost_hot')).toMatchObject({
    condition: { hot: true },
    priority: 'high',
    neverHidden: true,
    maxShelve_ms: 30 * MINUTE,
  })
  expect(rules.get('reading.missing')).toMatchObject({
    condition: { kind: 'no_reading', after_ms: 60_000 },
    suppressedBy: ['contact.lost', 'contact.lost_hot'],
  })
  expect(rules.get('signal.bad')).toMatchObject({
    onDelay_ms: 60_000,
    suppressedBy: ['contact.lost', 'contact.lost_hot', 'reading.missing'],
  })
  // Bands: OPC 40083, clause 6.4 (plastics family): 667-1000 error, 334-666 warning, 1-333 information.
  expect(['high', 'medium', 'low'].map((band) => rules.get(`unit_errors.${band}`)?.condition)).toEqual([
    { kind: 'unit_errors', minSeverity: 667, maxSeverity: 1000 },
    { kind: 'unit_errors', minSeverity: 334, maxSeverity: 666 },
    { kind: 'unit_errors', minSeverity: 1, maxSeverity: 333 },
  ])
  // The contact says the same as the errors, less well.
  expect(rules.get('alarm_contact')).toMatchObject({
    condition: { kind: 'off_normal', signal: 'alarm_contact', normal: 0 },
    priority: 'medium',
    suppressedBy: ['unit_errors.high', 'unit_errors.medium', 'unit_errors.low'],
  })
  // Nothing taught yet: no limit on flow or pressure that nobody gave.
  expect([...rules.keys()].filter((id) => /^(?:flow|pressure)/.test(id))).toEqual([])
  expect(rules.get('temperature.deviation')).toMatchObject({
    alarm: 'a/a:temperature.deviation',
    line: 'default',
    maxShelve_ms: 480 * MINUTE,
    severity: 500,
  })
})

test('pressure rating: 90 % of it, 5 s, 2 % deadband; only where somebody gave it', async () => {
  const rating = byId(await unitOf('pressure_rating: 10 bar')).get('pressure.main_line.rating')
  expect(rating).toMatchObject({
    condition: { kind: 'high', signal: 'pressure.main_line', limit: 9, deadband: 0.18 },
    onDelay_ms: 5000,
    priority: 'high',
    line: 'site.yaml:6',
  })
})

test('limits that the site gives: inner held back by outer, too little only while it runs', async () => {
  const rules = byId(await unitOf('limits: { flow_rate: { low: 6 l/min, low_low: 3 l/min, high: 40 l/min } }'))
  expect(rules.get('flow_rate.low')).toMatchObject({
    condition: { kind: 'low', limit: 6, deadband: 0.18 },
    onDelay_ms: 30_000,
    offDelay_ms: 15_000,
    armedByStart: true,
    suppressedBy: ['flow_rate.low_low'],
    priority: 'medium',
    line: 'site.yaml:6',
  })
  // 3 % of 3 l/min is less than one step of the sensor.
  expect(rules.get('flow_rate.low_low')).toMatchObject({ condition: { limit: 3, deadband: 0.1 }, priority: 'high', suppressedBy: [] })
  expect(rules.get('flow_rate.high')).toMatchObject({ condition: { kind: 'high', limit: 40 }, armedByStart: false, suppressedBy: [] })
})

test('the rule on the control point’s reserve counts from 98 % upward, outside heating', async () => {
  const rule = byId(await unitOf('')).get('no_reserve')
  expect(rule).toMatchObject({
    condition: { signal: 'regulation_ratio', limit: 97.9, deadband: 5 },
    onDelay_ms: 10 * MINUTE,
    phases: ['in_tolerance'],
  })
})

test.each<['water' | 'oil', 'unit' | 'external', number, number]>([
  ['water', 'unit', 100, 60], // 100 / 2 + 10
  ['water', 'unit', 5, 15], // bounded below
  ['oil', 'unit', 150, 115], // 150 / 1.5 + 15
  ['water', 'external', 60, 80], // 60 / 1 + 20
  ['oil', 'external', 400, 180], // bounded above
])('start timeout: %s, %s, %d K: %d min', (medium, point, distance, minutes) => {
  expect(startTimeout_ms(medium, point, distance)).toBe(minutes * MINUTE)
})

test('changes of the site to a default rule, field by field, and where they were made', async () => {
  const rules = byId(
    await unitOf(
      [
        'tolerance: { plus: 2 K, minus: 4 K }',
        'rules:',
        '  temperature.deviation: { on_delay: 90 s, latch: true, re_alarm: 20 min, re_alarm_max: 3, priority: high, start: { hold: 0 s }, words: { respond: 5 min } }',
        '  temperature.outer_high: { plus: 12 K }',
        '  contact.lost: { after: 2 min }',
        '  no_reserve: { enabled: false }',
        '  cooling.warm: { kind: high, signal: temperature.return_line, limit: 302 °F, priority: low, deadband: 2 K }',
      ].join('\n'),
    ),
  )
  expect(rules.get('temperature.deviation')).toMatchObject({
    condition: { plus: 2, minus: 4, deadband: 0.5 },
    onDelay_ms: 90_000,
    latch: true,
    reAlarm_ms: 20 * MINUTE,
    reAlarmMax: 3,
    priority: 'high',
    severity: 800,
    start: { hold_ms: 0, timeout_ms: 60 * MINUTE },
    line: 'site.yaml:8',
    words: { what: 'off its set value', respond_ms: 5 * MINUTE },
  })
  expect(rules.get('temperature.outer_high')).toMatchObject({ condition: { offset: 12 }, line: 'site.yaml:9' })
  expect(rules.get('contact.lost')).toMatchObject({ condition: { after_ms: 120_000 }, line: 'site.yaml:10' })
  expect(rules.has('no_reserve')).toBe(false)
  expect(rules.get('cooling.warm')).toMatchObject({
    alarm: 'a/a:cooling.warm',
    condition: { kind: 'high', signal: 'temperature.return_line', limit: 150, deadband: 2 },
    priority: 'low',
    line: 'site.yaml:12',
  })
})

test('own rules of every kind', async () => {
  const rules = byId(
    await unitOf(
      [
        'rules:',
        '  own.band: { kind: band, signal: temperature.return_line, reference: temperature.set_value, plus: 8 K, minus: 12 K }',
        '  own.above: { kind: high_above, signal: temperature.return_line, reference: 120 °C, plus: 4 K }',
        '  own.state: { kind: off_normal, signal: pump.running, normal: 1 }',
        '  own.reach: { kind: discrepancy, signal: control, reference: temperature.set_value, tolerance: 2 K, expected: 45 min }',
      ].join('\n'),
    ),
  )
  expect(rules.get('own.band')?.condition).toEqual({
    kind: 'band',
    signal: 'temperature.return_line',
    reference: { kind: 'signal', signal: 'temperature.set_value' },
    plus: 8,
    minus: 12,
    deadband: 2,
  })
  expect(rules.get('own.above')?.condition).toEqual({
    kind: 'high_above',
    signal: 'temperature.return_line',
    reference: { kind: 'fixed', value: 120 },
    offset: 4,
    deadband: 1,
  })
  expect(rules.get('own.state')?.condition).toEqual({ kind: 'off_normal', signal: 'pump.running', normal: 1 })
  expect(rules.get('own.reach')?.condition).toEqual({
    kind: 'discrepancy',
    signal: 'control',
    reference: { kind: 'signal', signal: 'temperature.set_value' },
    expected_ms: 45 * MINUTE,
    tolerance: 2,
  })
})

test('a unit with contacts only is watched by its contact, with high priority', async () => {
  const loaded = await loadText('site: k\nunits: [{ id: a, replay: r.csv, signals: [alarm_contact, pump.running] }]', 'site.yaml', '/x')
  if (loaded.kind === 'bad') throw new Error('refused')
  const rules = byId(loaded.plan.units[0] ?? (await unitOf('')))
  expect(rules.get('alarm_contact')).toMatchObject({ priority: 'high', suppressedBy: [] })
  expect([...rules.keys()]).toEqual(['contact.lost', 'contact.lost_hot', 'alarm_contact', 'reading.missing', 'signal.bad'])
})

test('no default rule calls anything safe, and no first step has anyone lay hands on a circuit', () => {
  const all = [...Object.values(RULE_WORDS), limitWords('flow_rate', 'low'), limitWords('pressure.main_line', 'high')]
  for (const words of all) {
    expect(forbiddenWord('first_step', words.firstStep)).toBeNull()
    for (const text of [words.what, words.consequence, ...words.causes]) expect(forbiddenWord('other', text)).toBeNull()
    expect(words.what).not.toBe('')
    expect(words.firstStep).toMatch(/\.$|\?$/)
    expect(words.causes.length).toBeGreaterThan(0)
  }
  expect(all.length).toBeGreaterThan(15)
})
test.each<[string, string | null]>([
  ['Open the drain', 'Open'],
  ['bleed it', 'bleed'],
  ['Tightening helps', 'Tightening'],
  ['Disconnect the hose', 'Disconnect'],
  ['Now it is safe', 'safe'],
  ['Never open a hot circuit', null],
  ['Do not disconnect anything', null],
  ['Do not wait, open the valve', 'open'],
  ['Look at the display', null],
])('first step %j: %s', (text, found) => expect(forbiddenWord('first_step', text)).toBe(found))
