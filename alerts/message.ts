import type { PlacePlan, Plan } from '../config/plan.ts'
import type { AlarmEvent } from '../rules/event.ts'
import { explainText, numbersOf, PREFIX } from './explain.ts'
import { caution, firstStep, handsOff, hazardOf, laterStep } from './first-step.ts'
import { clip, foreign, tellsHandsOn } from './foreign-text.ts'
import { siteTime, utc, utcOrNull } from './local-time.ts'
import type { AlarmMessage } from './payloads.ts'
import { indexOf, type RuleAt } from './plan-index.ts'
import { digitsOf, quantity } from './quantity-text.ts'

/** Past this between happening and sending, a message says that it is late. */
export const LATE_MS = 60_000
/** Together with value and priority these keep place, what and how bad within 120 characters. */
const PLACE_MOST = 44
const WHAT_MOST = 46

export interface MessageFacts {
  /** Event id. */
  readonly id: string
  /** False where the store could not keep the event. */
  readonly recorded?: boolean
}

/** What people are told about an event. Pure: the same event, plan and time make the same message. now_ms: when it is made. */
export function messageFor(event: AlarmEvent, plan: Plan, now_ms: number, facts: MessageFacts): AlarmMessage {
  const at = indexOf(plan).alarms.get(event.alarm) ?? null
  const place = placeOf(event, plan)
  const hazard = hazardOf(event)
  const off = handsOff(hazard)
  const words = at?.rule.words ?? null
  const respond_ms = event.annunciate ? (words?.respond_ms ?? null) : null
  const actBefore_ms = respond_ms === null ? null : event.at_ms + respond_ms
  const told = (text: string, most: number): string => hushed(foreign(text, most), off)
  const message: AlarmMessage = {
    schema: 'mouldtend/alarm-event/1',
    id: facts.id,
    event: event.event,
    alarm: event.alarm,
    site: plan.site,
    time_zone: plan.timezone,
    place: { id: place.id, name: place.name, machine: place.machine, half: place.half, connection: place.connection },
    unit: event.unit,
    circuit: event.circuit,
    rule: event.rule,
    priority: event.priority,
    severity: event.severity,
    activation: event.activation,
    event_no: event.eventNo,
    state: event.shown,
    core: event.core,
    state_before: event.shownBefore,
    annunciate: event.annunciate,
    at: utc(event.at_ms),
    since: utcOrNull(event.since_ms),
    raised: utcOrNull(event.raised_ms),
    act_before: utcOrNull(actBefore_ms),
    signal: event.signal,
    measure: event.measure,
    value: event.value,
    limit: event.limit,
    deadband: event.deadband,
    set_value: event.set_value,
    quality: event.quality,
    phase: event.context.phase,
    phase_derived: event.context.phaseDerived,
    hottest_degC: event.context.hottest_degC,
    pressure_bar: event.context.pressure_bar,
    unit_errors: event.context.errors.map(({ id, text, severity }) => ({ id, text, severity })),
    hands_off: off,
    why: event.why,
    by: event.by,
    from: event.from,
    comment: event.comment,
    command: event.command,
    until: utcOrNull(event.until_ms),
    count: event.count,
    plan_version: event.planVersion,
    headline: headline(event, at, place),
    lines: {
      since: sinceLine(event, plan.timezone),
      caution: caution(hazard, event, hottestText(event, at), pressureText(event)),
      causes: (words?.causes ?? [])
        .slice(0, 3)
        .map((cause) => told(cause, 80))
        .filter((cause) => cause !== ''),
      first_step: firstStep(hazard, at?.rule.condition ?? null, event, words?.firstStep ?? ''),
      act_before: actBefore_ms === null ? null : siteTime(actBefore_ms, now_ms, plan.timezone, false),
      consequence: told(words?.consequence ?? '', 120),
      taken: takenLine(event, plan.timezone),
      late: noticedLate(event, plan, now_ms),
      unrecorded: facts.recorded === false ? 'Not recorded: the store could not keep this event; a gap is noted when it can.' : null,
      explanation: explainText(event, plan),
    },
    text: '',
    made: utc(now_ms),
    sent: null,
    late: now_ms - event.at_ms > LATE_MS,
    recorded: facts.recorded !== false,
  }
  return { ...message, text: textOf(message) }
}

/**
 * The message as it leaves: with the time of sending, and saying so where it comes late. A late message asks for the cautious first
 * step, since nobody knows what the circuit has become meanwhile.
 */
export function finished(message: AlarmMessage, sent_ms: number): AlarmMessage {
  const at_ms = Date.parse(message.at)
  const late = sent_ms - at_ms > LATE_MS
  if (!late) return { ...message, sent: utc(sent_ms) }
  const said = message.lines.late ?? `Told late: happened ${siteTime(at_ms, sent_ms, message.time_zone, false)}, connection was down.`
  const passed = message.act_before !== null && Date.parse(message.act_before) <= sent_ms
  const lines = {
    ...message.lines,
    late: said,
    first_step: laterStep(message),
    act_before: passed && message.lines.act_before !== null ? `${message.lines.act_before} (passed)` : message.lines.act_before,
  }
  const whole = { ...message, lines, late, sent: utc(sent_ms) }
  return { ...whole, text: textOf(whole) }
}

