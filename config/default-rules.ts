import type { Phase } from '../rules/phases.ts'
import { signalInfo, type SignalName } from '../rules/signals.ts'
import type { CircuitChoice } from './choice.ts'
import {
  bandDeadband,
  BY_MEDIUM,
  DEADBAND_SHARE,
  DELAYS,
  FAR_SENSOR,
  isFarSensor,
  OFF_HOT_DEADBAND_K,
  RATING_SHARE,
  RESERVE,
  SEVERITY_BANDS,
  SILENCE,
  startDelay,
} from './defaults.ts'
import type { CircuitPlan, Condition, Medium, Priority, RuleWords, StartDelay } from './plan.ts'
import { limitWords, RULE_WORDS, type DefaultRuleId } from './rule-words.ts'

/** A rule before the site's own changes to it. Deadbands that nobody chose follow the numbers after those changes. */
export interface RuleDraft {
  readonly id: string
  readonly condition: Condition
  readonly priority: Priority
  readonly onDelay_ms: number
  readonly offDelay_ms: number
  readonly start: StartDelay | null
  readonly armedByStart: boolean
  readonly phases: readonly Phase[] | null
  readonly suppressedBy: readonly string[]
  readonly neverHidden: boolean
  readonly words: RuleWords
  /** Settings of the site that made it so, the weightiest first; none where all is default. */
  readonly madeBy: readonly string[]
}

/** What is known of a circuit when its rules are made. */
export interface CircuitFacts {
  readonly medium: Medium
  readonly controlPoint: CircuitPlan['controlPoint']
  readonly tolerance: { readonly plus_K: number; readonly minus_K: number }
  readonly signals: ReadonlySet<SignalName>
  /** One step of the sensor in the signal's unit, 0 where it is not known. */
  readonly step: (signal: SignalName | 'control') => number
  /** False for a circuit that gives no temperature to compare: nothing tells when it runs. */
  readonly tellsPhase: boolean
}

const usual = {
  start: null,
  armedByStart: false,
  phases: null,
  suppressedBy: [],
  neverHidden: false,
  madeBy: [],
} as const satisfies Partial<RuleDraft>
const worded = (id: DefaultRuleId): { readonly id: string; readonly words: RuleWords } => ({ id, words: RULE_WORDS[id] })
const seconds = (delay: { readonly on_ms: number; readonly off_ms: number }) => ({ onDelay_ms: delay.on_ms, offDelay_ms: delay.off_ms })

/** The rules that a circuit of this medium with these signals has before anybody asks for any. */
export function defaultCircuitRules(facts: CircuitFacts, choice: CircuitChoice): RuleDraft[] {
  const { signals } = facts
  return [
    ...(hasControl(facts) && signals.has('temperature.set_value') ? temperatureRules(facts, choice) : []),
    ...limitationRule(facts),
    ...(hasTemperature(signals) ? offHotRules(facts, choice) : []),
    ...ratingRule(facts, choice),
    ...reserveRule(facts),
    ...limitRules(facts, choice),
    ...unitErrorRules(facts),
    {
      ...usual,
      ...worded('reading.missing'),
      condition: { kind: 'no_reading', after_ms: SILENCE.alarm_ms },
      priority: 'medium',
      onDelay_ms: 0,
      offDelay_ms: 0,
      suppressedBy: ['contact.lost', 'contact.lost_hot'],
    },
  ]
}

/** A lost unit is one alarm, and which of the two depends on how it was last seen. */
export function defaultUnitRules(): RuleDraft[] {
  const contact = (hot: boolean): Condition => ({ kind: 'contact_lost', after_ms: SILENCE.alarm_ms, afterHot_ms: SILENCE.hot_ms, hot })
  return [
    { ...usual, ...worded('contact.lost'), condition: contact(false), priority: 'medium', onDelay_ms: 0, offDelay_ms: 0 },
    {
      ...usual,
      ...worded('contact.lost_hot'),
      condition: contact(true),
      priority: 'high',
      onDelay_ms: 0,
      offDelay_ms: 0,
      neverHidden: true,
    },
  ]
}

const CONTROL_SIGNALS = {
  main_line: 'temperature.main_line',
  return_line: 'temperature.return_line',
  external: 'temperature.external',
} as const
export function hasControl({ controlPoint, signals }: Pick<CircuitFacts, 'controlPoint' | 'signals'>): boolean {
  if (controlPoint === 'unit') return signals.has('temperature.actual') || signals.has('temperature.main_line')
  return signals.has(CONTROL_SIGNALS[controlPoint]) || signals.has('temperature.actual')
}
const hasTemperature = (signals: ReadonlySet<SignalName>): boolean =>
  (['temperature.actual', 'temperature.main_line', 'temperature.return_line', 'temperature.external'] as const).some((each) =>
    signals.has(each),
  )

