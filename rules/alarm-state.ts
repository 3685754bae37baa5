import type { RulePlan } from '../config/plan.ts'
import type { CoreState, ShownState } from './event.ts'

/** Where a usable value stands against a rule. between: not beyond, but not back far enough to end an alarm (the deadband). */
export const ZONE = { inactive: 0, between: 1, beyond: 2 } as const
export type Zone = (typeof ZONE)[keyof typeof ZONE]

/** 0 good, 1 uncertain, 2 bad: what a rule needs to know of quality. */
export type Usable = 0 | 1 | 2

/** Who suppresses, as bits: each is set and cleared on its own, shown is whether any is. */
export const SUPPRESSED_BY = { command: 1, rule: 2 } as const

/**
 * Everything one alarm remembers: plain JSON-able data, no wall clock, no reference. Times are Unix ms UTC, due times absolute.
 * The on-delay and the off-delay never run at once, so both live in the same four fields.
 */
export interface AlarmState {
  core: CoreState
  /** idle: waits for a start; inhibited: started, not yet in tolerance; armed: judges. */
  arm: 'idle' | 'inhibited' | 'armed'
  armed_ms: number | null
  zone: Zone
  quality: Usable
  badWhy: string | null
  /** Is a delay running or paused? spent_ms before since_ms; since_ms null while quality is bad. t0_ms: when it began. */
  pending: boolean
  spent_ms: number
  since_ms: number | null
  t0_ms: number | null
  /** t0 and end of the on-delay of the present or last activation. */
  occurred_ms: number | null
  raised_ms: number | null
  reAlarms: number
  /** Re-alarms count from here: raised_ms, moved along when the wall clock jumps. */
  reAlarmBase_ms: number | null
  startDue_ms: number | null
  holdSince_ms: number | null
  /** Did a set-value change begin the present inhibition, and when? For the cap. */
  setValueInhibit_ms: number | null
  /** Set value when a change last counted. */
  countedSetValue: number | null
  /** Past inhibitions by set-value changes, [from, to] pairs flattened, oldest first, inside the cap's window only. */
  setValueInhibits: number[]
  shelf: 'none' | 'timed' | 'once'
  unshelve_ms: number | null
  suppressed: number
  /** Rule ids that suppress by design at the moment. */
  hiddenBy: string[]
  outOfService: boolean
  activation: number
  eventNo: number
  /** Discrepancy: the target waited for, and whether it is still waited for. */
  target: number | null
  waiting: boolean
  value: number | null
  reference: number | null
}

/** Alarms that a start arms are idle until the first one (T8). */
export function freshAlarm(rule: RulePlan): AlarmState {
  return {
    core: 'normal',
    arm: armsByPhase(rule) ? 'idle' : 'armed',
    armed_ms: null,
    zone: ZONE.inactive,
    quality: 0,
    badWhy: null,
    pending: false,
    spent_ms: 0,
    since_ms: null,
    t0_ms: null,
    occurred_ms: null,
    raised_ms: null,
    reAlarms: 0,
    reAlarmBase_ms: null,
    startDue_ms: null,
    holdSince_ms: null,
    setValueInhibit_ms: null,
    setValueInhibits: [],
    countedSetValue: null,
    shelf: 'none',
    unshelve_ms: null,
    suppressed: 0,
    hiddenBy: [],
    outOfService: false,
    activation: 0,
    eventNo: 0,
    target: null,
    waiting: false,
    value: null,
    reference: null,
  }
}

/** Is the rule live only in some phases, so that entering and leaving them starts and stops it? */
export const armsByPhase = (rule: RulePlan): boolean => rule.armedByStart || rule.phases !== null

export const isActive = (core: CoreState): boolean => core === 'unack_active' || core === 'ack_active'

/** Retain of OPC 10000-9: a client that refreshes wants to see it. */
export const isRetained = (core: CoreState): boolean => core !== 'normal'

/** What people see: out of service before suppressed before shelved before the core state. */
export function shownState(state: AlarmState): ShownState {
  if (state.outOfService) return 'out_of_service'
  if (state.suppressed !== 0 || state.arm === 'inhibited') return 'suppressed'
  if (state.shelf !== 'none') return 'shelved'
  return state.core
}
