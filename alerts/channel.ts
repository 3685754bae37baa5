/** One message on its way to one channel. The same shape as a row of history's outbox; alerts/ knows the shape, not the store. */
export interface Message {
  /** Event id, so that a receiver can drop what it has already. */
  readonly id: string
  readonly row: number
  readonly channel: string
  readonly orderKey: string
  readonly priority: 'high' | 'medium' | 'low'
  readonly made_ms: number
  readonly tries: number
  /** JSON as alerts/ made it when the event came. */
  readonly body: string
}

/** The durable queue as the drainer sees it; service/ hands in history. Rows are delivered in order per orderKey. */
export interface Outbox {
  readonly pending: (channel: string, afterRow: number, limit: number) => Promise<readonly Message[]>
  readonly delivered: (rows: readonly number[]) => Promise<void>
  readonly dead: (row: number, why: string) => Promise<void>
}

/** What became of one message. later: keep it and try again; never: the receiver refuses it for good (dead letter). */
export type Delivery =
  | { readonly kind: 'delivered' }
  | { readonly kind: 'later'; readonly why: string; /** The receiver asked to be left alone this long. */ readonly after_ms?: number }
  | { readonly kind: 'never'; readonly why: string }

/** A way to tell people. Only the drainer calls `send`. */
export interface Channel {
  readonly name: string
  /** Most messages in flight that make sense here; without it the drainer's own bound holds. */
  readonly maxInFlight?: number
  /** False while there is no point in trying (no connection). The drainer waits for `onReady`. */
  readonly isReady: () => boolean
  readonly onReady: (call: () => void) => void
  readonly send: (message: Message) => Promise<Delivery>
  readonly close: () => Promise<void>
}
