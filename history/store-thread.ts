import { statSync } from 'node:fs'
import { dirname } from 'node:path'
import type { DatabaseSync } from 'node:sqlite'
import { isMainThread, parentPort, Worker, workerData, type MessagePort } from 'node:worker_threads'
import { explain, faultOf } from './faults.ts'
import { takeLock, type Lock } from './lock.ts'
import type { Answered, Answers, Ask, FromThread, Reply, Request, Settings, Start } from './messages.ts'
import { serveReader } from './read-worker.ts'
import { createReserve } from './reserve.ts'
import { syncPath } from './schema.ts'
import type { StoreFault, StoreNotice } from './store.ts'
import { connect, createWriter, limit, type Writer } from './writer.ts'

/** Records in one transaction at most: what waits behind them is not kept waiting longer. */
const GROUP_RECORDS = 256
const GROUP_COMMITS = 256
/** How often a full disk is looked at for room, and a failed one for life. */
const LOOK_AGAIN_MS = 5000

/** What the store thread does to the file: either there is a connection, or there is none because of a fault. */
type Connection = { readonly kind: 'open'; readonly writer: Writer } | { readonly kind: 'down'; readonly fault: StoreFault }
type Write = Extract<Ask, { kind: 'commit' | 'delivered' | 'dead' | 'forget' }>

/**
 * Owns the one connection that writes. Commits that came while a transaction was being written share the next one: under
 * load the fsync is paid once for many, and without load nobody waits. One long file: what a fault does to queue, reserve and
 * connection is one state, and cut in pieces nobody could see that no way out of it loses a commit.
 */
