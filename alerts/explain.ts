import type { CircuitPlan, Condition, Plan } from '../config/plan.ts'
import type { AlarmEvent, AlarmEventKind } from '../rules/event.ts'
import { foreign } from './foreign-text.ts'
import { duration, siteTime } from './local-time.ts'
import { controlSignal, indexOf, type RuleAt } from './plan-index.ts'
import { apartDigits, differenceOf, digitsOf, quantity, settingDigits } from './quantity-text.ts'

/** The event's numbers as text, each in the unit and with the digits that it really has. */
export interface Numbers {
  readonly digits: number
  readonly value: string | null
  readonly limits: string | null
}

export const signalName = (event: AlarmEvent, circuit: CircuitPlan | null): string | null =>
  event.signal === 'control' ? (controlSignal(circuit) ?? 'the control point') : event.signal

export function numbersOf(event: AlarmEvent, at: RuleAt | null): Numbers {
  const circuit = at?.circuit ?? null
  const resolved = event.signal === 'control' ? (controlSignal(circuit) ?? 'temperature.actual') : event.signal
  const digits = digitsOf(resolved, event.measure, circuit)
  const shown = event.value !== null && event.limit !== null ? apartDigits(event.value, event.limit, digits) : digits
  return {
    digits,
    value: event.value === null ? null : quantity(event.value, event.measure, shown),
    limits: event.limit === null ? null : quantity(event.limit, event.measure, settingDigits(event.limit, shown)),
  }
}

/** Why it came, in numbers: 'raised 14:03:20 because temperature.main_line was 143.4 °C, above 140.0 + 3.0 K, for 60 s'. */
export function explainText(event: AlarmEvent, plan: Plan): string {
  const at = indexOf(plan).alarms.get(event.alarm) ?? null
  const time = siteTime(event.at_ms, event.at_ms, plan.timezone)
  const tail = [armedText(event, plan), event.quality === 'good' ? '' : `quality ${event.quality}`].filter((part) => part !== '')
  return [`${event.event} ${time}${reason(event, at, plan)}`, ...tail].join('; ')
}

function armedText(event: AlarmEvent, plan: Plan): string {
  const { armed_ms } = event.explain
  return armed_ms === null ? '' : `armed since ${siteTime(armed_ms, event.at_ms, plan.timezone)}`
}

function reason(event: AlarmEvent, at: RuleAt | null, plan: Plan): string {
  switch (event.event) {
    case 'raised':
      return ` because ${condition(event, at)}${lasting(event.explain.onDelay_ms)}`
    case 're_alarmed':
      return `${event.count === null ? '' : ` for the ${ordinal(event.count)} time`} because ${condition(event, at)}`
    case 'returned':
      return event.why === null ? ` because ${back(event, at)}${lasting(event.explain.offDelay_ms)}` : ` (${foreign(event.why, 80)})`
    case 'shelved':
      return `${person(event)}${event.until_ms === null ? '' : `, until ${siteTime(event.until_ms, event.at_ms, plan.timezone)}`}`
    case 'late_sample':
      return event.late_ms === null
        ? ''
        : `: a reading of ${siteTime(event.late_ms, event.at_ms, plan.timezone)} came too late to be judged`
    case 'suppressed':
    case 'unsuppressed':
      return hidden(event)
    case 'acknowledged':
    case 'reset':
    case 'rejected':
    case 'inhibited':
    case 'armed':
    case 'disarmed':
    case 'quality_changed':
    case 'unshelved':
    case 'out_of_service':
    case 'in_service':
    case 'rule_changed':
    case 'rule_removed':
      return `${person(event)}${event.why === null ? '' : ` (${foreign(event.why, 80)})`}`
  }
}

const lasting = (delay_ms: number): string => (delay_ms === 0 ? '' : `, for ${duration(delay_ms)}`)
const person = (event: AlarmEvent): string =>
  event.by === null ? '' : ` by ${foreign(event.by, 60)}${event.from === null ? '' : ` (${foreign(event.from, 20)})`}`
const hidden = (event: AlarmEvent): string =>
  event.explain.hiddenBy.length === 0 ? person(event) : ` by ${event.explain.hiddenBy.slice(0, 3).join(', ')}`
const ordinal = (count: number): string =>
  `${count}${count % 100 >= 11 && count % 100 <= 13 ? 'th' : (['th', 'st', 'nd', 'rd'][count % 10] ?? 'th')}`

