import { describe, expect, test } from 'vitest'
import type { RulePlan, StartDelay } from '../../config/plan.ts'
import type { AlarmEvent, Event } from '../../rules/event.ts'
import type { CommandAction, Input } from '../../rules/input.ts'
import { derivePhase } from '../../rules/phase.ts'
import { QUALITY } from '../../rules/reading.ts'
import { openUnit } from '../../rules/unit.ts'
import { reading, rule, unitWith } from './bench-circuit.ts'

// Behaviour of a whole unit. Times of the start delay and of lost contact: common practice, no source.
const SIGNALS = ['temperature.actual', 'temperature.set_value', 'pump.running'] as const
const MIN = 60_000
const start: StartDelay = {
  timeout_ms: 10 * MIN,
  hold_ms: 2 * MIN,
  onStart: true,
  onSetValue: true,
  setValueStep: 1.5,
  cap_ms: 20 * MIN,
  capWindow_ms: 240 * MIN,
}
const deviation = rule(
  { kind: 'band', signal: 'control', reference: { kind: 'signal', signal: 'temperature.set_value' }, plus: 3, minus: 3, deadband: 0.75 },
  {
    id: 'temperature.deviation',
    alarm: 'u/a:temperature.deviation',
    onDelay_ms: MIN,
    offDelay_ms: 30_000,
    armedByStart: true,
    start,
    suppressedBy: ['temperature.outer'],
  },
)
const outer = rule(
  { kind: 'high_above', signal: 'control', reference: { kind: 'signal', signal: 'temperature.set_value' }, offset: 10, deadband: 0.75 },
  { id: 'temperature.outer', alarm: 'u/a:temperature.outer', onDelay_ms: 10_000, priority: 'high' },
)
const offHot = rule(
  { kind: 'switched_off_hot', limit_degC: 70, deadband_K: 3 },
  { id: 'off_hot', alarm: 'u/a:off_hot', onDelay_ms: 10_000, neverHidden: true },
)
const lost = (hot: boolean): RulePlan =>
  rule(
    { kind: 'contact_lost', after_ms: MIN, afterHot_ms: 30_000, hot },
    { id: hot ? 'contact.lost_hot' : 'contact.lost', alarm: `u:contact.lost${hot ? '_hot' : ''}`, neverHidden: hot },
  )
const badSignal = rule(
  { kind: 'bad_signal', signals: ['control'] },
  { id: 'bad', alarm: 'u/a:bad', onDelay_ms: MIN, suppressedBy: ['contact.lost', 'contact.lost_hot'] },
)
const noReading = rule(
  { kind: 'no_reading', after_ms: MIN },
  { id: 'silent', alarm: 'u/a:silent', suppressedBy: ['contact.lost', 'contact.lost_hot'] },
)
const plan = unitWith(SIGNALS, [deviation, outer, offHot, badSignal, noReading], {
  staleAfter_ms: 15_000,
  rules: [lost(false), lost(true)],
})

const at = (at_ms: number, actual: number | null, set: number | null = 80, pump: number | null = 1): Input =>
  reading(at_ms, [actual, set, pump])
/** One value a second, as a unit is polled. */
const every = (from_s: number, to_s: number, actual: (s: number) => number | null, set = 80, pump = 1): Input[] =>
  Array.from({ length: to_s - from_s + 1 }, (_, i) => {
    const value = actual(from_s + i)
    return value === null ? reading((from_s + i) * 1000, [null, null, null]) : at((from_s + i) * 1000, value, set, pump)
  })
const dead = (from_s: number, to_s: number): Input[] => every(from_s, to_s, () => null)
const tick = (at_s: number): Input => ({ kind: 'tick', at_ms: at_s * 1000, unit: 'u' })
const brief = (e: Event): string =>
  e.kind === 'alarm' ? `${e.at_ms / 1000} ${e.rule} ${e.event}${e.why === null ? '' : ` ${e.why}`}` : `${e.at_ms / 1000} ${e.event}`
function play(inputs: readonly Input[], unit = plan): { events: Event[]; brief: string[]; told: string[] } {
  const engine = openUnit(unit, 'v', null)
  const events = inputs.flatMap((input) => [...engine.step(input)])
  const told = events.filter((e): e is AlarmEvent => e.kind === 'alarm' && e.annunciate).map((e) => `${e.at_ms / 1000} ${e.rule}`)
  return { events, brief: events.map(brief), told }
}

