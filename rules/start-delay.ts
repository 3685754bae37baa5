import type { StartDelay } from '../config/plan.ts'
import { change, endInhibit, giveReturn, type Alarm } from './alarm.ts'
import { armsByPhase, isActive, ZONE, type AlarmState } from './alarm-state.ts'

/** The unit begins to run, or enters a phase in which the rule is live. */
export function start(alarm: Alarm, at_ms: number): void {
  if (!armsByPhase(alarm.rule)) return
  const delay = alarm.rule.start
  if (delay?.onStart === true && !alarm.rule.neverHidden) inhibit(alarm, at_ms, longestWait(alarm, delay), false)
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
    const left_ms = state.setValueInhibit_ms === null ? longestWait(alarm, delay) : capLeft(alarm, at_ms, longestWait(alarm, delay))
    state.startDue_ms = Math.max(state.startDue_ms ?? at_ms, at_ms + left_ms)
    return
  }
  const left_ms = capLeft(alarm, at_ms, longestWait(alarm, delay))
  if (left_ms > 0) inhibit(alarm, at_ms, left_ms, true)
}

/** The way from actual to set value over the pace of the medium, bounded; the fixed time-out where either is not known. */
function longestWait({ state }: Alarm, { pace, timeout_ms }: StartDelay): number {
  if (pace === undefined || state.quality === 2 || state.value === null || state.reference === null) return timeout_ms
  const way_K = state.reference - state.value
  const wait_ms =
    way_K >= 0
      ? (way_K / pace.heating_K_min) * 60_000 + pace.heatingExtra_ms
      : (-way_K / pace.cooling_K_min) * 60_000 + pace.coolingExtra_ms
  return Math.round(Math.min(pace.max_ms, Math.max(pace.min_ms, wait_ms)))
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
