import { backoff } from './backoff.ts'
import type { Channel, Delivery, Message, Outbox } from './channel.ts'
import { createReporter, type Report } from './reporter.ts'

/** Most messages of a channel held in memory; more wait in the store. As many may be delivered and not yet reported. */
export const MOST_HELD = 4096
/** Most of those that the store could not keep, held on top: they live in memory alone. */
export const MOST_UNRECORDED = MOST_HELD / 4
export const MOST_IN_FLIGHT = 256

export interface DrainerSettings {
  readonly channel: Channel
  readonly outbox: Outbox
  /** A message is refused for good: it is on the dead-letter list and must raise an alarm. */
  readonly onDead: (message: Message, why: string) => void
  /** An unrecorded message was let go at the bound; recorded ones never are. */
  readonly onDropped?: (message: Message) => void
  /** The store does not answer; sending goes on with what is in memory. `null`: it answers again. */
  readonly onFault?: (why: string | null) => void
  readonly random?: () => number
  readonly maxInFlight?: number
  /** Most messages held in memory. More wait in the store. */
  readonly maxHeld?: number
  readonly pageSize?: number
  readonly firstRetry_ms?: number
  readonly mostRetry_ms?: number
  readonly report_ms?: number
}
export interface Drainer {
  /** A message just committed, in the order of rows: sent within this call where nothing older of its key waits. */
  readonly offer: (message: Message) => void
  readonly figures: () => DrainerFigures
  /** Resolves when nothing that the drainer knows of waits any more and all is reported. */
  readonly idle: () => Promise<void>
  /** Takes nothing more, waits for what is in flight and reports it. The channel stays open. */
  readonly close: () => Promise<void>
}
export interface DrainerFigures {
  readonly held: number
  readonly inFlight: number
  readonly blockedKeys: number
  /** True: older rows wait in the store and are read page by page. */
  readonly behind: boolean
  readonly unreported: number
  /** Held without a row in the store. */
  readonly unrecorded: number
  /** When the oldest message held was made; null: none is held. Older ones may wait in the store while `behind`. */
  readonly oldest_ms: number | null
  readonly delivered: number
  readonly retries: number
  readonly dead: number
  readonly dropped: number
}

/** Messages of one order key. The first is in flight or waits for its next try; the rest wait for it. */
interface Lane {
  readonly key: string
  queue: Message[]
  tries: number
  isInFlight: boolean
  retry: NodeJS.Timeout | null
  /** Rows of this key after this one are in the store only; null: none that we know of. */
  leftAfter: number | null
}

/**
 * The only publisher of a channel: at least once, same id, in order per order key, one message of a key in flight at a time. Memory is
 * bounded: what does not fit stays in the store and is read again from there. Rows without a place in the store (row 0 or below: it
 * could not keep them) live in memory alone.
 */
