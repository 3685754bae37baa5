import type { Plan } from '../config/plan.ts'
import type { Event } from '../rules/event.ts'
import type { Sequenced } from '../rules/input.ts'

/** One line of the journal. `id` = hash(site, alarm id, activation number, event number); see history/identity.ts. */
export interface JournalRecord {
  readonly id: string
  /** Sequence number of the input that caused it. */
  readonly seq: number
  readonly engine: string
  readonly event: Event
}
/** One message to one channel. Order is kept per `orderKey` (the circuit). */
export interface OutboxMessage {
  /** Event id: the receiver can drop what it has. One row per (id, channel). */
  readonly id: string
  readonly channel: string
  readonly orderKey: string
  readonly priority: 'high' | 'medium' | 'low'
  readonly made_ms: number
  /** What the channel needs to make its message: JSON. */
  readonly body: string
}
export interface StoredMessage extends OutboxMessage {
  /** Grows by one per row: the order of the outbox. */
  readonly row: number
  readonly tries: number
}
export interface Snapshot {
  readonly seq: number
  readonly at_ms: number
  readonly engine: string
  readonly planVersion: string
  /** JSON of the engine's whole state. */
  readonly state: string
}
/** Encoded inputs, in order, of one plan version: see history/chunk.ts. */
export interface Chunk {
  readonly planVersion: string
  readonly firstSeq: number
  readonly lastSeq: number
  readonly first_ms: number
  readonly last_ms: number
  /** Handed over at commit: where the buffer holds nothing else it is transferred, and the caller's view is then empty. */
  readonly bytes: Uint8Array
}
/** All or nothing: one transaction. */
export interface Commit {
  readonly chunk: Chunk | null
  readonly records: readonly JournalRecord[]
  readonly outbox: readonly OutboxMessage[]
  readonly snapshot: Snapshot | null
  /** A plan that was not stored before; must come no later than the first chunk that needs it. */
  readonly plan: Plan | null
}
export interface Receipt {
  /** Rows given to the outbox messages of this commit that were new, in their order. Doubles (same id and channel) give none. */
  readonly stored: readonly StoredMessage[]
  readonly synced_ms: number
  /** Ids of records that the journal had already, word for word: a replay. They gave no row and no message. */
  readonly doubles: readonly string[]
  /** Ids that the journal had already with other content. The new content is kept as a note; the record stands as it was. Somebody must be told. */
  readonly conflicts: readonly string[]
}
export interface Recovery {
  readonly lastSeq: number
  readonly last_ms: number | null
  readonly snapshot: Snapshot | null
  /** Plan of the last chunk or snapshot; null in a new file. */
  readonly plan: Plan | null
  readonly outboxDepth: number
  /** What was found damaged and what stands in for it, in words for people. */
  readonly notes: readonly string[]
}
export interface JournalQuery {
  /** From here, inclusive, to there, exclusive: when it happened. Oldest row first. */
  readonly from_ms?: number
  readonly to_ms?: number
  readonly alarm?: string
  /** Circuit key; a unit id or 'service' finds what was recorded of those. */
  readonly circuit?: string
  readonly afterRow?: number
  readonly limit: number
}
export interface StoredRecord extends JournalRecord {
  readonly row: number
  readonly recorded_ms: number
  readonly hash: string
  /** Which channels have taken it, the first first. Empty: nobody yet, or refused, or this event is not for telling. */
  readonly told: readonly Told[]
}
export interface Told {
  readonly channel: string
  /** When its receipt was recorded, by the machine's clock: up to a second or two after the channel's confirmation. */
  readonly at_ms: number
}

/** What can go wrong with the store: the service reacts per DESIGN ('disk full or failing'). */
export type StoreFault =
  | { readonly kind: 'disk_full'; readonly detail: string }
  | { readonly kind: 'io'; readonly detail: string }
  | { readonly kind: 'corrupt'; readonly detail: string }
  | { readonly kind: 'newer_schema'; readonly found: number; readonly known: number }
  | { readonly kind: 'locked'; readonly detail: string }
  /** More was handed in than the disk takes: the queue is full and this was not queued. */
  | { readonly kind: 'overloaded'; readonly detail: string }
  /** Closed, or its thread died; only opening it anew helps. */
  | { readonly kind: 'closed'; readonly detail: string }