function temperatureRules(facts: CircuitFacts, choice: CircuitChoice): RuleDraft[] {
  const { medium, controlPoint, tolerance } = facts
  const far = isFarSensor(controlPoint)
  const narrow_K = Math.min(tolerance.plus_K, tolerance.minus_K)
  const step_K = facts.step('control')
  const deadband = far ? Math.max(Math.min(FAR_SENSOR.deadband_K, narrow_K / 2), step_K) : bandDeadband(narrow_K, step_K)
  const delays = far ? { onDelay_ms: FAR_SENSOR.onDelay_ms, offDelay_ms: FAR_SENSOR.offDelay_ms } : seconds(DELAYS.temperature)
  const start = startDelay(medium, controlPoint, choice.startDistance_K, narrow_K)
  const reference = { kind: 'signal', signal: 'temperature.set_value' } as const
  return [
    {
      ...usual,
      ...worded('temperature.deviation'),
      condition: { kind: 'band', signal: 'control', reference, plus: tolerance.plus_K, minus: tolerance.minus_K, deadband },
      priority: 'medium',
      ...delays,
      start,
      armedByStart: true,
      suppressedBy: ['temperature.outer_high'],
      madeBy: ['tolerance', 'control_point', 'start_distance'],
    },
    {
      ...usual,
      ...worded('temperature.outer_high'),
      condition: {
        kind: 'high_above',
        signal: 'control',
        reference,
        offset: Math.max(BY_MEDIUM[medium].outer_K, 2 * tolerance.plus_K),
        deadband,
      },
      priority: 'high',
      ...seconds(DELAYS.outer),
      // A start never holds it back. A set value that was lowered does, until the circuit has followed: else every cooling down would be an alarm.
      start: { ...start, onStart: false, hold_ms: 0 },
      armedByStart: true,
      madeBy: [],
    },
  ]
}

function limitationRule({ signals, step }: CircuitFacts): RuleDraft[] {
  const signal = signals.has('temperature.main_line') ? 'temperature.main_line' : 'temperature.actual'
  if (!signals.has('temperature.limitation') || !signals.has(signal)) return []
  const reference = { kind: 'signal', signal: 'temperature.limitation' } as const
  return [
    {
      ...usual,
      ...worded('temperature.limitation'),
      condition: { kind: 'high_above', signal, reference, offset: 0, deadband: Math.max(1, step(signal)) },
      priority: 'high',
      ...seconds(DELAYS.outer),
      neverHidden: true,
    },
  ]
}

function offHotRules({ medium }: CircuitFacts, choice: CircuitChoice): RuleDraft[] {
  const warn_degC = choice.switchOff_degC ?? BY_MEDIUM[medium].switchOff_degC
  const rule = (id: 'off_hot.warn' | 'off_hot.high', limit_degC: number, priority: Priority, madeBy: readonly string[]): RuleDraft => ({
    ...usual,
    ...worded(id),
    condition: { kind: 'switched_off_hot', limit_degC, deadband_K: OFF_HOT_DEADBAND_K },
    priority,
    ...seconds(DELAYS.offHot),
    // The graver of the two speaks for both.
    suppressedBy: id === 'off_hot.warn' ? ['off_hot.high'] : [],
    neverHidden: true,
    madeBy,
  })
  return [rule('off_hot.warn', warn_degC, 'medium', ['switch_off']), rule('off_hot.high', BY_MEDIUM[medium].veryHot_degC, 'high', [])]
}

function ratingRule({ signals, step }: CircuitFacts, choice: CircuitChoice): RuleDraft[] {
  const signal = 'pressure.main_line'
  if (choice.pressureRating_bar === null || !signals.has(signal)) return []
  const limit = decimal(choice.pressureRating_bar * RATING_SHARE)
  return [
    {
      ...usual,
      ...worded('pressure.main_line.rating'),
      condition: { kind: 'high', signal, limit, deadband: limitDeadband(signal, limit, step(signal)) },
      priority: 'high',
      ...seconds(DELAYS.pressure),
      madeBy: ['pressure_rating'],
    },
  ]
}

