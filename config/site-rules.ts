import type { Measure, SignalName } from '../rules/signals.ts'
import { badSignalRule, limitDeadband, type RuleDraft } from './default-rules.ts'
import { bandDeadband, MAX_SHELVE, RE_ALARM_MS, SEVERITY } from './defaults.ts'
import { measureOf, ownRule, read, type RuleContext } from './own-rule.ts'
import type { Condition, Priority, RulePlan, RuleWords, StartDelay } from './plan.ts'
import { forbiddenWord, isDefaultRule, RULE_WORDS } from './rule-words.ts'
import type { RuleSettings } from './site-schema.ts'

const UNIT_RULES = new Set(['contact.lost', 'contact.lost_hot'])
export const belongsToUnit = (id: string): boolean => UNIT_RULES.has(id)

/** Default rules with the site's changes laid over them, and the site's own rules, in one list. */
export function finishRules(drafts: readonly RuleDraft[], context: RuleContext): RulePlan[] {
  const byId = new Map(drafts.map((draft) => [draft.id, draft]))
  for (const [id, given] of Object.entries(context.rules)) {
    if (belongsToUnit(id) !== (context.facts === null)) continue
    const draft = byId.get(id) ?? ownRule(id, given, context)
    if (draft === null) continue
    if (given.enabled === false) {
      if (draft.neverHidden) {
        context.complain(
          'warning',
          `rules ${id}`,
          ['enabled'],
          `switches off "${RULE_WORDS_OF(id)}", which is otherwise never hidden. Nobody will be told of it.`,
        )
      }
      byId.delete(id)
      continue
    }
    byId.set(id, change(draft, given, context))
  }
  const kept = [...byId.values()]
  if (context.facts !== null) {
    const bad = badRule(kept, context)
    if (bad !== null) kept.push(bad)
  }
  for (const draft of kept) check(draft, context)
  const ids = new Set(kept.map((draft) => draft.id))
  return kept.map((draft) => finish(draft, context, ids))
}

const RULE_WORDS_OF = (id: string): string => (isDefaultRule(id) ? RULE_WORDS[id].what : id)

/** All signals that some rule of the circuit compares, so that the loss of one is told. */
function badRule(drafts: readonly RuleDraft[], context: RuleContext): RuleDraft | null {
  const watched = new Set<SignalName | 'control'>()
  for (const { condition } of drafts) {
    if ('signal' in condition) watched.add(condition.signal)
    if ('reference' in condition && condition.reference.kind === 'signal') watched.add(condition.reference.signal)
  }
  const given = context.rules['signal.bad'] ?? {}
  if (watched.size === 0 || given.enabled === false) return null
  return change(badSignalRule([...watched]), given, context)
}

/** A draft with the site's numbers in the place of the default ones. */
function change(draft: RuleDraft, given: RuleSettings, context: RuleContext): RuleDraft {
  const setting = `rules ${draft.id}`
  const priority = given.priority ?? draft.priority
  return {
    ...draft,
    condition: changeCondition(draft, given, context),
    priority,
    onDelay_ms: given.on_delay ?? draft.onDelay_ms,
    offDelay_ms: given.off_delay ?? draft.offDelay_ms,
    start: changeStart(draft, given, context),
    armedByStart: given.armed_by_start ?? draft.armedByStart,
    phases: given.phases ?? draft.phases,
    words: changeWords(draft, given, context),
    madeBy: [setting, ...draft.madeBy],
  }
}

type Key = 'limit' | 'plus' | 'minus' | 'deadband' | 'after' | 'after_hot' | 'tolerance' | 'expected'
const TAKES: Readonly<Record<Condition['kind'], readonly Key[]>> = {
  high: ['limit', 'deadband'],
  low: ['limit', 'deadband'],
  band: ['plus', 'minus', 'deadband'],
  high_above: ['plus', 'deadband'],
  off_normal: [],
  discrepancy: ['tolerance', 'expected'],
  no_reading: ['after'],
  contact_lost: ['after', 'after_hot'],
  bad_signal: [],
  switched_off_hot: ['limit', 'deadband'],
  unit_errors: [],
}
const KEYS: readonly Key[] = ['limit', 'plus', 'minus', 'deadband', 'after', 'after_hot', 'tolerance', 'expected']