function serveWriter(port: MessagePort, settings: Settings): void {
  const { file } = settings
  const reserve = createReserve(file, settings.reserveBytes)
  const queue: Request[] = []
  let notices: StoreNotice[] = []
  let isScheduled = false
  /** True from the moment the reserve was released until it is back: samples stop, the journal goes on. */
  let isTight = false
  let looked_ms = 0
  let transactions = 0
  let commitSeconds = 0
  let isNormal = false
  let isShut = false

  const notice = (one: StoreNotice): void => void notices.push(one)
  const post = (message: FromThread): void => port.postMessage(message)
  let lock: Lock
  let connection: Connection
  try {
    lock = takeLock(file)
    try {
      connection = openConnection()
    } catch (error) {
      lock.release()
      throw error
    }
  } catch (error) {
    const fault = faultOf(error, file)
    if (fault === null) throw error
    post({ kind: 'refused', fault, message: explain(fault, file) })
    port.close()
    return
  }
  syncPath(dirname(file))
  if (!reserve.restore())
    notice({
      kind: 'no_reserve',
      text: `${file}: no room on the disk for the reserve of ${mega(settings.reserveBytes)}. If the disk fills up, the journal stops with the readings. Free space, then start again.`,
    })

  port.on('message', (request: Request) => {
    queue.push(request)
    schedule()
  })
  post({ kind: 'open' })
  tell()

  function openConnection(): Connection {
    isNormal = false
    const db = connect(settings, notice)
    if (isTight && settings.maxBytes !== null) limit(db, settings.maxBytes + settings.reserveBytes)
    return { kind: 'open', writer: createWriter(db, settings, notice) }
  }
  function schedule(): void {
    if (isScheduled || queue.length === 0) return
    isScheduled = true
    // After the poll phase, so that every message that has arrived is in the queue.
    setImmediate(turn)
  }
  function turn(): void {
    isScheduled = false
    const group = nextGroup()
    const replies = group === null ? [read(queue.shift())] : writeGroup(group)
    tell(replies.filter((reply) => reply !== null))
    schedule()
  }
  function tell(replies: readonly Reply[] = []): void {
    post({ kind: 'answered', replies, figures: figures(), notices })
    notices = []
  }
  /** Writes at the head of the queue, up to one transaction full; null when a question stands there. */
  function nextGroup(): { id: number; ask: Write }[] | null {
    const group: { id: number; ask: Write }[] = []
    let records = 0
    for (const { id, ask } of queue) {
      if (!isWrite(ask) || records >= GROUP_RECORDS || group.length >= GROUP_COMMITS) break
      if (ask.kind === 'commit') records += ask.commit.records.length
      group.push({ id, ask })
    }
    queue.splice(0, group.length)
    return group.length === 0 ? null : group
  }
  function read(request: Request | undefined): Reply | null {
    if (request === undefined) return null
    const { id, ask } = request
    if (ask.kind === 'close') {
      shut()
      return { id, ok: true, value: null }
    }
    if (connection.kind === 'down') return refuse({ id, ask }, connection.fault)
    try {
      return { id, ok: true, value: look(connection.writer, ask) }
    } catch (error) {
      const fault = faultOf(error, file)
      if (fault === null) return { id, ok: false, fault, message: String(error), chunk: null }
      if (fault.kind === 'io') discard(fault)
      return refuse({ id, ask }, fault)
    }
  }
  function writeGroup(group: readonly { id: number; ask: Write }[]): Reply[] {
    if (connection.kind === 'down') {
      const { fault } = connection
      return group.map((one) => refuse(one, fault))
    }
    const isWanted = isTight && !hasRoomAgain() ? (one: { ask: Write }) => isEssential(one.ask) : () => true
    const wanted = group.filter(isWanted)
    const late = group.filter((one) => !isWanted(one)).map((one) => refuse(one, FULL))
    return [...late, ...writeOrExplain(connection.writer, wanted)]
  }
  function writeOrExplain(writer: Writer, group: readonly { id: number; ask: Write }[]): Reply[] {
    const first = attempt(writer, group)
    if (Array.isArray(first)) return first
    if (first.kind !== 'disk_full') {
      if (first.kind !== 'locked') discard(first)
      return group.map((one) => refuse(one, first))
    }
    const essential = group.filter((one) => isEssential(one.ask))
    const rest = group.filter((one) => !isEssential(one.ask)).map((one) => refuse(one, first))
    if (essential.length === 0) return rest
    const isReleased = release(writer)
    // Once more, and only if something has changed: either there is room now, or the samples are not in it any more.
    const second = isReleased || rest.length > 0 ? attempt(writer, essential) : first
    if (Array.isArray(second)) return [...rest, ...second]
    if (second.kind !== 'disk_full' && second.kind !== 'locked') discard(second)
    return [...rest, ...essential.map((one) => refuse(one, second))]
  }
  /** One transaction: the replies, or the fault that undid it all. A bug in one commit undoes that one alone. */
  function attempt(writer: Writer, group: readonly { id: number; ask: Write }[]): Reply[] | StoreFault {
    if (group.length === 0) return []
    const { db } = writer
    const started = performance.now()
    const undo = writer.mark()
    const noticesBefore = notices.length
    try {
      setSync(
        db,
        group.every(({ ask }) => ask.kind === 'delivered'),
      )
      db.exec('begin immediate')
      const now_ms = Date.now()
      const replies = group.map((one) => attemptOne(writer, one, now_ms))
      db.exec('commit')
      transactions++
      commitSeconds += (performance.now() - started) / 1000
      const synced_ms = Date.now()
      return replies.map((reply) => (reply.ok && isReceipt(reply.value) ? { ...reply, value: { ...reply.value, synced_ms } } : reply))
    } catch (error) {
      const fault = faultOf(error, file)
      if (fault === null) throw error
      try {
        if (db.isTransaction) db.exec('rollback')
      } catch {
        // The connection is of no use any more; the fault below says so already.
      }
      undo()
      notices.length = noticesBefore
      return fault
    }
  }
  function attemptOne(writer: Writer, { id, ask }: { id: number; ask: Write }, now_ms: number): Reply {
    const undo = writer.mark()
    writer.db.exec('savepoint one')
    try {
      const value = perform(writer, ask, now_ms)
      writer.db.exec('release one')
      return { id, ok: true, value }
    } catch (error) {
      if (faultOf(error, file) !== null) throw error
      writer.db.exec('rollback to one; release one')
      undo()
      const chunk = ask.kind === 'commit' ? ask.commit.chunk : null
      return { id, ok: false, fault: null, message: error instanceof Error ? error.message : String(error), chunk }
    }
  }
  /** What is only forgotten after delivery need not be fsynced: losing it means telling the same id once more. */
  function setSync(db: DatabaseSync, normal: boolean): void {
    if (normal === isNormal) return
    db.exec(`pragma synchronous = ${normal ? 'normal' : 'full'}`)
    isNormal = normal
  }
  function refuse({ id, ask }: { id: number; ask: Ask }, fault: StoreFault): Reply {
    return { id, ok: false, fault, message: explain(fault, file), chunk: ask.kind === 'commit' ? ask.commit.chunk : null }
  }
  function release(writer: Writer): boolean {
    if (!reserve.release()) return false
    isTight = true
    looked_ms = performance.now()
    if (settings.maxBytes !== null) limit(writer.db, settings.maxBytes + settings.reserveBytes)
    notice({
      kind: 'reserve_released',
      text: `${file}: the disk is full. The reserve of ${mega(settings.reserveBytes)} is released for the journal; readings are not kept any more. Free space on this disk.`,
    })
    return true
  }
  function hasRoomAgain(): boolean {
    if (performance.now() - looked_ms < LOOK_AGAIN_MS) return false
    looked_ms = performance.now()
    if (!reserve.restore()) return false
    isTight = false
    if (connection.kind === 'open') limit(connection.writer.db, settings.maxBytes)
    notice({ kind: 'reserve_restored', text: `${file}: the disk has room again. The reserve is back and readings are kept.` })
    return true
  }
  /** After an error of the disk nothing that this connection believes can be trusted (a failed fsync may have dropped what it was to save). */
  function discard(fault: StoreFault): void {
    if (connection.kind === 'open') {
      notice({ kind: 'connection_discarded', text: explain(fault, file) })
      try {
        connection.writer.db.close()
      } catch {
        // Closing writes too, and may fail for the same reason; the descriptor is gone all the same.
      }
    }
    connection = { kind: 'down', fault }
    checkThenReopen()
  }
  /** The look at the whole file runs in a thread of its own: meanwhile every commit is refused at once, and people are told without the record. */
  function checkThenReopen(): void {
    const checker = new Worker(new URL(import.meta.url), { workerData: { role: 'read', settings } satisfies Start })
    checker.once('message', ({ replies: [reply] }: Answered) => {
      void checker.terminate()
      reopen(reply)
    })
    checker.once('error', (error) => failAgain({ kind: 'io', detail: String(error) }))
    checker.postMessage({ id: 0, ask: { kind: 'quickCheck' } } satisfies Request, [])
  }
  function reopen(reply: Reply | undefined): void {
    if (reply === undefined || isShut) return
    if (!reply.ok) return failAgain(reply.fault ?? { kind: 'io', detail: reply.message })
    const verdict = reply.value
    if (verdict === null || typeof verdict !== 'object' || !('ok' in verdict) || !verdict.ok) {
      const detail = verdict !== null && typeof verdict === 'object' && 'detail' in verdict ? verdict.detail : 'no verdict'
      connection = { kind: 'down', fault: { kind: 'corrupt', detail } }
      return
    }
    try {
      connection = openConnection()
      // Writes what the log has into the file itself and fsyncs it: what only the cache knew is on the disk then, or fails here.
      if (connection.kind === 'open') connection.writer.db.exec('pragma wal_checkpoint(truncate)')
      notice({ kind: 'connection_back', text: `${file}: verified and open again. What was refused meanwhile is a gap in the record.` })
      tell()
    } catch (error) {
      const fault = faultOf(error, file)
      if (fault === null) throw error
      failAgain(fault)
    }
  }
  function failAgain(fault: StoreFault): void {
    if (isShut) return
    if (connection.kind === 'open') {
      try {
        connection.writer.db.close()
      } catch {
        // As in discard.
      }
    }
    connection = { kind: 'down', fault }
    if (fault.kind !== 'corrupt') setTimeout(checkThenReopen, LOOK_AGAIN_MS).unref()
  }
  function figures(): Answered['figures'] {
    const writer = connection.kind === 'open' ? connection.writer : null
    return {
      transactions,
      commitSeconds,
      outboxDepth: writer?.outbox.depth ?? 0,
      oldestPending_ms: writer?.outbox.oldest() ?? {},
      deadLetters: writer?.outbox.dead ?? 0,
      fileBytes: sizeOf(file) + sizeOf(`${file}-wal`),
      summarised: writer?.outbox.summarised ?? 0,
      conflicts: writer?.conflicts() ?? 0,
      reserve: reserve.isThere(),
    }
  }
  function shut(): void {
    isShut = true
    try {
      if (connection.kind === 'open') {
        connection.writer.db.exec('pragma optimize')
        connection.writer.db.close()
      }
    } catch {
      // Everything that was promised is on the disk; what closing would tidy up, the next opening does.
    }
    connection = { kind: 'down', fault: { kind: 'closed', detail: 'as asked' } }
    lock.release()
    // After this turn's answer has gone.
    setImmediate(() => port.close())
  }
}