function reserveRule({ signals, step }: CircuitFacts): RuleDraft[] {
  if (!signals.has('regulation_ratio') || !signals.has('temperature.set_value')) return []
  // 'From 98 % upward' on a rule that is strict about its limit: just below it, by less than any unit tells apart.
  const limit = decimal(RESERVE.limit_percent - Math.min(0.1, step('regulation_ratio') || 0.1))
  return [
    {
      ...usual,
      ...worded('no_reserve'),
      condition: { kind: 'high', signal: 'regulation_ratio', limit, deadband: RESERVE.deadband_percent },
      priority: 'low',
      ...seconds(DELAYS.noReserve),
      phases: ['in_tolerance'],
    },
  ]
}

const SIDES = [
  ['high_high', 'high', 'high'],
  ['high', 'high', 'medium'],
  ['low', 'low', 'medium'],
  ['low_low', 'low', 'high'],
] as const

/** Limits that the site gives in numbers. One rule each; while the outer one is active it holds back the inner one. */
function limitRules(facts: CircuitFacts, choice: CircuitChoice): RuleDraft[] {
  return Object.entries(choice.limits).flatMap(([name, given]) => {
    const measure = signalInfo(name)?.measure
    if (measure === undefined) return []
    return SIDES.flatMap(([key, kind, priority]): RuleDraft[] => {
      const limit = given[key]
      // Numbers only: text was turned into a number of the signal's unit before.
      if (typeof limit !== 'number' || !isKnown(name, facts.signals)) return []
      const outer = key === 'high' ? 'high_high' : key === 'low' ? 'low_low' : null
      const delays =
        measure === 'l_min' ? DELAYS.flow : measure === 'bar' ? DELAYS.pressure : measure === 'degC' ? DELAYS.temperature : DELAYS.other
      return [
        {
          ...usual,
          id: `${name}.${key}`,
          words: limitWords(name, kind),
          condition: { kind, signal: name, limit, deadband: limitDeadband(name, limit, facts.step(name)) },
          priority,
          ...seconds(delays),
          // Too little is usual while a circuit stands still; too much never is.
          armedByStart: kind === 'low' && facts.tellsPhase,
          suppressedBy: outer !== null && given[outer] !== undefined ? [`${name}.${outer}`] : [],
          madeBy: [`limits ${name}`],
        },
      ]
    })
  })
}
const isKnown = (name: string, signals: ReadonlySet<string>): name is SignalName => signals.has(name)

/** Flow 3 %, pressure 2 % of the limit, temperatures 1 K, anything else 2 %; never less than one step of the sensor. */
export function limitDeadband(signal: SignalName, limit: number, step: number): number {
  const measure = signalInfo(signal)?.measure ?? 'state'
  if (measure === 'degC' || measure === 'K') return Math.max(1, step)
  if (measure === 'state' || measure === 'count') return 0
  return decimal(Math.max(Math.abs(limit) * (DEADBAND_SHARE[measure] ?? 0.02), step))
}

function unitErrorRules({ signals }: CircuitFacts): RuleDraft[] {
  const tells = signals.has('active_errors')
  const bands = (['high', 'medium', 'low'] as const).map((priority): RuleDraft => ({
    ...usual,
    ...worded(`unit_errors.${priority}`),
    condition: { kind: 'unit_errors', minSeverity: SEVERITY_BANDS[priority][0], maxSeverity: SEVERITY_BANDS[priority][1] },
    priority,
    onDelay_ms: 0,
    offDelay_ms: 0,
  }))
  const contact: RuleDraft = {
    ...usual,
    ...worded('alarm_contact'),
    condition: { kind: 'off_normal', signal: 'alarm_contact', normal: 0 },
    // Where the unit tells its errors, the contact says the same less well; where it does not, the contact is all there is.
    priority: tells ? 'medium' : 'high',
    onDelay_ms: 2000,
    offDelay_ms: 2000,
    suppressedBy: tells ? bands.map((band) => band.id) : [],
  }
  return [...(tells ? bands : []), ...(signals.has('alarm_contact') ? [contact] : [])]
}

/** Signals without which rules of this circuit cannot judge. */
export function badSignalRule(watched: readonly (SignalName | 'control')[]): RuleDraft {
  return {
    ...usual,
    ...worded('signal.bad'),
    condition: { kind: 'bad_signal', signals: watched },
    priority: 'medium',
    ...seconds(DELAYS.badSignal),
    suppressedBy: ['contact.lost', 'contact.lost_hot', 'reading.missing'],
  }
}

/** 12 digits are finer than any sensor and take off what binary fractions leave behind: 0.9 x 10.1. */
const decimal = (value: number): number => Number(value.toPrecision(12))
