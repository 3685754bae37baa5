import type { RulePlan } from '../config/plan.ts'
import { isActive, shownState, SUPPRESSED_BY, ZONE, type AlarmState, type Usable, type Zone } from './alarm-state.ts'
import type { AlarmEventKind, CoreState, ShownState } from './event.ts'
import type { Command } from './input.ts'

/** What the alarm tells of itself when something happens; the engine around it adds place, context and numbers. */
export interface Happening {
  readonly event: AlarmEventKind
  readonly at_ms: number
  readonly before: CoreState
  readonly shownBefore: ShownState
  readonly why?: string
  readonly late_ms?: number
  readonly until_ms?: number
  readonly count?: number
  readonly command?: Command
}
export interface Alarm {
  readonly rule: RulePlan
  readonly state: AlarmState
  readonly tell: (happening: Happening) => void
}

/** Timers due at the same instant fire in this order (T5). stale is the circuit's, not the alarm's. */
export const RANK = { delay: 0, re_alarm: 1, start: 2, stale: 3, unshelve: 4 } as const
export type Rank = (typeof RANK)[keyof typeof RANK]

/** Tells of something that changes nothing. */
export function tell(alarm: Alarm, event: AlarmEventKind, at_ms: number, more: Omit<Partial<Happening>, 'event' | 'at_ms'> = {}): void {
  alarm.tell({ event, at_ms, before: alarm.state.core, shownBefore: shownState(alarm.state), ...more })
}

/** Changes the state and tells of it, with what was before. */
export function change(
  alarm: Alarm,
  event: AlarmEventKind,
  at_ms: number,
  set: (state: AlarmState) => void,
  more: Partial<Happening> = {},
): void {
  const before = alarm.state.core
  const shownBefore = shownState(alarm.state)
  set(alarm.state)
  alarm.tell({ ...more, event, at_ms, before, shownBefore })
}

// ---- what is seen ----

/** Takes in a value or its loss; concludes nothing yet, so that a start or a set-value change of the same instant comes first. */
export function observe(
  alarm: Alarm,
  at_ms: number,
  zone: Zone,
  quality: Usable,
  badWhy: string | null,
  value: number | null,
  reference: number | null,
): void {
  const { state } = alarm
  if (quality === 2) pause(state, at_ms)
  else {
    state.zone = zone
    state.value = value
    state.reference = reference
  }
  if (quality !== state.quality || (quality === 2 && badWhy !== state.badWhy)) {
    const changed = quality !== state.quality
    state.quality = quality
    state.badWhy = quality === 2 ? badWhy : null
    if (changed) tell(alarm, 'quality_changed', at_ms, badWhy === 'no_data' ? { why: badWhy } : {})
  }
}

/** Bad time counts towards no delay (T9), and breaks a hold. */
function pause(state: AlarmState, at_ms: number): void {
  if (state.pending && state.since_ms !== null) {
    state.spent_ms += at_ms - state.since_ms
    state.since_ms = null
  }
  state.holdSince_ms = null
}

/** Concludes from the last value. Starts, resumes and cancels delays; a delay's end is a timer (see fire). */
export function evaluate(alarm: Alarm, at_ms: number): void {
  const { rule, state } = alarm
  if (state.quality === 2 || state.arm === 'idle') return
  if (state.arm === 'inhibited') {
    if (state.zone === ZONE.beyond) {
      state.holdSince_ms = null
      return
    }
    state.holdSince_ms ??= at_ms
    if ((rule.start?.hold_ms ?? 0) > 0) return
    arm(alarm, at_ms, 'in_band')
  }
  const wanted = isActive(state.core) ? state.zone === ZONE.inactive : state.zone === ZONE.beyond
  if (!wanted) state.pending = false
  else if (!state.pending) begin(state, at_ms)
  else if (state.since_ms === null) state.since_ms = at_ms
}

function begin(state: AlarmState, at_ms: number): void {
  state.pending = true
  state.spent_ms = 0
  state.since_ms = at_ms
  state.t0_ms = at_ms
}

/** Ends the inhibition: from here on the rule judges. */
function arm(alarm: Alarm, at_ms: number, why: 'in_band' | 'timeout'): void {
  change(
    alarm,
    'armed',
    at_ms,
    (state) => {
      endInhibit(state, at_ms)
      state.arm = 'armed'
      state.armed_ms = at_ms
    },
    { why },
  )
}

/** Closes the account of a running inhibition. */
export function endInhibit(state: AlarmState, at_ms: number): void {
  if (state.setValueInhibit_ms !== null) state.setValueInhibits.push(state.setValueInhibit_ms, at_ms)
  state.setValueInhibit_ms = null
  state.startDue_ms = null
  state.holdSince_ms = null
}

// ---- timers ----