const FULL: StoreFault = { kind: 'disk_full', detail: 'the reserve is in use' }

const isWrite = (ask: Ask): ask is Write =>
  ask.kind === 'commit' || ask.kind === 'delivered' || ask.kind === 'dead' || ask.kind === 'forget'

/** The journal and what makes room; a bare chunk or snapshot is not, and waits for a better time. */
function isEssential(ask: Write): boolean {
  if (ask.kind !== 'commit') return true
  return ask.commit.records.length > 0 || ask.commit.outbox.length > 0 || ask.commit.plan !== null
}

/** Receipts get their time when the transaction is on the disk: until then it stands at 0. */
function perform(writer: Writer, ask: Write, now_ms: number): Answers[Write['kind']] {
  switch (ask.kind) {
    case 'commit':
      return { ...writer.commit(ask.commit, now_ms), synced_ms: 0 }
    case 'delivered':
      writer.outbox.delivered(ask.rows, now_ms)
      return null
    case 'dead':
      writer.outbox.kill(ask.row, ask.why, now_ms)
      return null
    case 'forget':
      return writer.forget(ask.before_ms)
  }
}

const isReceipt = (value: Answers[keyof Answers]): value is Answers['commit'] =>
  value !== null && typeof value === 'object' && 'synced_ms' in value

/** Questions that have to see every write queued before them, and are short: by key, in pages. */
function look(writer: Writer, ask: Ask): Answers[keyof Answers] {
  switch (ask.kind) {
    case 'recover':
      return writer.recover()
    case 'plan':
      return writer.plan(ask.version)
    case 'pending':
      return writer.outbox.pending(ask.channel, ask.afterRow, ask.limit)
    case 'deadLetters':
      return writer.outbox.deadLetters(ask.limit)
    case 'commit':
    case 'delivered':
    case 'dead':
    case 'forget':
    case 'close':
    case 'chunks':
    case 'journal':
    case 'verify':
    case 'quickCheck':
      throw new TypeError(`${ask.kind} is not asked here`)
  }
}

const sizeOf = (path: string): number => statSync(path, { throwIfNoEntry: false })?.size ?? 0
const mega = (bytes: number): string => `${Math.round(bytes / 1048576)} MB`

if (!isMainThread && parentPort !== null) {
  // Handed over by openHistory or checkThenReopen, of this very type.
  const { role, settings } = workerData as Start
  if (role === 'write') serveWriter(parentPort, settings)
  else serveReader(parentPort, settings)
}