describe('start delay', () => {
  test('a cold start is inhibited until in tolerance without break for the hold, overshoot included', () => {
    // Heats at 0.5 K/s, overshoots to 84, then settles.
    const curve = (s: number): number => (s < 120 ? 20 + s * 0.5 : s < 140 ? 84 : 80.5)
    const { brief: lines, told } = play(every(0, 400, curve))
    expect(lines.filter((l) => l.includes('deviation'))).toEqual([
      '0 temperature.deviation inhibited',
      '260 temperature.deviation armed in_band',
    ])
    expect(told).toEqual([])
  })
  test('a start that never gets there is armed by the time-out and told one on-delay later', () => {
    const { told } = play(every(0, 700, () => 60))
    expect(told).toEqual(['660 temperature.deviation'])
  })
  test('with a pace the longest wait follows from the way to go: 60 K at 2 K/min and 10 min are 40 min, down 60 K at 1 K/min and 20 min are 80 min', () => {
    const pace = {
      heating_K_min: 2,
      heatingExtra_ms: 10 * MIN,
      cooling_K_min: 1,
      coolingExtra_ms: 20 * MIN,
      min_ms: 15 * MIN,
      max_ms: 180 * MIN,
    }
    const paced = { ...deviation, start: { ...start, pace } }
    const unit = unitWith(SIGNALS, [paced])
    expect(
      play(
        every(0, 42 * 60, () => 20),
        unit,
      ).told,
    ).toEqual([`${40 * 60 + 60} temperature.deviation`])
    expect(
      play(
        every(0, 82 * 60, () => 140),
        unit,
      ).told,
    ).toEqual([`${80 * 60 + 60} temperature.deviation`])
    // A way of 1 K would be over in a moment: bounded to 15 min.
    expect(
      play(
        every(0, 17 * 60, () => 76),
        unit,
      ).told,
    ).toEqual([`${15 * 60 + 60} temperature.deviation`])
  })
  test('the outer limit is never inhibited by a start', () => {
    const { told } = play(every(0, 60, () => 95))
    expect(told).toEqual(['10 temperature.outer'])
  })
  test('the outer limit, while active, holds back the inner one and lets it go when it returns', () => {
    const warm = every(0, 200, () => 80)
    const { brief: lines } = play([...warm, ...every(201, 300, () => 91), ...every(301, 320, () => 85)])
    expect(
      lines.filter((l) => l.includes('outer raised') || l.includes('deviation suppressed') || l.includes('deviation unsuppressed')),
    ).toEqual([
      '211 temperature.outer raised',
      '211 temperature.deviation suppressed by temperature.outer',
      '301 temperature.deviation unsuppressed by temperature.outer',
    ])
  })
  test('a set-value change of half the tolerance inhibits, a smaller one does not', () => {
    const small = play([...every(0, 200, () => 80), ...every(201, 210, () => 80, 81.4)])
    expect(small.brief.some((l) => l.includes('inhibited'))).toBe(false)
    const large = play([...every(0, 200, () => 80), ...every(201, 300, () => 80, 90)])
    expect(large.brief).toContain('201 temperature.deviation inhibited')
    expect(large.told).toEqual([])
  })
  test('a ramp is one change', () => {
    const ramp = Array.from({ length: 200 }, (_, i) => at((200 + i) * 1000, 80, 80 + i * 0.1))
    const { brief: lines } = play([...every(0, 199, () => 80), ...ramp])
    expect(lines.filter((l) => l.includes('inhibited'))).toHaveLength(1)
  })
  test('set-value changes may inhibit no longer than the cap of 20 min in 4 h, however often the set value moves', () => {
    // From 200 s on the set value jumps between 100 and 60 every 9 min, 80 is never in tolerance: 540 s, 540 s and the last 120 s of the cap.
    const jumps = (s: number): number => (Math.floor((s - 200) / 540) % 2 === 0 ? 100 : 60)
    const inputs = Array.from({ length: 3600 }, (_, s) => at(s * 1000, 80, s < 200 ? 80 : jumps(s)))
    expect(play(inputs, unitWith(SIGNALS, [deviation])).told).toEqual(['1460 temperature.deviation'])
  })
  test('bad data break the hold: in tolerance without break counts afresh', () => {
    const start_s = every(0, 10, () => 60)
    const broken = [...start_s, ...every(11, 100, () => 80), at(101_000, null), ...every(102, 300, () => 80)]
    const { brief: lines } = play(broken, unitWith(SIGNALS, [deviation]))
    expect(lines.filter((l) => l.includes('armed'))).toEqual(['222 temperature.deviation armed in_band'])
  })
})