/** Writes the earliest timer of the alarm into `into`: due time (Infinity: none) and rank. */
export function nextTimer(alarm: Alarm, into: { due_ms: number; rank: Rank }): void {
  const { rule, state } = alarm
  into.due_ms = Infinity
  into.rank = RANK.delay
  const active = isActive(state.core)
  if (state.pending && state.since_ms !== null) {
    into.due_ms = state.since_ms + (active ? rule.offDelay_ms : onDelay(rule)) - state.spent_ms
  }
  if (active && rule.reAlarm_ms !== null && state.reAlarmBase_ms !== null && state.reAlarms < (rule.reAlarmMax ?? Infinity)) {
    earlier(into, state.reAlarmBase_ms + rule.reAlarm_ms * (state.reAlarms + 1), RANK.re_alarm)
  }
  if (state.startDue_ms !== null) earlier(into, state.startDue_ms, RANK.start)
  if (state.holdSince_ms !== null && rule.start !== null) earlier(into, state.holdSince_ms + rule.start.hold_ms, RANK.start)
  if (state.unshelve_ms !== null) earlier(into, state.unshelve_ms, RANK.unshelve)
}

function earlier(into: { due_ms: number; rank: Rank }, due_ms: number, rank: Rank): void {
  if (due_ms < into.due_ms) {
    into.due_ms = due_ms
    into.rank = rank
  }
}

/** A discrepancy waits for its expected time; everything else for its on-delay. */
const onDelay = (rule: RulePlan): number => (rule.condition.kind === 'discrepancy' ? rule.condition.expected_ms : rule.onDelay_ms)

/** The timer of that rank is due: at_ms is its own due time, however late it is noticed. */
export function fire(alarm: Alarm, rank: Rank, at_ms: number): void {
  const { rule, state } = alarm
  switch (rank) {
    case RANK.delay:
      if (isActive(state.core)) giveReturn(alarm, at_ms)
      else raise(alarm, at_ms, state.t0_ms ?? at_ms)
      return
    case RANK.re_alarm:
      change(
        alarm,
        're_alarmed',
        at_ms,
        () => {
          state.reAlarms += 1
          state.core = 'unack_active'
        },
        { count: state.reAlarms + 1 },
      )
      return
    case RANK.start: {
      const held = state.holdSince_ms !== null && rule.start !== null && state.holdSince_ms + rule.start.hold_ms <= at_ms
      arm(alarm, at_ms, held ? 'in_band' : 'timeout')
      evaluate(alarm, at_ms)
      return
    }
    case RANK.stale:
      return
    case RANK.unshelve:
      unshelve(alarm, at_ms, 'expired')
  }
}

// ---- core transitions ----

/** Raises at at_ms; t0_ms: when the condition became true. */
export function raise(alarm: Alarm, at_ms: number, t0_ms: number, why?: string): void {
  change(
    alarm,
    'raised',
    at_ms,
    (state) => {
      state.core = 'unack_active'
      state.activation += 1
      state.occurred_ms = t0_ms
      state.raised_ms = at_ms
      state.reAlarms = 0
      state.reAlarmBase_ms = at_ms
      state.pending = false
    },
    why === undefined ? {} : { why },
  )
}

/** Ends an active alarm; a one-shot shelf goes with it. */
export function giveReturn(alarm: Alarm, at_ms: number, why?: string): void {
  change(
    alarm,
    'returned',
    at_ms,
    (state) => {
      const acknowledged = state.core === 'ack_active'
      if (alarm.rule.latch) state.core = acknowledged ? 'latched_ack' : 'latched_unack'
      else state.core = acknowledged ? 'normal' : 'rtn_unack'
      state.pending = false
      state.reAlarms = 0
    },
    why === undefined ? {} : { why },
  )
  if (alarm.state.shelf === 'once') unshelve(alarm, at_ms, 'returned')
}

export function unshelve(alarm: Alarm, at_ms: number, why: 'expired' | 'command' | 'returned', command?: Command): void {
  change(
    alarm,
    'unshelved',
    at_ms,
    (state) => {
      state.shelf = 'none'
      state.unshelve_ms = null
    },
    command === undefined ? { why } : { why, command },
  )
}

/** Suppression by design: another rule holds this one back, or lets it go. Who may is decided by the caller. */
export function suppressByRule(alarm: Alarm, at_ms: number, by: string, on: boolean): void {
  const { state } = alarm
  const hiders = on ? [...state.hiddenBy.filter((id) => id !== by), by] : state.hiddenBy.filter((id) => id !== by)
  const was = state.hiddenBy.length > 0
  const is = hiders.length > 0
  if (was === is) {
    state.hiddenBy = hiders
    return
  }
  change(
    alarm,
    is ? 'suppressed' : 'unsuppressed',
    at_ms,
    () => {
      state.hiddenBy = hiders
      state.suppressed = is ? state.suppressed | SUPPRESSED_BY.rule : state.suppressed & ~SUPPRESSED_BY.rule
    },
    { why: `by ${by}` },
  )
}

/** Tells of a reading that came too late to be judged (T11). */
export function refuseLate(alarm: Alarm, at_ms: number, late_ms: number): void {
  tell(alarm, 'late_sample', at_ms, { late_ms })
}