export class StoreError extends Error {
  readonly fault: StoreFault
  /** The chunk of a commit that was refused, given back since its buffer had been handed over. */
  readonly chunk: Chunk | null
  constructor(fault: StoreFault, message: string, chunk: Chunk | null = null) {
    super(message)
    this.name = 'StoreError'
    this.fault = fault
    this.chunk = chunk
  }
}

/** Something a person should know though the store goes on. `text` says what, where, what goes on and what to do. */
export interface StoreNotice {
  readonly kind:
    | 'reserve_released'
    | 'reserve_restored'
    | 'no_reserve'
    | 'connection_discarded'
    | 'connection_back'
    | 'chunk_damaged'
    | 'snapshot_damaged'
    | 'id_conflict'
    | 'outbox_summarised'
    | 'dead_letters_dropped'
    | 'migrated'
  readonly text: string
}

/** `body` of the one message per channel that stands in for messages dropped at the outbox's bound. Its id begins with 'summary:'. */
export interface OutboxSummary {
  readonly kind: 'summary'
  readonly count: number
  readonly byPriority: Readonly<Record<OutboxMessage['priority'], number>>
  readonly first_ms: number
  readonly last_ms: number
}

/** Commits that may wait for the disk, unless asked for otherwise; those with an event or a message have eight times the room. */
export const STORE_QUEUE_BOUND = 256
/** Messages in the outbox, all channels together, unless asked for otherwise. */
export const OUTBOX_BOUND = 100_000

/** The store, behind messages: nothing here blocks the caller's thread. PostgreSQL would fit behind the same interface. */
export interface History {
  /**
   * Resolves when the transaction is on the disk (fsynced); rejects with StoreError, and then nothing of it is stored. After
   * `io` alone that is not certain: the disk may have taken it and said no. Committing it again is always harmless.
   */
  readonly commit: (commit: Commit) => Promise<Receipt>
  readonly recover: () => Promise<Recovery>
  /** Durable inputs after `afterSeq`, oldest first, in pages. In place of a damaged chunk stands one `gap`, and a notice goes out. */
  readonly inputs: (afterSeq: number, limit: number) => Promise<readonly (Sequenced & { readonly planVersion: string })[]>
  readonly plan: (version: string) => Promise<Plan | null>
  readonly journal: (query: JournalQuery) => Promise<readonly StoredRecord[]>
  /** Messages of a channel not yet delivered, oldest first. */
  readonly pending: (channel: string, afterRow: number, limit: number) => Promise<readonly StoredMessage[]>
  /** Out of the outbox, and on record as told (`StoredRecord.told`), but for messages whose id begins with 'canary:'. */
  readonly delivered: (rows: readonly number[]) => Promise<void>
  /** Refused for good: kept, listed, blocks nobody. */
  readonly dead: (row: number, why: string) => Promise<void>
  readonly deadLetters: (limit: number) => Promise<readonly (StoredMessage & { readonly why: string })[]>
  /** Forget inputs older than this; never journal records. Keeps what the last snapshot needs. */
  readonly forgetInputs: (before_ms: number) => Promise<void>
  readonly verify: () => Promise<{ readonly ok: boolean; readonly detail: string }>
  readonly figures: () => StoreFigures
  readonly close: () => Promise<void>
}
export interface StoreFigures {
  readonly queueDepth: number
  readonly commits: number
  readonly commitSeconds: number
  readonly outboxDepth: number
  /** When the oldest message in the outbox was made, by channel; a channel without one is not there. As of the last transaction. */
  readonly oldestPending_ms: Readonly<Record<string, number>>
  readonly deadLetters: number
  readonly fileBytes: number
  /** Bytes of chunks handed in and not yet on the disk. */
  readonly queueBytes: number
  /** Transactions: several commits share one where they came while the one before was being written. */
  readonly transactions: number
  readonly refused: number
  /** Messages that a summary stands in for, since the file was made. */
  readonly summarised: number
  readonly conflicts: number
  /** False while the reserve of disk space is used up. */
  readonly reserve: boolean
}
