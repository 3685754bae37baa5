import type { Chunk, Commit, JournalQuery, Receipt, Snapshot, StoredMessage, StoredRecord, StoreFault, StoreNotice } from './store.ts'

/** What the main thread may ask the store thread and the read-only workers, and what comes back: one line each. */
export interface Answers {
  readonly commit: Receipt
  readonly recover: RawRecovery
  readonly plan: string | null
  readonly pending: readonly StoredMessage[]
  readonly delivered: null
  readonly dead: null
  readonly deadLetters: readonly (StoredMessage & { readonly why: string })[]
  /** How many chunks went; 0: nothing more to forget. */
  readonly forget: number
  readonly close: null
  readonly chunks: readonly Chunk[]
  readonly journal: readonly StoredRecord[]
  readonly quickCheck: { readonly ok: boolean; readonly detail: string }
  readonly verify: { readonly ok: boolean; readonly detail: string }
}
export type Ask =
  | { readonly kind: 'commit'; readonly commit: Commit }
  | { readonly kind: 'recover' }
  | { readonly kind: 'plan'; readonly version: string }
  | { readonly kind: 'pending'; readonly channel: string; readonly afterRow: number; readonly limit: number }
  | { readonly kind: 'delivered'; readonly rows: readonly number[] }
  | { readonly kind: 'dead'; readonly row: number; readonly why: string }
  | { readonly kind: 'deadLetters'; readonly limit: number }
  | { readonly kind: 'forget'; readonly before_ms: number }
  | { readonly kind: 'close' }
  /** Chunks travel as bytes and are decoded by who needs them: cheaper than copying every reading between threads. */
  | { readonly kind: 'chunks'; readonly afterSeq: number; readonly limit: number }
  | { readonly kind: 'journal'; readonly query: JournalQuery }
  | { readonly kind: 'verify' }
  | { readonly kind: 'quickCheck' }
export interface Request {
  readonly id: number
  readonly ask: Ask
}

export interface RawRecovery {
  readonly lastSeq: number
  readonly last_ms: number | null
  readonly snapshot: Snapshot | null
  readonly plan: string | null
  readonly outboxDepth: number
  readonly notices: readonly StoreNotice[]
}

export type Reply =
  | { readonly id: number; readonly ok: true; readonly value: Answers[keyof Answers] }
  | { readonly id: number; readonly ok: false; readonly fault: StoreFault; readonly message: string; readonly chunk: Chunk | null }
  /** A bug: rejected as a plain Error. */
  | { readonly id: number; readonly ok: false; readonly fault: null; readonly message: string; readonly chunk: Chunk | null }

export interface ThreadFigures {
  readonly transactions: number
  readonly commitSeconds: number
  readonly outboxDepth: number
  readonly oldestPending_ms: Readonly<Record<string, number>>
  readonly deadLetters: number
  readonly fileBytes: number
  readonly summarised: number
  readonly conflicts: number
  readonly reserve: boolean
}
/** All replies of one turn in one message. */
export interface Answered {
  readonly kind: 'answered'
  readonly replies: readonly Reply[]
  readonly figures: ThreadFigures | null
  readonly notices: readonly StoreNotice[]
}
export type FromThread =
  { readonly kind: 'open' } | { readonly kind: 'refused'; readonly fault: StoreFault; readonly message: string } | Answered

export interface Settings {
  readonly file: string
  readonly reserveBytes: number
  /** The file may not grow past this; null: as far as the disk goes. The reserve comes on top, for the journal alone. */
  readonly maxBytes: number | null
  readonly outboxBound: number
  readonly deadLetterBound: number
}
/** Handed to a worker as workerData. */
export interface Start {
  readonly role: 'write' | 'read'
  readonly settings: Settings
}