/** What was true, as the rule judged it. */
function condition(event: AlarmEvent, at: RuleAt | null): string {
  const rule = at?.rule.condition ?? null
  switch (rule?.kind) {
    case 'no_reading':
      return `there was no reading for ${duration(rule.after_ms)}`
    case 'contact_lost': {
      const after_ms = rule.hot ? rule.afterHot_ms : rule.after_ms
      return `there was no usable reading of the whole unit for ${duration(after_ms)}${rule.hot ? ' and it was hot when last seen' : ''}`
    }
    case 'bad_signal':
      return `${event.signal ?? rule.signals.join(', ')} was bad though readings came`
    case 'unit_errors':
      return event.context.errors.length === 0
        ? 'the unit reported an error'
        : `the unit reported ${event.context.errors
            .slice(0, 3)
            .map((error) => `"${foreign(error.id, 20)} ${foreign(error.text, 60)}"`)
            .join(', ')}`
    case 'switched_off_hot':
      return `it was switched off at ${valueOf(event, at)}, above ${settingOf(rule.limit_degC, event, at)}`
    case 'off_normal':
      return `${subject(event, at)} was ${stateText(event, at, event.value)}, normal is ${stateText(event, at, rule.normal)}`
    case 'high':
    case 'low':
    case 'band':
    case 'high_above':
    case 'discrepancy':
    case undefined:
      return `${subject(event, at)} was ${valueOf(event, at)}${beyond(event, at, rule)}`
  }
}

const subject = (event: AlarmEvent, at: RuleAt | null): string => signalName(event, at?.circuit ?? null) ?? 'the condition'
const valueOf = (event: AlarmEvent, at: RuleAt | null): string => numbersOf(event, at).value ?? 'without a value'
const back = (event: AlarmEvent, at: RuleAt | null): string =>
  event.value === null ? 'the condition was gone' : `${subject(event, at)} was ${valueOf(event, at)}`

function beyond(event: AlarmEvent, at: RuleAt | null, rule: Condition | null): string {
  const { reference, plus, minus } = event.explain
  const digits = numbersOf(event, at).digits
  const number = (value: number): string => value.toFixed(settingDigits(value, digits))
  const difference = (value: number): string => quantity(value, differenceOf(event.measure), settingDigits(value, digits))
  if (rule?.kind === 'discrepancy' && reference !== null) {
    return `, not within ${difference(rule.tolerance)} of ${settingOf(reference, event, at)} after ${duration(rule.expected_ms)}`
  }
  if (reference !== null && event.value !== null) {
    if (plus !== null && event.value > reference + plus) return `, above ${number(reference)} + ${difference(plus)}`
    if (minus !== null && event.value < reference - minus) return `, below ${number(reference)} - ${difference(minus)}`
  }
  if (event.limit === null) return ''
  const side = rule?.kind === 'low' || (event.value !== null && event.value < event.limit) ? 'below' : 'above'
  return `, ${side} ${settingOf(event.limit, event, at)}`
}

function settingOf(value: number, event: AlarmEvent, at: RuleAt | null): string {
  return quantity(value, event.measure ?? 'degC', settingDigits(value, numbersOf(event, at).digits))
}

/** The unit's own word for a state where the plan has one. */
function stateText(event: AlarmEvent, at: RuleAt | null, value: number | null): string {
  if (value === null) return 'without a value'
  const word = at?.circuit?.texts[event.signal ?? '']?.[String(value)]
  return word === undefined ? String(value) : `"${foreign(word, 40)}"`
}

/** Short word for what the event does to the alarm, before its name. Empty for a new alarm: the name alone then says it best. */
export const PREFIX: Readonly<Record<AlarmEventKind, string>> = {
  raised: '',
  re_alarmed: 'still ',
  returned: 'gone: ',
  acknowledged: 'acknowledged: ',
  reset: 'reset: ',
  rejected: 'rejected: ',
  inhibited: 'held back at start: ',
  armed: 'armed: ',
  disarmed: 'disarmed: ',
  quality_changed: 'quality changed: ',
  late_sample: 'late reading: ',
  shelved: 'shelved: ',
  unshelved: 'no longer shelved: ',
  suppressed: 'suppressed: ',
  unsuppressed: 'no longer suppressed: ',
  out_of_service: 'out of service: ',
  in_service: 'in service again: ',
  rule_changed: 'rule changed: ',
  rule_removed: 'rule removed: ',
}
