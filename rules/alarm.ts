import type { RulePlan } from '../config/plan.ts'
import { armsByPhase, isActive, shownState, SUPPRESSED_BY, ZONE, type AlarmState, type Usable, type Zone } from './alarm-state.ts'
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

function tell(alarm: Alarm, event: AlarmEventKind, at_ms: number, more: Omit<Partial<Happening>, 'event' | 'at_ms'> = {}): void {
  alarm.tell({ event, at_ms, before: alarm.state.core, shownBefore: shownState(alarm.state), ...more })
}

/** Changes the state and tells of it, with what was before. */
function change(alarm: Alarm, event: AlarmEventKind, at_ms: number, set: (state: AlarmState) => void, more: Partial<Happening> = {}): void {
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

// ---- starting and stopping (T8) ----

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

function endInhibit(state: AlarmState, at_ms: number): void {
  if (state.setValueInhibit_ms !== null) state.setValueInhibits.push(state.setValueInhibit_ms, at_ms)
  state.setValueInhibit_ms = null
  state.startDue_ms = null
  state.holdSince_ms = null
}

/** The unit begins to run, or enters a phase in which the rule is live. */
export function start(alarm: Alarm, at_ms: number): void {
  if (!armsByPhase(alarm.rule)) return
  const delay = alarm.rule.start
  if (delay?.onStart === true && !alarm.rule.neverHidden) inhibit(alarm, at_ms, delay.timeout_ms, false)
  else armQuietly(alarm.state, at_ms)
}

/**
 * The set value was changed. `ramp`: it is still on its way, so this belongs to the change before and gives no new event.
 */
export function setValueChanged(alarm: Alarm, at_ms: number, ramp: boolean): void {
  const { rule, state } = alarm
  const delay = rule.start
  if (delay?.onSetValue !== true || rule.neverHidden || state.arm === 'idle') return
  if (ramp && state.arm === 'inhibited') {
    const left_ms = state.setValueInhibit_ms === null ? delay.timeout_ms : capLeft(alarm, at_ms, delay.timeout_ms)
    state.startDue_ms = Math.max(state.startDue_ms ?? at_ms, at_ms + left_ms)
    return
  }
  const left_ms = capLeft(alarm, at_ms, delay.timeout_ms)
  if (left_ms > 0) inhibit(alarm, at_ms, left_ms, true)
}

/** How long a set-value change may still inhibit: the timeout, or less where the cap is nearly used up. */
function capLeft(alarm: Alarm, at_ms: number, timeout_ms: number): number {
  const { state } = alarm
  const delay = alarm.rule.start
  if (delay === null || delay.cap_ms === null) return timeout_ms
  const from_ms = at_ms - delay.capWindow_ms
  const past = state.setValueInhibits
  while (past.length >= 2 && (past[1] ?? 0) <= from_ms) past.splice(0, 2)
  let used_ms = state.setValueInhibit_ms === null ? 0 : at_ms - Math.max(state.setValueInhibit_ms, from_ms)
  for (let i = 0; i + 1 < past.length; i += 2) used_ms += (past[i + 1] ?? 0) - Math.max(past[i] ?? 0, from_ms)
  return Math.min(timeout_ms, Math.max(0, delay.cap_ms - used_ms))
}

function inhibit(alarm: Alarm, at_ms: number, timeout_ms: number, bySetValue: boolean): void {
  const { state } = alarm
  if (isActive(state.core)) {
    // A live alarm is never hidden.
    if (state.arm === 'idle') armQuietly(state, at_ms)
    return
  }
  state.pending = false
  const known = state.quality !== 2 && state.value !== null
  if (known && state.zone !== ZONE.beyond) {
    // Already in tolerance: a running inhibition ends in evaluate, a new one has nothing to wait for.
    if (state.arm !== 'inhibited') armQuietly(state, at_ms)
    return
  }
  change(alarm, 'inhibited', at_ms, () => {
    if (state.arm === 'inhibited') endInhibit(state, at_ms)
    state.arm = 'inhibited'
    state.armed_ms = null
    state.startDue_ms = at_ms + timeout_ms
    state.setValueInhibit_ms = bySetValue ? at_ms : null
  })
}

function armQuietly(state: AlarmState, at_ms: number): void {
  if (state.arm !== 'armed') state.armed_ms = at_ms
  state.arm = 'armed'
}

/** The unit is switched off, or leaves the phases in which the rule is live. */
export function stop(alarm: Alarm, at_ms: number): void {
  const { state } = alarm
  if (!armsByPhase(alarm.rule) || state.arm === 'idle') return
  change(alarm, 'disarmed', at_ms, () => {
    endInhibit(state, at_ms)
    state.arm = 'idle'
    state.armed_ms = null
    state.pending = false
  })
  if (isActive(state.core)) giveReturn(alarm, at_ms, 'disarmed')
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

function unshelve(alarm: Alarm, at_ms: number, why: 'expired' | 'command' | 'returned', command?: Command): void {
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

// ---- what people do ----

/** Carries out a command or rejects it with the reason; a rejected one changes nothing and is told all the same. */
export function obey(alarm: Alarm, command: Command): void {
  const { rule, state } = alarm
  const { action, at_ms } = command
  const reject = (why: string): void => tell(alarm, 'rejected', at_ms, { why, command })
  const done = (event: AlarmEventKind, set: (s: AlarmState) => void, more: Partial<Happening> = {}): void =>
    change(alarm, event, at_ms, set, { ...more, command })
  switch (action.act) {
    case 'acknowledge': {
      const next = ACKNOWLEDGED[state.core]
      if (next === null) return reject(state.core === 'normal' ? 'nothing_to_acknowledge' : 'already_acknowledged')
      return done('acknowledged', (s) => (s.core = next))
    }
    case 'reset':
      if (state.core === 'latched_ack') return done('reset', (s) => (s.core = 'normal'))
      if (state.core === 'latched_unack') return reject('acknowledge_first')
      return reject(isActive(state.core) && rule.latch ? 'still_active' : 'not_latched')
    case 'shelve':
    case 'shelve_once': {
      if (rule.neverHidden && command.comment.trim() === '') return reject('reason_required')
      const for_ms = action.act === 'shelve' ? action.for_ms : rule.maxShelve_ms
      if (for_ms > rule.maxShelve_ms) return reject('too_long')
      if (!(for_ms > 0)) return reject('not_positive')
      const until_ms = at_ms + for_ms
      return done(
        'shelved',
        (s) => {
          s.shelf = action.act === 'shelve' ? 'timed' : 'once'
          s.unshelve_ms = until_ms
        },
        { until_ms },
      )
    }
    case 'unshelve':
      if (state.shelf === 'none') return reject('not_shelved')
      return unshelve(alarm, at_ms, 'command', command)
    case 'suppress':
      if (rule.neverHidden) return reject('never_hidden')
      if ((state.suppressed & SUPPRESSED_BY.command) !== 0) return reject('already')
      return done('suppressed', (s) => (s.suppressed |= SUPPRESSED_BY.command))
    case 'unsuppress':
      if ((state.suppressed & SUPPRESSED_BY.command) === 0) return reject('not_suppressed')
      return done('unsuppressed', (s) => (s.suppressed &= ~SUPPRESSED_BY.command))
    case 'out_of_service':
      if (rule.neverHidden) return reject('never_hidden')
      if (state.outOfService) return reject('already')
      return done('out_of_service', (s) => (s.outOfService = true))
    case 'in_service':
      if (!state.outOfService) return reject('not_out_of_service')
      return done('in_service', (s) => (s.outOfService = false))
  }
}

const ACKNOWLEDGED: Readonly<Record<CoreState, CoreState | null>> = {
  normal: null,
  unack_active: 'ack_active',
  ack_active: null,
  rtn_unack: 'normal',
  latched_unack: 'latched_ack',
  latched_ack: null,
}

/** Tells of a reading that came too late to be judged (T11). */
export function refuseLate(alarm: Alarm, at_ms: number, late_ms: number): void {
  tell(alarm, 'late_sample', at_ms, { late_ms })
}