function changeCondition(draft: RuleDraft, given: RuleSettings, context: RuleContext): Condition {
  const { condition } = draft
  const setting = `rules ${draft.id}`
  const takes = TAKES[condition.kind]
  for (const key of KEYS) {
    if (given[key] !== undefined && !takes.includes(key)) {
      context.complain(
        'error',
        setting,
        [key],
        `the rule ${draft.id} has no ${key}. ${takes.length === 0 ? 'Take it out.' : `It takes ${takes.join(', ')}.`}`,
      )
    }
  }
  const measure = 'signal' in condition ? measureOf(condition.signal) : 'degC'
  const difference = measure === 'degC' ? 'K' : measure
  const number = (key: 'limit' | 'plus' | 'minus' | 'deadband' | 'tolerance', as: Measure, usual: number): number => {
    const value = given[key]
    return value === undefined || !takes.includes(key) ? usual : (read(value, as, setting, [key], context) ?? usual)
  }
  const step = 'signal' in condition ? (context.facts?.step(condition.signal) ?? 0) : 0
  switch (condition.kind) {
    case 'high':
    case 'low': {
      const limit = number('limit', measure, condition.limit)
      const usual =
        limit === condition.limit || condition.signal === 'control' ? condition.deadband : limitDeadband(condition.signal, limit, step)
      return { ...condition, limit, deadband: number('deadband', difference, usual) }
    }
    case 'band': {
      const plus = number('plus', difference, condition.plus)
      const minus = number('minus', difference, condition.minus)
      const same = plus === condition.plus && minus === condition.minus
      return {
        ...condition,
        plus,
        minus,
        deadband: number('deadband', difference, same ? condition.deadband : bandDeadband(Math.min(plus, minus), step)),
      }
    }
    case 'high_above':
      return {
        ...condition,
        offset: number('plus', difference, condition.offset),
        deadband: number('deadband', difference, condition.deadband),
      }
    case 'discrepancy':
      return {
        ...condition,
        tolerance: number('tolerance', difference, condition.tolerance),
        expected_ms: given.expected ?? condition.expected_ms,
      }
    case 'switched_off_hot':
      return {
        ...condition,
        limit_degC: number('limit', 'degC', condition.limit_degC),
        deadband_K: number('deadband', 'K', condition.deadband_K),
      }
    case 'no_reading':
      return { ...condition, after_ms: given.after ?? condition.after_ms }
    case 'contact_lost':
      return { ...condition, after_ms: given.after ?? condition.after_ms, afterHot_ms: given.after_hot ?? condition.afterHot_ms }
    case 'off_normal':
    case 'bad_signal':
    case 'unit_errors':
      return condition
  }
  return condition
}

function changeStart(draft: RuleDraft, given: RuleSettings, context: RuleContext): StartDelay | null {
  const wish = given.start
  if (wish === undefined) return draft.start
  if (draft.neverHidden) {
    context.complain('error', `rules ${draft.id}`, ['start'], `the rule ${draft.id} is never held back by a start. Take start out.`)
    return draft.start
  }
  const usual: StartDelay = draft.start ?? {
    timeout_ms: 0,
    hold_ms: 0,
    onStart: true,
    onSetValue: false,
    setValueStep: 0,
    cap_ms: null,
    capWindow_ms: 4 * 3_600_000,
  }
  const timeout_ms = wish.timeout ?? usual.timeout_ms
  return {
    timeout_ms,
    // A time-out that somebody chose counts whatever the way to go.
    ...(wish.timeout === undefined && usual.pace !== undefined ? { pace: usual.pace } : {}),
    hold_ms: wish.hold ?? usual.hold_ms,
    onStart: wish.on_start ?? usual.onStart,
    onSetValue: wish.on_set_value ?? usual.onSetValue,
    setValueStep: wish.set_value_step ?? usual.setValueStep,
    cap_ms: wish.cap ?? (usual.cap_ms === null ? null : 2 * timeout_ms),
    capWindow_ms: wish.cap_window ?? usual.capWindow_ms,
  }
}

function changeWords(draft: RuleDraft, given: RuleSettings, context: RuleContext): RuleWords {
  const wish = given.words
  if (wish === undefined) return draft.words
  const judge = (kind: 'first_step' | 'other', key: string, text: string): void => {
    const word = forbiddenWord(kind, text)
    if (word !== null) {
      context.complain(
        'error',
        `rules ${draft.id}`,
        ['words', key],
        `says "${word}". A message here never calls anything safe and never has anyone open, bleed, tighten or disconnect: the circuit may be hot and under pressure. Say what to look at, or whom to ask.`,
      )
    }
  }
  if (wish.what !== undefined) judge('other', 'what', wish.what)
  if (wish.consequence !== undefined) judge('other', 'consequence', wish.consequence)
  for (const cause of wish.causes ?? []) judge('other', 'causes', cause)
  if (wish.first_step !== undefined) judge('first_step', 'first_step', wish.first_step)
  return {
    what: wish.what ?? draft.words.what,
    causes: wish.causes ?? draft.words.causes,
    firstStep: wish.first_step ?? draft.words.firstStep,
    consequence: wish.consequence ?? draft.words.consequence,
    respond_ms: wish.respond ?? draft.words.respond_ms,
  }
}