describe('phases', () => {
  test('a unit that says it is cooling is on its way to off: the deviation is not judged; one that is only too warm is', () => {
    const warm = every(0, 200, () => 80)
    const away = (phase: 'cooling' | null): Input[] =>
      Array.from({ length: 100 }, (_, i) => reading((201 + i) * 1000, [88, 80, 1], { phase }))
    expect(play([...warm, ...away('cooling')], unitWith(SIGNALS, [deviation])).told).toEqual([])
    expect(play([...warm, ...away(null)], unitWith(SIGNALS, [deviation])).told).toEqual(['261 temperature.deviation'])
  })
  test.each([
    { name: 'left at the tolerance, not inside it', last: 'in_tolerance', actual: 82.9, phase: 'in_tolerance' },
    { name: 'left beyond the tolerance', last: 'in_tolerance', actual: 83.1, phase: 'cooling' },
    { name: 'entered a quarter inside only', last: 'cooling', actual: 82.9, phase: 'cooling' },
    { name: 'entered a quarter inside', last: 'cooling', actual: 82.2, phase: 'in_tolerance' },
  ] as const)('in tolerance is $name', ({ last, actual, phase }) => {
    const nan = Number.NaN
    const facts = {
      actual_degC: actual,
      set_degC: 80,
      plus_K: 3,
      minus_K: 3,
      pumpRunning: 1,
      flow_l_min: nan,
      pumpSpeed_percent: nan,
      regulation_percent: nan,
      refilling: nan,
    }
    expect(derivePhase(facts, last)).toBe(phase)
  })
  test('switched off, an active deviation returns at once and a pending one is dropped', () => {
    const { brief: lines } = play([...every(0, 200, () => 80), ...every(201, 300, () => 70), ...every(301, 302, () => 70, 80, 0)])
    expect(lines.filter((l) => l.includes('deviation')).slice(-3)).toEqual([
      '261 temperature.deviation raised',
      '301 temperature.deviation disarmed',
      '301 temperature.deviation returned disarmed',
    ])
  })
  test('switched off while hot is told, and ends when the circuit is cool by the deadband', () => {
    const { brief: lines, told } = play([...every(0, 200, () => 80), ...every(201, 300, (s) => 80 - (s - 200) * 0.2, 80, 0)])
    expect(told).toEqual(['211 off_hot'])
    // 80 - 0.2 (s - 200) <= 70 - 3 from s = 265.
    expect(lines).toContain('265 off_hot returned')
  })
})

test('of two limits that become due at the same instant people hear of the graver one only', () => {
  const warn = rule(
    { kind: 'switched_off_hot', limit_degC: 70, deadband_K: 3 },
    { id: 'warn', alarm: 'u/a:warn', onDelay_ms: 10_000, suppressedBy: ['grave'], neverHidden: true },
  )
  const grave = rule(
    { kind: 'switched_off_hot', limit_degC: 95, deadband_K: 3 },
    { id: 'grave', alarm: 'u/a:grave', onDelay_ms: 10_000, priority: 'high', neverHidden: true },
  )
  const { told } = play([...every(0, 20, () => 140), ...every(21, 60, () => 140, 80, 0)], unitWith(SIGNALS, [warn, grave]))
  expect(told).toEqual(['31 grave'])
})

describe('never hidden', () => {
  const grave = { ...offHot, id: 'grave', alarm: 'u/a:grave', suppressedBy: ['plain'] }
  test('a rule that is hidden by others when active does not hide it', () => {
    const plain = rule({ kind: 'off_normal', signal: 'pump.running', normal: 1 }, { id: 'plain', alarm: 'u/a:plain' })
    const { told } = play([...every(0, 20, () => 140), ...every(21, 60, () => 140, 80, 0)], unitWith(SIGNALS, [plain, grave]))
    expect(told).toEqual(['21 plain', '31 grave'])
  })
  test.each<{ name: string; action: CommandAction; comment: string; outcome: string }>([
    { name: 'shelving without a reason', action: { act: 'shelve', for_ms: MIN }, comment: ' ', outcome: 'rejected reason_required' },
    { name: 'shelving once without a reason', action: { act: 'shelve_once' }, comment: '', outcome: 'rejected reason_required' },
    {
      name: 'shelving for longer than 30 min',
      action: { act: 'shelve', for_ms: 31 * MIN },
      comment: 'sensor',
      outcome: 'rejected too_long',
    },
    { name: 'shelving with a reason', action: { act: 'shelve', for_ms: 30 * MIN }, comment: 'sensor', outcome: 'shelved' },
    { name: 'suppressing', action: { act: 'suppress' }, comment: 'sensor', outcome: 'rejected never_hidden' },
    { name: 'taking out of service', action: { act: 'out_of_service' }, comment: 'sensor', outcome: 'rejected never_hidden' },
  ])('$name: $outcome', ({ action, comment, outcome }) => {
    const engine = openUnit(unitWith(SIGNALS, [{ ...grave, maxShelve_ms: 30 * MIN }]), 'v', null)
    engine.step(at(0, 80))
    const events = engine.step({ kind: 'command', at_ms: 1000, id: 'k', alarm: 'u/a:grave', action, by: 'p1', from: 'test', comment })
    expect(events.map(brief)).toEqual([`1 grave ${outcome}`])
  })
})

