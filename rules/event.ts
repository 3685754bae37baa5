import type { Priority } from '../config/plan.ts'
import type { Measure, SignalName } from './signals.ts'

/** Letters of ISA-18.2 in order A to F (from memory). */
export const CORE_STATES = ['normal', 'unack_active', 'ack_active', 'rtn_unack', 'latched_unack', 'latched_ack'] as const
export type CoreState = (typeof CORE_STATES)[number]
export type ShownState = CoreState | 'shelved' | 'suppressed' | 'out_of_service'

export type AlarmEventKind =
  | 'raised'
  | 'returned'
  | 'acknowledged'
  | 'reset'
  | 're_alarmed'
  | 'rejected'
  | 'inhibited'
  | 'armed'
  | 'disarmed'
  | 'quality_changed'
  | 'late_sample'
  | 'shelved'
  | 'unshelved'
  | 'suppressed'
  | 'unsuppressed'
  | 'out_of_service'
  | 'in_service'
  | 'rule_changed'
  | 'rule_removed'

/**
 * Something that happened to one alarm: one line of the journal. Stands for itself: what was judged, by which rule, why.
 * Times are Unix ms UTC. Values are in `measure`. A field that does not apply is null.
 */
export interface AlarmEvent {
  readonly kind: 'alarm'
  readonly event: AlarmEventKind
  readonly alarm: string
  readonly unit: string
  /** Circuit key, null for a rule of the whole unit. */
  readonly circuit: string | null
  readonly place: string
  readonly rule: string
  readonly priority: Priority
  readonly severity: number
  /** Counts raises of this alarm from 1; 0 before the first. */
  readonly activation: number
  /** Counts events of this alarm from 1, never restarting. With site and alarm id this makes the event's id. */
  readonly eventNo: number
  /** When it happened (a delay's own end), not when it was noticed. */
  readonly at_ms: number
  /** When the condition became true (t0 of T3); null while not active. */
  readonly since_ms: number | null
  /** When it was raised. */
  readonly raised_ms: number | null
  readonly before: CoreState
  readonly core: CoreState
  readonly shown: ShownState
  readonly shownBefore: ShownState
  /** True: people are to be told anew. Nothing else tells them. */
  readonly annunciate: boolean
  readonly why: string | null
  readonly quality: 'good' | 'uncertain' | 'bad'
  readonly signal: SignalName | 'control' | null
  readonly measure: Measure | null
  readonly value: number | null
  readonly limit: number | null
  readonly deadband: number | null
  readonly set_value: number | null
  /** late_sample: the refused time; shelved: until when; re_alarmed: how often so far. */
  readonly late_ms: number | null
  readonly until_ms: number | null
  readonly count: number | null
  readonly by: string | null
  readonly from: string | null
  readonly comment: string | null
  readonly command: string | null
  readonly planVersion: string
  /** Context for the person: what the circuit is doing and how hot and pressurised it last was. */
  readonly context: Context
  /** Why it came, in numbers; rendered as words in alerts/. */
  readonly explain: Explain
}
export interface Context {
  readonly phase: string
  readonly phaseDerived: boolean
  readonly hottest_degC: number | null
  readonly hottestAt_ms: number | null
  readonly pressure_bar: number | null
  readonly anyBad: boolean
  readonly errors: readonly { readonly id: string; readonly text: string; readonly severity: number }[]
}
export interface Explain {
  readonly onDelay_ms: number
  readonly offDelay_ms: number
  /** Armed since; null where arming does not apply or it is not armed. */
  readonly armed_ms: number | null
  readonly reference: number | null
  readonly plus: number | null
  readonly minus: number | null
  /** Ids of the rules (same circuit, or its unit) that hide this alarm at the moment, if any do. */
  readonly hiddenBy: readonly string[]
}

/** Something worth a line in the journal that is no alarm. subject: unit id, circuit key or 'service'. */
export interface RecordEvent {
  readonly kind: 'record'
  readonly event:
    | 'phase_changed'
    | 'contact_back'
    | 'powered_down'
    | 'control_point_changed'
    | 'set_value_changed'
    | 'unit_error_came'
    | 'unit_error_went'
    | 'service_started'
    | 'service_stopped'
    | 'clock_step'
    | 'clock_untrusted'
    | 'plan_changed'
    | 'assignment_changed'
    | 'command_refused'
    | 'canary'
    | 'gap'
    | 'cold_start'
  readonly subject: string
  readonly place: string
  /** Counts records of this subject from 1, never restarting. */
  readonly eventNo: number
  readonly at_ms: number
  readonly planVersion: string
  readonly facts: Readonly<Record<string, string | number | boolean | null>>
}

export type Event = AlarmEvent | RecordEvent
