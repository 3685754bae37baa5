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
}
export interface Recovery {
  readonly lastSeq: number
  readonly last_ms: number | null
  readonly snapshot: Snapshot | null
  /** Plan of the last chunk or snapshot; null in a new file. */
  readonly plan: Plan | null
  readonly outboxDepth: number
}
export interface JournalQuery {
  readonly from_ms?: number
  readonly to_ms?: number
  readonly alarm?: string
  readonly circuit?: string
  readonly afterRow?: number
  readonly limit: number
}
export interface StoredRecord extends JournalRecord {
  readonly row: number
  readonly recorded_ms: number
  readonly hash: string
}

/** What can go wrong with the store: the service reacts per DESIGN ('disk full or failing'). */
export type StoreFault =
  | { readonly kind: 'disk_full'; readonly detail: string }
  | { readonly kind: 'io'; readonly detail: string }
  | { readonly kind: 'corrupt'; readonly detail: string }
  | { readonly kind: 'newer_schema'; readonly found: number; readonly known: number }
  | { readonly kind: 'locked'; readonly detail: string }
export class StoreError extends Error {
  readonly fault: StoreFault
  constructor(fault: StoreFault, message: string) {
    super(message)
    this.name = 'StoreError'
    this.fault = fault
  }
}

/** The store, behind messages: nothing here blocks the caller's thread. PostgreSQL would fit behind the same interface. */
export interface History {
  /** Resolves when the transaction is on the disk (fsynced); rejects with StoreError, and then nothing of it is stored. */
  readonly commit: (commit: Commit) => Promise<Receipt>
  readonly recover: () => Promise<Recovery>
  /** Durable inputs after `afterSeq`, oldest first, in pages. */
  readonly inputs: (afterSeq: number, limit: number) => Promise<readonly (Sequenced & { readonly planVersion: string })[]>
  readonly plan: (version: string) => Promise<Plan | null>
  readonly journal: (query: JournalQuery) => Promise<readonly StoredRecord[]>
  /** Messages of a channel not yet delivered, oldest first. */
  readonly pending: (channel: string, afterRow: number, limit: number) => Promise<readonly StoredMessage[]>
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
  readonly deadLetters: number
  readonly fileBytes: number
}