describe('contact', () => {
  test('a unit without contact holds back the re-alarm of its process alarms; it is journalled, and nobody is told', () => {
    const again = { ...deviation, reAlarm_ms: 5 * MIN }
    const unit = unitWith(SIGNALS, [again], { staleAfter_ms: 15_000, rules: [lost(false), lost(true)] })
    const { events, told } = play([...every(0, 200, () => 80), ...every(201, 300, () => 70), ...dead(301, 700)], unit)
    expect(told).toEqual(['261 temperature.deviation', '360 contact.lost'])
    expect(events.filter((e) => e.event === 're_alarmed')).toMatchObject([{ at_ms: 561_000, annunciate: false, why: 'held_back' }])
  })
  test('lost while hot is told after 30 s, once, with the last temperature as context; the rest is held back', () => {
    const { events, told } = play([...every(0, 200, () => 148, 148), ...dead(201, 400)])
    expect(told).toEqual(['230 contact.lost_hot'])
    const raised = events.find((e): e is AlarmEvent => e.kind === 'alarm' && e.event === 'raised')
    expect(raised?.context).toMatchObject({ hottest_degC: 148, hottestAt_ms: 200_000, anyBad: true })
  })
  test('lost while cool is told after 60 s', () => {
    expect(play([...every(0, 200, () => 40, 40), ...dead(201, 400)]).told).toEqual(['260 contact.lost'])
  })
  test('silence is the same as failing polls', () => {
    expect(play([...every(0, 200, () => 148, 148), tick(400)]).told).toEqual(['230 contact.lost_hot'])
  })
  test('switched off and cool before it went silent: a record, no alarm', () => {
    const { brief: lines, told } = play([...every(0, 200, () => 40, 40), ...every(201, 210, () => 40, 40, 0), ...dead(211, 600)])
    expect(told).toEqual([])
    expect(lines).toContain('270 powered_down')
  })
  test('back again: the alarm returns, the circuit is judged anew, and nothing is told twice', () => {
    const { brief: lines, told } = play([...every(0, 200, () => 148, 148), ...dead(201, 300), ...every(301, 500, () => 148, 148)])
    expect(told).toEqual(['230 contact.lost_hot'])
    expect(lines).toContain('301 contact.lost_hot returned')
    expect(lines).toContain('301 contact_back')
  })
  test('an active process alarm stays listed while contact is lost, marked bad', () => {
    const engine = openUnit(plan, 'v', null)
    for (const input of [...every(0, 200, () => 80), ...every(201, 300, () => 70), ...dead(301, 500)]) engine.step(input)
    const alarm = [...engine.alarms()].find(({ rule: r }) => r.id === 'temperature.deviation')
    expect(alarm?.state).toMatchObject({ core: 'unack_active', quality: 2 })
  })
  test("mouldtend's own absence is no lost contact", () => {
    const before = openUnit(plan, 'v', null)
    for (const input of every(0, 200, () => 80)) before.step(input)
    const after = openUnit(plan, 'v', before.save())
    const events = [
      ...after.step({ kind: 'service_start', at_ms: 3_600_000, last_ms: 200_000, trusted: true, engine: '1' }),
      ...every(3601, 3620, () => 80).flatMap((input) => [...after.step(input)]),
    ]
    expect(events.filter((e) => e.kind === 'alarm' && e.annunciate)).toEqual([])
    expect(events.filter((e) => e.kind === 'alarm').map(brief)).toContain('215 temperature.deviation quality_changed no_data')
  })
  test('one bad sensor though readings come: told after its on-delay', () => {
    const broken = Array.from({ length: 100 }, (_, i) => at((201 + i) * 1000, null))
    expect(play([...every(0, 200, () => 80), ...broken]).told).toEqual(['261 bad'])
  })
})

