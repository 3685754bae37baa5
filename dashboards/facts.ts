import type { Priority } from '../config/plan.ts'
import type { AlarmEventKind, CoreState, RecordEvent, ShownState } from '../rules/event.ts'
import type { Phase } from '../rules/phases.ts'
import type { SignalName } from '../rules/signals.ts'

/**
 * What the service shows of itself. Plain functions over live state, called at a scrape and at no other time, so that a poll
 * pays nothing for being watched. service/ implements it; this room knows no other. Counters count since the start of the service.
 */
export interface ServiceFacts {
  /** Unix ms UTC that never falls: the same clock that stamps readings. */
  readonly now_ms: () => number
  readonly started_ms: number
  readonly site: () => string
  readonly planVersion: () => string
  readonly circuits: () => readonly CircuitFacts[]
  readonly alarms: () => readonly AlarmFacts[]
  /** Called once per scrape: a source may start its `start_lag_max_ms` anew then. */
  readonly sources: () => readonly SourceFacts[]
  readonly store: () => StoreFacts
  readonly queues: () => readonly QueueFacts[]
  /** What bounds and refusals took, each with its count. */
  readonly lost: () => Readonly<Record<Lost, number>>
  readonly channels: () => readonly ChannelFacts[]
  readonly canary: () => CanaryFacts
  readonly events: () => readonly EventCount[]
  readonly clock: () => ClockFacts
  readonly readiness: () => Readiness
}

/** One circuit as it was last read. The arrays are read and not kept: they may be the engine's own. */
export interface CircuitFacts {
  /** `<unit>/<circuit>` */
  readonly key: string
  readonly unit: string
  readonly circuit: string
  readonly place: string
  readonly placeName: string
  readonly phase: Phase
  readonly phaseDerived: boolean
  readonly signals: readonly SignalName[]
  readonly values: Float64Array
  readonly quality: Uint8Array
  /** null: none since the service started. */
  readonly lastReading_ms: number | null
  /** From this age of the last reading on every signal is bad, whatever `quality` says. */
  readonly staleAfter_ms: number
}

export interface AlarmFacts {
  readonly alarm: string
  readonly rule: string
  readonly unit: string
  /** Circuit key, null for a rule of the whole unit. */
  readonly circuit: string | null
  readonly place: string
  readonly priority: Priority
  readonly core: CoreState
  readonly shown: ShownState
  /** True: what it would judge is bad at present, so its state is held. */
  readonly bad: boolean
}

/** The figures of collector/, by shape. */
export interface SourceFacts {
  readonly id: string
  readonly kind: string
  readonly figures: {
    readonly polls: number
    readonly polls_late: number
    readonly start_lag_max_ms: number
    readonly poll_seconds_sum: number
    readonly poll_seconds_count: number
    readonly faults: Readonly<Record<string, number>>
    readonly reconnects: number
    readonly connected: boolean
  }
}

/** The figures of history/, by shape. */
export interface StoreFacts {
  readonly queueDepth: number
  readonly commits: number
  readonly commitSeconds: number
  readonly outboxDepth: number
  readonly deadLetters: number
  readonly fileBytes: number
  readonly queueBytes: number
}

export interface QueueFacts {
  readonly name: string
  readonly depth: number
  readonly bound: number
}

export type Lost = 'inputs_dropped' | 'commits_refused' | 'messages_summarised' | 'alerts_dropped'

export interface ChannelFacts {
  readonly name: string
  readonly ready: boolean
  readonly sent: number
  readonly retried: number
  readonly dead: number
  /** Messages wait in the store beyond those in memory. */
  readonly behind: boolean
  /** Age of the oldest message that waits; null: none waits. */
  readonly oldest_pending_ms: number | null
}

export interface CanaryFacts {
  /** Since the last canary that came through; counts from the start of the service until the first one has. */
  readonly age_ms: number
  readonly roundTrip_ms: number | null
}

export interface EventCount {
  readonly event: AlarmEventKind | RecordEvent['event']
  /** null: a record, which has none. */
  readonly priority: Priority | null
  readonly count: number
}

export interface ClockFacts {
  readonly untrusted: boolean
  readonly steps: number
}

export interface Readiness {
  readonly ok: boolean
  /** Empty exactly when ok. */
  readonly reasons: readonly NotReady[]
}
export interface NotReady {
  /** Stands in docs/errors.md. */
  readonly code: string
  /** What, where, what goes on regardless, what to do. */
  readonly detail: string
}