function placeOf(event: AlarmEvent, plan: Plan): PlacePlan {
  const known = indexOf(plan).places.get(event.place)
  if (known !== undefined) return known
  const name = event.place === '' ? `unit ${event.unit} (no place given)` : event.place
  return { id: event.place, name, machine: '', half: '', connection: '' }
}

/** Place, what, how bad: in this order and within the first 120 characters, however long the names of a site are. */
function headline(event: AlarmEvent, at: RuleAt | null, place: PlacePlan): string {
  const name = foreign(place.name === '' ? place.id : place.name, PLACE_MOST)
  const what = foreign(at?.rule.words.what ?? event.rule, WHAT_MOST)
  const said = clip(`${PREFIX[event.event]}${what}`, WHAT_MOST)
  return `${name}: ${said} – ${howBad(event, at)}`
}

function howBad(event: AlarmEvent, at: RuleAt | null): string {
  const word = event.priority.toUpperCase()
  const { value, limits, digits } = numbersOf(event, at)
  const condition = at?.rule.condition ?? null
  if (condition?.kind === 'contact_lost' || condition?.kind === 'no_reading') {
    const hottest = hottestText(event, at)
    const seen = hottest === null ? 'never seen' : `last seen ${hottest}`
    return handsOff(hazardOf(event)) ? `${word}, ${seen}, state unknown, treat as hot` : `${word}, ${seen}`
  }
  if (condition?.kind === 'unit_errors' && event.context.errors[0] !== undefined) {
    const first = event.context.errors[0]
    return `${word}, unit says "${foreign(first.id, 20)} ${foreign(first.text, 60)}"`
  }
  if (value === null) return event.quality === 'bad' ? `${word}, no value (quality bad)` : word
  const { reference } = event.explain
  if (condition?.kind === 'band' && reference !== null) return `${word}, ${value} instead of ${quantity(reference, event.measure, digits)}`
  return `${word}, ${value}${limits === null || event.measure === 'state' ? '' : `, limit ${limits}`}`
}

function hottestText(event: AlarmEvent, at: RuleAt | null): string | null {
  const { hottest_degC } = event.context
  if (hottest_degC === null) return null
  // A tenth is as fine as a warning needs, whatever the sensor's step.
  return quantity(hottest_degC, 'degC', Math.min(1, digitsOf('temperature.main_line', 'degC', at?.circuit ?? null)))
}
const pressureText = (event: AlarmEvent): string | null =>
  event.context.pressure_bar === null ? null : quantity(event.context.pressure_bar, 'bar', 1)

function sinceLine(event: AlarmEvent, timezone: string): string {
  const time = (at_ms: number): string => siteTime(at_ms, event.at_ms, timezone)
  const since = event.since_ms === null ? null : `Since ${time(event.since_ms)}`
  const raised = event.raised_ms === null || event.event === 'raised' ? null : `raised ${time(event.raised_ms)}`
  const own = `${since === null && raised === null ? event.event.charAt(0).toUpperCase() + event.event.slice(1) : event.event} ${time(event.at_ms)}`
  return `${[since, raised, own.replaceAll('_', ' ')].filter((part) => part !== null).join(', ')}.`
}

function takenLine(event: AlarmEvent, timezone: string): string {
  if (event.event === 'acknowledged') {
    return `Acknowledged by ${event.by === null ? 'somebody' : foreign(event.by, 60)} ${siteTime(event.at_ms, event.at_ms, timezone)}.`
  }
  switch (event.core) {
    case 'unack_active':
    case 'rtn_unack':
    case 'latched_unack':
      return 'Nobody has acknowledged it yet.'
    case 'latched_ack':
      return 'Acknowledged; waits for reset.'
    case 'ack_active':
      return 'Acknowledged.'
    case 'normal':
      return ''
  }
}

/** The engine can learn late of what happened (mouldtend was down): then it is not the way to the receiver that was slow. */
function noticedLate(event: AlarmEvent, plan: Plan, now_ms: number): string | null {
  if (now_ms - event.at_ms <= LATE_MS) return null
  return `Told late: happened ${siteTime(event.at_ms, now_ms, plan.timezone, false)}, noticed ${siteTime(now_ms, now_ms, plan.timezone, false)}.`
}

/** Causes and consequences are no steps, but one worded like a step must not reach people at a hot circuit. */
const hushed = (text: string, off: boolean): string => (off && tellsHandsOn(text) ? '' : text)

function textOf(message: AlarmMessage): string {
  const { lines } = message
  const causes = lines.causes.length === 0 ? null : `Likely: ${lines.causes.join('; ')}.`
  const before =
    lines.act_before === null ? null : `Act before ${lines.act_before}${lines.consequence === '' ? '.' : `, else: ${lines.consequence}.`}`
  const rest = [lines.late, lines.since, causes, lines.caution, `First: ${lines.first_step}`, before, lines.taken, lines.unrecorded]
  return [message.headline, ...rest.filter((line) => line !== null && line !== '')].join('\n')
}