/** What could never be right: an alarm that cannot clear, or cannot come. */
function check(draft: RuleDraft, context: RuleContext): void {
  const { condition } = draft
  const own = context.lines[`rules ${draft.id}`] !== undefined
  const setting = own ? `rules ${draft.id}` : (draft.madeBy.find((each) => context.lines[each] !== undefined) ?? `rules ${draft.id}`)
  const complain = (key: string, text: string): void => context.complain('error', setting, own ? [key] : [], text)
  const deadband = 'deadband' in condition ? condition.deadband : 'deadband_K' in condition ? condition.deadband_K : 0
  if (deadband < 0) complain('deadband', `the deadband of ${draft.id} is ${deadband}; it cannot be negative. Write 0 or more.`)
  if (condition.kind === 'band') {
    const { plus, minus } = condition
    if (plus < 0 || minus < 0 || plus + minus === 0)
      complain('plus', `the band of ${draft.id} is +${plus} / -${minus}; it has no width. Widen it.`)
    else if (2 * deadband >= plus + minus || deadband > Math.min(plus, minus)) {
      const most = Math.min(plus, minus)
      complain(
        'deadband',
        `the deadband of ${draft.id} is ${deadband} but the tolerance only +${plus} / -${minus}, so that the alarm could never clear. ${own ? `Lower the deadband below ${most}.` : 'The sensor tells no smaller steps apart: widen the tolerance.'}`,
      )
    }
  }
  if (condition.kind === 'discrepancy' && condition.tolerance < 0)
    complain('tolerance', `the tolerance of ${draft.id} is negative. Write 0 or more.`)
  const respond_ms = draft.words.respond_ms
  if (respond_ms !== null && draft.onDelay_ms >= respond_ms) {
    context.complain(
      'warning',
      setting,
      own ? ['on_delay'] : [],
      `${draft.id} waits ${draft.onDelay_ms / 1000} s before it comes, and leaves no time: what it warns of can be averted for ${respond_ms / 1000} s. Shorten on_delay.`,
    )
  }
}

function finish(draft: RuleDraft, context: RuleContext, ids: ReadonlySet<string>): RulePlan {
  const given = context.rules[draft.id] ?? {}
  const maxShelve_ms = given.max_shelve ?? MAX_SHELVE.usual_ms
  if (draft.neverHidden && maxShelve_ms > MAX_SHELVE.neverHidden_ms && given.max_shelve !== undefined) {
    context.complain(
      'error',
      `rules ${draft.id}`,
      ['max_shelve'],
      `the rule ${draft.id} may be shelved for 30 min at most. Lower max_shelve.`,
    )
  }
  return {
    id: draft.id,
    alarm: `${context.owner}:${draft.id}`,
    condition: draft.condition,
    priority: draft.priority,
    severity: severityOf(draft, given, context),
    onDelay_ms: draft.onDelay_ms,
    offDelay_ms: draft.offDelay_ms,
    latch: given.latch ?? false,
    reAlarm_ms: given.re_alarm ?? RE_ALARM_MS[draft.priority],
    reAlarmMax: given.re_alarm_max ?? null,
    maxShelve_ms: draft.neverHidden ? Math.min(maxShelve_ms, MAX_SHELVE.neverHidden_ms) : maxShelve_ms,
    armedByStart: draft.armedByStart,
    start: draft.start,
    phases: draft.phases,
    // A rule that was switched off holds nothing back; the rules of the unit stand in another list.
    suppressedBy: draft.suppressedBy.filter((id) => ids.has(id) || belongsToUnit(id)),
    neverHidden: draft.neverHidden,
    staleAfter_ms: context.staleAfter_ms,
    words: draft.words,
    line: draft.madeBy.map((setting) => context.lines[setting]).find((line) => line !== undefined) ?? 'default',
  }
}

const BANDS: Readonly<Record<Priority, readonly [number, number]>> = { high: [667, 1000], medium: [334, 666], low: [1, 333] }
function severityOf(draft: RuleDraft, given: RuleSettings, context: RuleContext): number {
  if (given.severity === undefined) return SEVERITY[draft.priority]
  const [least, most] = BANDS[draft.priority]
  if (given.severity < least || given.severity > most) {
    context.complain(
      'error',
      `rules ${draft.id}`,
      ['severity'],
      `severity ${given.severity} is not of priority ${draft.priority} (${least}..${most}). Change one of the two.`,
    )
  }
  return given.severity
}
