import type { UnitPlan } from '../config/plan.ts'
import type { Reading } from '../rules/reading.ts'

/**
 * What went wrong at the line or the unit: a value, never an exception. `unit` is the unit's id in the plan.
 * A fault says what no reading can say; the signals concerned are bad in the reading beside it, where one could be made.
 */
export type ReadFault =
  | { readonly kind: 'timeout'; readonly unit: string; readonly waited_ms: number }
  | { readonly kind: 'refused'; readonly unit: string; readonly address: string; readonly detail: string }
  | { readonly kind: 'link_lost'; readonly unit: string; readonly address: string; readonly detail: string }
  | { readonly kind: 'no_such_register'; readonly unit: string; readonly register: number; readonly signal: string; readonly line: string }
  | { readonly kind: 'exception'; readonly unit: string; readonly code: number; readonly register: number; readonly line: string }
  | { readonly kind: 'malformed'; readonly unit: string; readonly detail: string }
  | { readonly kind: 'untrusted_certificate'; readonly unit: string; readonly address: string; readonly file: string }
  | { readonly kind: 'identity_rejected'; readonly unit: string; readonly address: string; readonly detail: string }
  | { readonly kind: 'no_such_node'; readonly unit: string; readonly node: string; readonly signal: string }
  | { readonly kind: 'unknown_unit_of_measure'; readonly unit: string; readonly node: string; readonly found: string }
  | { readonly kind: 'nothing_found'; readonly unit: string; readonly address: string; readonly detail: string }
  | { readonly kind: 'recording'; readonly unit: string; readonly where: string; readonly detail: string }
  | { readonly kind: 'sink_full'; readonly unit: string }
export interface FaultReport {
  readonly kind: 'fault'
  readonly at_ms: number
  readonly fault: ReadFault
}

/**
 * What an adapter found by browsing: the units behind one source with their circuits. `key` is the source's id in the plan.
 * The plan is made anew from it, and the adapter is opened again with the new plan's units.
 */
export interface Discovery {
  readonly kind: 'discovery'
  readonly source: string
  readonly at_ms: number
  readonly units: readonly FoundUnit[]
}
export interface FoundUnit {
  readonly serial: string
  readonly model: string
  readonly manufacturer: string
  /** Where the unit stands according to itself ('' where it does not say). */
  readonly location: string
  readonly circuits: readonly FoundCircuit[]
}
export interface FoundCircuit {
  /** Slug of the zone, 'a' where there is one only. */
  readonly id: string
  /** Canonical signals with the node that gives each, in the order in which readings will carry them. */
  readonly signals: readonly { readonly signal: string; readonly node: string }[]
}

/** mouldtend's own test message: it comes in by the same door as a reading and goes the whole way of an alarm. */
export interface CanaryItem {
  readonly kind: 'canary'
  readonly id: string
  readonly at_ms: number
}

export type Item = Reading | FaultReport | Discovery | CanaryItem

/**
 * Takes what an adapter has; false when full: start no new poll then, and count it late. Never blocks, never keeps a reading's arrays.
 * The batch is taken also when the answer is false. An adapter that was told 'full' asks again with an empty batch.
 */
export type Sink = (batch: readonly Item[]) => boolean

/** now_ms: Unix ms UTC that never falls. The timers exist so that tests can run on a virtual clock. */
export interface Clock {
  readonly now_ms: () => number
  readonly after: (delay_ms: number, call: () => void) => Timer
}
export interface Timer {
  readonly cancel: () => void
}

/** Figures of one source for metrics, read at scrape. All counters since open. */
export interface SourceFigures {
  polls: number
  polls_late: number
  /** Largest lateness of a poll's start behind its due time since the last scrape, ms. */
  start_lag_max_ms: number
  poll_seconds_sum: number
  poll_seconds_count: number
  faults: Record<ReadFault['kind'], number>
  reconnects: number
  connected: boolean
}

/** One open line. It can look and never touch: there is no way to ask for a write. */
export interface Source {
  readonly close: () => Promise<void>
  readonly figures: () => SourceFigures
  /** Faults that stand now, each with how often it happened since it started. An adapter whose faults never last has none. */
  readonly standing?: () => readonly { readonly fault: ReadFault; readonly count: number }[]
}

/** Values that the plan only names (user, password, keys), resolved by config/ and never logged. */
export type Secrets = ReadonlyMap<string, string>

/** What a file in collector/adapters/ exports. A fault of the unit goes to the sink as a value; only a bug throws. */
export type Open<Settings> = (settings: Settings, units: readonly UnitPlan[], sink: Sink, clock: Clock, secrets: Secrets) => Source
