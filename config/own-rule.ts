import { isSignalName, signalInfo, SIGNALS, type Measure, type SignalName } from '../rules/signals.ts'
import { limitDeadband, type CircuitFacts, type RuleDraft } from './default-rules.ts'
import { bandDeadband, DELAYS } from './defaults.ts'
import { suggestion } from './finding.ts'
import type { Condition, Reference } from './plan.ts'
import { parseQuantity } from './quantity.ts'
import { isDefaultRule, limitWords, RULE_WORDS } from './rule-words.ts'
import type { RuleSettings } from './site-schema.ts'

/** Something about a setting: `setting` as in CircuitChoice.lines, `below` the keys under it. */
export type Complain = (level: 'error' | 'warning', setting: string, below: readonly string[], text: string) => void

export interface RuleContext {
  /** Circuit key or unit id: what the alarm ids start with. */
  readonly owner: string
  /** null for the rules of a whole unit. */
  readonly facts: CircuitFacts | null
  readonly rules: Readonly<Record<string, RuleSettings>>
  readonly broad: readonly string[]
  readonly lines: Readonly<Record<string, string>>
  readonly staleAfter_ms: number
  readonly complain: Complain
}

/** A rule of the site's own, or null with a complaint. */
export function ownRule(id: string, given: RuleSettings, context: RuleContext): RuleDraft | null {
  const setting = `rules ${id}`
  if (id === 'signal.bad') return null
  if (given.kind === undefined) {
    // A rule named for the whole site need not fit each circuit; one that is no rule at all is told all the same.
    if (isDefaultRule(id)) {
      if (!context.broad.includes(id)) {
        context.complain(
          'error',
          setting,
          [],
          `this circuit cannot have the rule ${id}: its map does not give the signals that it needs. Take the rule out here, or complete the map.`,
        )
      }
      return null
    }
    const near = suggestion(id, Object.keys(RULE_WORDS))
    context.complain(
      'error',
      setting,
      [],
      `there is no such rule. ${near} For a rule of your own add kind and signal; a plain limit goes under limits.`,
    )
    return null
  }
  if (isDefaultRule(id)) {
    context.complain(
      'error',
      setting,
      ['kind'],
      `${id} is a default rule and keeps its kind. Leave kind out, or choose another name for a rule of your own.`,
    )
    return null
  }
  if (!/^[a-z0-9_]+(?:\.[a-z0-9_]+)*$/.test(id)) {
    context.complain(
      'error',
      setting,
      [],
      'the name of a rule is small letters, digits and underscores, parted by dots. Write it like "cooling.too_warm".',
    )
    return null
  }
  const { signal } = given
  if (signal === undefined) {
    context.complain('error', setting, [], 'says kind but no signal. Add signal.')
    return null
  }
  if (signal !== 'control' && !isSignalName(signal)) {
    context.complain('error', setting, ['signal'], `there is no signal "${signal}". ${suggestion(signal, Object.keys(SIGNALS))}`)
    return null
  }
  if (signal !== 'control' && context.facts?.signals.has(signal) !== true) {
    missing(signal, setting, ['signal'], id, context)
    return null
  }
  const condition = ownCondition(id, signal, given, context)
  if (condition === null) return null
  const side = condition.kind === 'low' ? 'low' : 'high'
  return {
    id,
    condition,
    priority: 'medium',
    onDelay_ms: DELAYS.other.on_ms,
    offDelay_ms: DELAYS.other.off_ms,
    start: null,
    armedByStart: false,
    phases: null,
    suppressedBy: [],
    neverHidden: false,
    words:
      condition.kind === 'high' || condition.kind === 'low'
        ? limitWords(signal, side)
        : { ...limitWords(signal, side), what: `${id.replaceAll(/[._]/g, ' ')}: condition met` },
    madeBy: [],
  }
}

function missing(signal: string, setting: string, below: readonly string[], id: string, context: RuleContext): void {
  if (context.broad.includes(id)) return
  const there = [...(context.facts?.signals ?? [])]
  context.complain('error', setting, below, `the map of this circuit does not give ${signal}. ${suggestion(signal, there)}`)
}

function ownCondition(id: string, signal: SignalName | 'control', given: RuleSettings, context: RuleContext): Condition | null {
  const setting = `rules ${id}`
  const measure = measureOf(signal)
  const difference = measure === 'degC' ? 'K' : measure
  const need = (key: 'limit' | 'plus' | 'minus' | 'tolerance', as: Measure): number | null => {
    const value = given[key]
    if (value === undefined) {
      context.complain('error', setting, [], `a rule of kind ${given.kind ?? ''} needs ${key}. Add it.`)
      return null
    }
    return read(value, as, setting, [key], context)
  }
  const step = context.facts?.step(signal) ?? 0
  switch (given.kind) {
    case 'high':
    case 'low': {
      const limit = need('limit', measure)
      if (limit === null) return null
      return { kind: given.kind, signal, limit, deadband: signal === 'control' ? Math.max(1, step) : limitDeadband(signal, limit, step) }
    }
    case 'off_normal':
      if (signal === 'control' || given.normal === undefined) {
        context.complain('error', setting, [], 'a rule of kind off_normal needs a state as signal, and its normal value. Add normal.')
        return null
      }
      return { kind: 'off_normal', signal, normal: given.normal }
    case 'band': {
      const [plus, minus, reference] = [need('plus', difference), need('minus', difference), referenceOf(id, signal, given, context)]
      return plus === null || minus === null || reference === null
        ? null
        : { kind: 'band', signal, reference, plus, minus, deadband: bandDeadband(Math.min(plus, minus), step) }
    }
    case 'high_above': {
      const [offset, reference] = [need('plus', difference), referenceOf(id, signal, given, context)]
      return offset === null || reference === null
        ? null
        : { kind: 'high_above', signal, reference, offset, deadband: bandDeadband(Math.abs(offset), step) }
    }
    case 'discrepancy': {
      const [tolerance, reference] = [need('tolerance', difference), referenceOf(id, signal, given, context)]
      if (given.expected === undefined)
        context.complain(
          'error',
          setting,
          [],
          'a rule of kind discrepancy needs expected, the time in which the target is to be reached. Add it.',
        )
      return tolerance === null || reference === null || given.expected === undefined
        ? null
        : { kind: 'discrepancy', signal, reference, expected_ms: given.expected, tolerance }
    }
    case undefined:
      return null
  }
  return null
}

function referenceOf(id: string, signal: SignalName | 'control', given: RuleSettings, context: RuleContext): Reference | null {
  const setting = `rules ${id}`
  const { reference } = given
  if (reference === undefined) {
    context.complain('error', setting, [], `a rule of kind ${given.kind ?? ''} needs a reference, a signal or a value. Add it.`)
    return null
  }
  if (typeof reference === 'string' && isSignalName(reference)) {
    if (context.facts?.signals.has(reference) === true) return { kind: 'signal', signal: reference }
    missing(reference, setting, ['reference'], id, context)
    return null
  }
  const value = read(reference, measureOf(signal), setting, ['reference'], context)
  return value === null ? null : { kind: 'fixed', value }
}

export const measureOf = (signal: SignalName | 'control'): Measure =>
  signal === 'control' ? 'degC' : (signalInfo(signal)?.measure ?? 'state')

export function read(
  value: string | number,
  measure: Measure,
  setting: string,
  below: readonly string[],
  context: RuleContext,
): number | null {
  const found = parseQuantity(value, measure)
  if (found.kind === 'ok') return found.value
  context.complain('error', setting, below, `expected ${found.expected}, found ${JSON.stringify(value)}. ${found.todo}`)
  return null
}