test('a setting that a unit says it does not have is no bad sensor, a measured value is', () => {
  const watch = rule(
    { kind: 'bad_signal', signals: ['temperature.limitation', 'flow_rate'] },
    { id: 'bad', alarm: 'u/a:bad', onDelay_ms: 1000 },
  )
  const unit = unitWith(['temperature.actual', 'temperature.limitation', 'flow_rate'], [watch])
  const gone = (index: number): Input[] =>
    Array.from({ length: 5 }, (_, i) => {
      const one = reading(i * 1000, [80, 100, 10])
      one.quality[index] = QUALITY.not_available
      one.values[index] = Number.NaN
      return one
    })
  expect(play(gone(1), unit).told).toEqual([])
  expect(play(gone(2), unit).told).toEqual(['1 bad'])
})

test.each([
  { name: 'not there and not the one that is controlled: nothing is unknown', controlPoint: 'main_line', anyBad: false },
  { name: 'not there though it is the one that is controlled: the state is not known', controlPoint: 'external', anyBad: true },
] as const)('external sensor $name', ({ controlPoint, anyBad }) => {
  const signals = ['temperature.main_line', 'temperature.return_line', 'temperature.external', 'flow_rate'] as const
  const low = rule({ kind: 'low', signal: 'flow_rate', limit: 8, deadband: 1 }, { id: 'flow', alarm: 'u/a:flow' })
  const one = reading(1000, [80, 79, null, 5])
  one.quality[2] = QUALITY.not_available
  const [event] = openUnit(unitWith(signals, [low], {}, { controlPoint }), 'v', null)
    .step(one)
    .filter((e) => e.kind === 'alarm')
  expect(event).toMatchObject({ event: 'raised', context: { anyBad } })
})

test('the wall clock jumps forward by an hour: delays go on as before', () => {
  const engine = openUnit(plan, 'v', null)
  const hour = 3_600_000
  const inputs: Input[] = [
    ...every(0, 200, () => 80),
    ...every(201, 230, () => 70),
    { kind: 'clock_step', at_ms: 230_500 + hour, by_ms: hour },
    ...every(231, 300, () => 70).map((input): Input => ({ ...input, at_ms: input.at_ms + hour })),
  ]
  const told = inputs.flatMap((input) => [...engine.step(input)]).filter((e) => e.kind === 'alarm' && e.annunciate)
  expect(told.map((e) => (e.at_ms - hour) / 1000)).toEqual([261])
})

test('off while hot by an uncertain temperature is marked as uncertain', () => {
  const engine = openUnit(unitWith(SIGNALS, [{ ...offHot, onDelay_ms: 0 }]), 'v', null)
  engine.step(at(0, 140))
  const events = engine.step(reading(1000, [140, 80, 0], { quality: QUALITY.uncertain }))
  expect(events.filter((e) => e.kind === 'alarm')).toMatchObject([
    { event: 'quality_changed', quality: 'uncertain' },
    { event: 'raised', quality: 'uncertain' },
  ])
})

test('the same command twice does nothing the second time', () => {
  const engine = openUnit(plan, 'v', null)
  for (const input of every(0, 60, () => 95)) engine.step(input)
  const acknowledge: Input = {
    kind: 'command',
    at_ms: 61_000,
    id: 'k1',
    alarm: 'u/a:temperature.outer',
    action: { act: 'acknowledge' },
    by: 'p1',
    from: 'mqtt',
    comment: 'seen',
  }
  expect(engine.step(acknowledge).map(brief)).toEqual(['61 temperature.outer acknowledged'])
  expect(engine.step(acknowledge)).toEqual([])
})

test("the unit's own errors: came and went, judged by severity", () => {
  const errors = rule(
    { kind: 'unit_errors', minSeverity: 667, maxSeverity: 1000 },
    { id: 'unit.errors_high', alarm: 'u/a:unit.errors_high' },
  )
  const unit = unitWith(SIGNALS, [errors])
  const heater = { id: 'E-01', severity: 700, text: 'heater' }
  const { brief: lines, told } = play(
    [
      at(0, 80),
      reading(1000, [80, 80, 1], { errors: [heater] }),
      reading(2000, [80, 80, 1], { errors: [{ id: 'E-09', severity: 100, text: 'note' }] }),
    ],
    unit,
  )
  expect(told).toEqual(['1 unit.errors_high'])
  expect(lines).toEqual([
    '0 phase_changed',
    '1 unit_error_came',
    '1 unit.errors_high raised',
    '2 unit_error_came',
    '2 unit_error_went',
    '2 unit.errors_high returned',
  ])
})