export function startDrainer(settings: DrainerSettings): Drainer {
  const { channel, outbox, onDead, onDropped = () => {}, onFault = () => {}, random = Math.random } = settings
  const { maxHeld = MOST_HELD, pageSize = 256, firstRetry_ms = 250, mostRetry_ms = 60_000, report_ms = 1000 } = settings
  const maxInFlight = Math.min(settings.maxInFlight ?? MOST_IN_FLIGHT, channel.maxInFlight ?? Number.POSITIVE_INFINITY)
  const lanes = new Map<string, Lane>()
  /** Lanes that could send now, in turn, so that a busy key does not starve the others. */
  const ready: Lane[] = []
  /** Rows in lanes or not yet reported: a page from the store may hold them again. */
  const known = new Set<number>()
  /** Ids that went out before the store had them: when their rows come, they are delivered already. */
  const early = new Set<string>()
  const idlers: (() => void)[] = []
  const total = { delivered: 0, retries: 0, dead: 0, dropped: 0 }
  let [held, unrecorded, inFlight, cursor, offered, reading] = [0, 0, 0, 0, 0, 0]
  let [isBehind, isReading, isClosed] = [true, false, false]
  let readRetry: NodeJS.Timeout | null = null
  let readFaults = 0
  const reporter = createReporter({
    outbox,
    report_ms,
    wait_ms: (tries) => backoff(tries, firstRetry_ms, mostRetry_ms, random),
    onFault,
    onReported: (rows) => {
      for (const row of rows) known.delete(row)
      // Reading stops while too much is unreported: it goes on here.
      pump()
      settle()
    },
  })

  const laneOf = (key: string): Lane => {
    const found = lanes.get(key)
    if (found !== undefined) return found
    const lane: Lane = { key, queue: [], tries: 0, isInFlight: false, retry: null, leftAfter: null }
    lanes.set(key, lane)
    return lane
  }

  /** Puts a message into its lane; false: no room, it stays in the store. */
  function take(message: Message): boolean {
    const isStored = message.row > 0
    if (isStored && isEarly(message)) return true
    const lane = laneOf(message.orderKey)
    // A key that cannot send keeps at most half of the memory from the others; one that left rows behind reads them first.
    if (isStored && (lane.leftAfter !== null || (lane.retry !== null && held >= maxHeld / 2))) {
      lane.leftAfter ??= message.row - 1
      return true
    }
    if (isStored && held >= maxHeld) trimBlocked()
    const isFull = isStored ? held >= maxHeld : unrecorded >= maxHeld / 4 && !dropOne()
    if (isFull) {
      if (lane.queue.length === 0) lanes.delete(lane.key)
      return false
    }
    lane.queue.push(message)
    held += 1
    if (isStored) known.add(message.row)
    else unrecorded += 1
    if (lane.queue.length === 1 && lane.retry === null) ready.push(lane)
    return true
  }

  /** True: the message went out while the store could not keep it, or is about to; now it has a row. */
  function isEarly(message: Message): boolean {
    if (early.delete(message.id)) {
      known.add(message.row)
      reporter.add({ kind: 'delivered', row: message.row })
      return true
    }
    if (unrecorded === 0) return false
    const queue = lanes.get(message.orderKey)?.queue ?? []
    const place = queue.findIndex(({ id, row }) => id === message.id && row <= 0)
    if (place < 0) return false
    queue[place] = message
    known.add(message.row)
    unrecorded -= 1
    return true
  }

  /** Keys that wait for their next try give up all but their first message to the store. */
  function trimBlocked(): void {
    for (const lane of lanes.values()) if (lane.retry !== null) trim(lane)
  }
  function trim(lane: Lane): void {
    const kept = lane.queue.filter((message, index) => index === 0 || message.row <= 0)
    const gone = lane.queue.filter((message, index) => index > 0 && message.row > 0)
    for (const { row } of gone) {
      known.delete(row)
      lane.leftAfter = Math.min(lane.leftAfter ?? row - 1, row - 1)
    }
    held -= gone.length
    lane.queue = kept
  }

  /** Room for an unrecorded message: the oldest of low priority that is not in flight goes, and is told. */
  function dropOne(): boolean {
    for (const priority of ['low', 'medium', 'high']) {
      for (const lane of lanes.values()) {
        const index = lane.queue.findIndex((message, place) => message.row <= 0 && message.priority === priority && place > 0)
        const [gone] = index < 0 ? [] : lane.queue.splice(index, 1)
        if (gone === undefined) continue
        held -= 1
        unrecorded -= 1
        total.dropped += 1
        onDropped(gone)
        return true
      }
    }
    return false
  }

  function pump(): void {
    while (!isClosed && inFlight < maxInFlight && ready.length > 0 && channel.isReady()) {
      const lane = ready.shift()
      const message = lane?.queue[0]
      if (lane === undefined || message === undefined || lane.isInFlight) continue
      lane.isInFlight = true
      inFlight += 1
      channel.send(lane.tries === 0 ? message : { ...message, tries: message.tries + lane.tries }).then(
        (delivery) => landed(lane, message, delivery),
        // A channel answers with values; a throw is its bug, and still no reason to lose a message.
        (fault: unknown) => landed(lane, message, { kind: 'later', why: String(fault) }),
      )
    }
    if (isBehind) read()
  }

  function landed(lane: Lane, message: Message, delivery: Delivery): void {
    lane.isInFlight = false
    inFlight -= 1
    switch (delivery.kind) {
      case 'delivered':
        total.delivered += 1
        leave(lane, message, { kind: 'delivered', row: message.row })
        break
      case 'never':
        total.dead += 1
        leave(lane, message, { kind: 'dead', row: message.row, why: delivery.why })
        onDead(message, delivery.why)
        break
      case 'later':
        total.retries += 1
        lane.tries += 1
        again(lane, delivery.after_ms ?? 0)
        break
    }
    pump()
    settle()
  }

  function leave(lane: Lane, message: Message, report: Report): void {
    // It may have got its row in the store while it was on its way.
    const { row } = lane.queue.shift() ?? message
    lane.tries = 0
    held -= 1
    if (row > 0) reporter.add({ ...report, row })
    else {
      unrecorded -= 1
      if (report.kind === 'delivered') early.add(message.id)
      if (early.size > maxHeld) early.delete(early.values().next().value ?? '')
    }
    if (lane.leftAfter !== null) {
      goBack(lane.leftAfter)
      lane.leftAfter = null
    }
    if (lane.queue.length > 0) ready.push(lane)
    else lanes.delete(lane.key)
  }

  function again(lane: Lane, after_ms: number): void {
    // Without a connection there is no point in waiting: onReady is the next try of all.
    if (!channel.isReady() || isClosed) {
      ready.push(lane)
      return
    }
    const wait_ms = Math.max(after_ms, backoff(lane.tries, firstRetry_ms, mostRetry_ms, random))
    lane.retry = setTimeout(() => retryNow(lane), Math.min(wait_ms, 3_600_000))
    if (held >= maxHeld / 2) trim(lane)
  }
  function retryNow(lane: Lane): void {
    if (lane.retry !== null) clearTimeout(lane.retry)
    lane.retry = null
    ready.push(lane)
    pump()
  }

  /** Rows after `row` that we let go must be read again; those still known are passed over. */
  function goBack(row: number): void {
    cursor = Math.min(cursor, row)
    isBehind = true
    // A page that is on its way was asked for from further on.
    reading += 1
  }

  function read(): void {
    if (isReading || isClosed || readRetry !== null || !channel.isReady() || held > maxHeld / 2 || reporter.waiting() >= maxHeld) return
    isReading = true
    void readPage(reading, offered)
  }

  async function readPage(generation: number, offeredBefore: number): Promise<void> {
    try {
      const page = await outbox.pending(channel.name, cursor, pageSize)
      if (readFaults > 0) onFault(null)
      readFaults = 0
      if (generation === reading && !isClosed) taken(page, offeredBefore)
    } catch (fault) {
      readFaults += 1
      onFault(`outbox of ${channel.name} cannot be read: ${String(fault)}`)
      const wait_ms = backoff(readFaults, firstRetry_ms, mostRetry_ms, random)
      readRetry = setTimeout(() => {
        readRetry = null
        pump()
      }, wait_ms)
    }
    isReading = false
    pump()
    settle()
  }

  function taken(page: readonly Message[], offeredBefore: number): void {
    for (const message of page) {
      if (!known.has(message.row) && !take(message)) return
      cursor = Math.max(cursor, message.row)
    }
    if (page.length === pageSize) return
    // The end of what was committed before the page was asked for; more may have been committed and offered since.
    cursor = Math.max(cursor, offeredBefore)
    isBehind = offered > cursor
  }

  function offer(message: Message): void {
    if (message.row <= 0) {
      if (!take(message)) {
        total.dropped += 1
        onDropped(message)
      }
      pump()
      return
    }
    offered = Math.max(offered, message.row)
    if (isClosed || known.has(message.row)) return
    if (isBehind) {
      pump()
      return
    }
    // Offered out of order: the store knows best what is still to be sent.
    if (message.row <= cursor) goBack(message.row - 1)
    else if (reporter.waiting() < maxHeld && take(message)) cursor = message.row
    else isBehind = true
    pump()
  }

  function settle(): void {
    const isIdle = held === 0 && inFlight === 0 && !isBehind && !isReading && reporter.waiting() === 0
    if (isIdle || (isClosed && inFlight === 0)) for (const idler of idlers.splice(0)) idler()
  }
  function oldestHeld_ms(): number | null {
    let oldest_ms = Infinity
    // In order within a key: its first is its oldest.
    for (const { queue } of lanes.values()) oldest_ms = Math.min(oldest_ms, queue[0]?.made_ms ?? Infinity)
    return oldest_ms === Infinity ? null : oldest_ms
  }
  const idle = (): Promise<void> =>
    new Promise((resolve) => {
      idlers.push(resolve)
      settle()
    })

  channel.onReady(() => {
    for (const lane of lanes.values()) if (lane.retry !== null) retryNow(lane)
    pump()
  })
  pump()

  return {
    offer,
    idle,
    figures: () => ({
      held,
      inFlight,
      blockedKeys: [...lanes.values()].filter((lane) => lane.retry !== null).length,
      behind: isBehind,
      unreported: reporter.waiting(),
      unrecorded,
      oldest_ms: oldestHeld_ms(),
      ...total,
    }),
    close: async () => {
      isClosed = true
      if (readRetry !== null) clearTimeout(readRetry)
      for (const lane of lanes.values()) if (lane.retry !== null) clearTimeout(lane.retry)
      await idle()
      await reporter.close()
    },
  }
}
