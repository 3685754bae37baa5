import type { Reading } from './reading.ts'

/** What a person may do to an alarm. by: pseudonym of who; from: where it came from ('mqtt', 'http', 'cli'). */
export type CommandAction =
  | { readonly act: 'acknowledge' }
  | { readonly act: 'reset' }
  | { readonly act: 'shelve'; readonly for_ms: number }
  | { readonly act: 'shelve_once' }
  | { readonly act: 'unshelve' }
  | { readonly act: 'suppress' }
  | { readonly act: 'unsuppress' }
  | { readonly act: 'out_of_service' }
  | { readonly act: 'in_service' }

export interface Command {
  readonly kind: 'command'
  readonly at_ms: number
  /** Idempotency: a command with an id that was seen before does nothing. */
  readonly id: string
  readonly alarm: string
  readonly action: CommandAction
  readonly by: string
  readonly from: string
  readonly comment: string
}

/** Everything that can happen to a unit. at_ms: Unix ms UTC, never falling within a unit. */
export type Input =
  | Reading
  /** The line says that the unit cannot be reached; `why` is text for people. Silence alone needs no fault. */
  | { readonly kind: 'fault'; readonly at_ms: number; readonly unit: string; readonly fault: string; readonly why: string }
  | Command
  /** Time has passed; only asked for when a timer is due. */
  | { readonly kind: 'tick'; readonly at_ms: number; readonly unit: string }
  /** mouldtend itself was started; down_ms since its last durable input. trusted false: the clock is behind the record. */
  | {
      readonly kind: 'service_start'
      readonly at_ms: number
      readonly last_ms: number | null
      readonly trusted: boolean
      readonly engine: string
      /** The state could not be gone on from. */
      readonly cold?: boolean
    }
  | { readonly kind: 'service_stop'; readonly at_ms: number }
  /** Wall clock moved against the monotonic one. */
  | { readonly kind: 'clock_step'; readonly at_ms: number; readonly by_ms: number }
  | {
      readonly kind: 'plan_change'
      readonly at_ms: number
      readonly from: string
      readonly to: string
      readonly by: string
      readonly why: string
    }
  /** mouldtend looks after itself: this one goes the whole way of an alarm and must come back from the broker. */
  | { readonly kind: 'canary'; readonly at_ms: number; readonly id: string }
  /** A stretch that is missing from the record, e.g. what a crash took. */
  | { readonly kind: 'gap'; readonly at_ms: number; readonly from_ms: number; readonly to_ms: number; readonly why: string }

/** An input in its place: what history keeps and replay feeds. */
export interface Sequenced {
  readonly seq: number
  readonly input: Input
}
