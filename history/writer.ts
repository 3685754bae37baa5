import { DatabaseSync } from 'node:sqlite'
import { crc32 } from 'node:zlib'
import { countIn } from './chunk.ts'
import { faultOf } from './faults.ts'
import { openJournal } from './journal.ts'
import type { RawRecovery, Settings } from './messages.ts'
import { openOutbox, type Outbox } from './outbox.ts'
import { bytes, number, text, type Row } from './row.ts'
import { migrate } from './schema.ts'
import type { Chunk, Commit, Receipt, Snapshot, StoreNotice } from './store.ts'

export const PAGE_BYTES = 4096

/** The one connection that writes. Everything here is synchronous and runs on the store thread alone. */
export interface Writer {
  readonly db: DatabaseSync
  readonly outbox: Outbox
  readonly conflicts: () => number
  readonly commit: (commit: Commit, now_ms: number) => Omit<Receipt, 'synced_ms'>
  readonly forget: (before_ms: number) => number
  readonly recover: () => RawRecovery
  readonly plan: (version: string) => string | null
  /** Remembers what is known beside the file; the returned call sets it back after a rollback. */
  readonly mark: () => () => void
}

/** Opens and brings up to date. FULL: every commit is fsynced, telemetry too: it is one a second, and 'kept' then always means kept. */
export function connect(settings: Settings, notice: (notice: StoreNotice) => void): DatabaseSync {
  const db = new DatabaseSync(settings.file, { timeout: 2000, enableForeignKeyConstraints: false })
  try {
    const copy = migrate(db, settings.file)
    if (copy !== null)
      notice({ kind: 'migrated', text: `${settings.file}: brought to this version's schema; the file as it was is kept as ${copy}.` })
    db.exec(
      'pragma journal_mode = wal; pragma synchronous = full; pragma temp_store = memory; pragma journal_size_limit = 67108864; pragma wal_autocheckpoint = 4000',
    )
    limit(db, settings.maxBytes)
    return db
  } catch (error) {
    db.close()
    throw error
  }
}

/** How far the file may grow; null: as far as SQLite can. */
export function limit(db: DatabaseSync, maxBytes: number | null): void {
  db.exec(`pragma max_page_count = ${maxBytes === null ? 0xfffffffe : Math.floor(maxBytes / PAGE_BYTES)}`)
}

export function createWriter(db: DatabaseSync, settings: Settings, notice: (notice: StoreNotice) => void): Writer {
  const journal = openJournal(db)
  const outbox = openOutbox(db, settings, notice)
  const addPlan = db.prepare('insert or ignore into plans (version, body, stored_ms) values (?, ?, ?)')
  const findPlan = db.prepare('select body from plans where version = ?')
  const addChunk = db.prepare(
    'insert into inputs (first_seq, last_seq, first_ms, last_ms, plan, count, bytes) values (?, ?, ?, ?, ?, ?, ?)',
  )
  const findChunk = db.prepare('select bytes from inputs where first_seq = ?')
  const lastChunk = db.prepare('select last_seq, last_ms, plan from inputs order by first_seq desc limit 1')
  const addSnapshot = db.prepare('insert or replace into snapshots (seq, at_ms, engine, plan, crc32, state) values (?, ?, ?, ?, ?, ?)')
  const keepTwo = db.prepare('delete from snapshots where seq not in (select seq from snapshots order by seq desc limit 2)')
  const snapshotSeqs = db.prepare('select seq from snapshots order by seq desc')
  const findSnapshot = db.prepare('select * from snapshots where seq = ?')
  const lastRecord = db.prepare('select body from journal order by row desc limit 1')
  const oldest = db.prepare('select first_seq, last_seq, last_ms from inputs order by first_seq limit 500')
  const forgetUpTo = db.prepare('delete from inputs where first_seq <= ?')
  const oldestSnapshot = db.prepare('select min(seq) as seq from snapshots')
  let conflicts = number(db.prepare('select count(*) as n from conflicts').get() ?? {}, 'n')
  let lastSeq = readSeq(lastChunk.get(), 'last_seq')
  let knownPlan = ''

  function putChunk(chunk: Chunk): void {
    if (chunk.planVersion !== knownPlan) {
      if (findPlan.get(chunk.planVersion) === undefined)
        throw new RangeError(`plan ${chunk.planVersion} was not stored before its first chunk`)
      knownPlan = chunk.planVersion
    }
    if (chunk.firstSeq <= lastSeq) {
      // The same chunk again: what a caller does who was told of an error though the disk had taken it.
      const old = findChunk.get(chunk.firstSeq)
      if (old !== undefined && Buffer.compare(bytes(old, 'bytes'), chunk.bytes) === 0) return
      throw new RangeError(`inputs ${chunk.firstSeq} to ${chunk.lastSeq}: others up to ${lastSeq} are stored already`)
    }
    addChunk.run(chunk.firstSeq, chunk.lastSeq, chunk.first_ms, chunk.last_ms, chunk.planVersion, countIn(chunk.bytes), chunk.bytes)
    lastSeq = chunk.lastSeq
  }
  function commit({ plan, chunk, records, outbox: messages, snapshot }: Commit, now_ms: number): Omit<Receipt, 'synced_ms'> {
    if (plan !== null) addPlan.run(plan.version, JSON.stringify(plan), now_ms)
    if (chunk !== null) putChunk(chunk)
    const doubles: string[] = []
    const clashes: string[] = []
    for (const record of records) {
      const kind = journal.insert(record, now_ms)
      if (kind === 'double') doubles.push(record.id)
      if (kind === 'conflict') clashes.push(record.id)
    }
    conflicts += clashes.length
    if (clashes.length > 0) notice(clash(clashes))
    // Told already, or under another's id: the outbox row of a double was deleted when it was delivered, so only the journal knows.
    const told = new Set([...doubles, ...clashes])
    const stored = outbox.insert(told.size === 0 ? messages : messages.filter((message) => !told.has(message.id)))
    if (snapshot !== null) {
      const { seq, at_ms, engine, planVersion, state } = snapshot
      addSnapshot.run(seq, at_ms, engine, planVersion, crc32(state), state)
      keepTwo.run()
    }
    return { stored, doubles, conflicts: clashes }
  }
  function forget(before_ms: number): number {
    // Without a snapshot recovery starts from the first input: then all are needed.
    const needed = readSeq(oldestSnapshot.get(), 'seq')
    let upTo = -1
    let gone = 0
    for (const row of oldest.all()) {
      if (number(row, 'last_ms') >= before_ms || number(row, 'last_seq') > needed) break
      upTo = number(row, 'first_seq')
      gone++
    }
    if (gone > 0) forgetUpTo.run(upTo)
    return gone
  }
  function soundSnapshot(notices: StoreNotice[]): Snapshot | null {
    for (const { seq } of snapshotSeqs.all()) {
      const row = readable(() => findSnapshot.get(Number(seq)), settings.file)
      if (row !== null && crc32(text(row, 'state')) === number(row, 'crc32')) {
        const [at_ms, engine, planVersion, state] = [number(row, 'at_ms'), text(row, 'engine'), text(row, 'plan'), text(row, 'state')]
        return { seq: Number(seq), at_ms, engine, planVersion, state }
      }
      const instead = 'The one before it is used, and the inputs since then are played again; where there is none, it starts cold.'
      notices.push({ kind: 'snapshot_damaged', text: `${settings.file}: the snapshot at input ${Number(seq)} is damaged. ${instead}` })
    }
    return null
  }
  function recover(): RawRecovery {
    const notices: StoreNotice[] = []
    const snapshot = soundSnapshot(notices)
    const chunk = lastChunk.get()
    const record = lastRecord.get()
    const chunkSeq = readSeq(chunk, 'last_seq')
    // The journal's own last number counts too: on a full disk records go on without their inputs, and no number is given twice.
    const recordSeq = record === undefined ? 0 : seqOf(text(record, 'body'))
    const version = chunk !== undefined && chunkSeq >= (snapshot?.seq ?? 0) ? text(chunk, 'plan') : (snapshot?.planVersion ?? null)
    const times = [chunk === undefined ? null : number(chunk, 'last_ms'), snapshot?.at_ms ?? null].filter((time) => time !== null)
    return {
      lastSeq: Math.max(chunkSeq, snapshot?.seq ?? 0, recordSeq),
      last_ms: times.length === 0 ? null : Math.max(...times),
      snapshot,
      plan: version === null ? null : planText(version),
      outboxDepth: outbox.depth,
      notices,
    }
  }
  function planText(version: string): string | null {
    const row = findPlan.get(version)
    return row === undefined ? null : text(row, 'body')
  }
  function mark(): () => void {
    const before = { head: journal.head, depth: outbox.depth, dead: outbox.dead, summarised: outbox.summarised, conflicts, lastSeq }
    return () => {
      journal.head = before.head
      outbox.depth = before.depth
      outbox.dead = before.dead
      outbox.summarised = before.summarised
      conflicts = before.conflicts
      lastSeq = before.lastSeq
      knownPlan = ''
    }
  }
  return { db, outbox, conflicts: () => conflicts, commit, forget, recover, plan: planText, mark }
}

const readSeq = (row: Row | undefined, column: string): number => {
  const value = row?.[column]
  return typeof value === 'number' ? value : 0
}

/** The row, or null where SQLite itself says that its page is damaged. */
function readable(read: () => Row | undefined, file: string): Row | null {
  try {
    return read() ?? null
  } catch (error) {
    if (faultOf(error, file)?.kind === 'corrupt') return null
    throw error
  }
}

function seqOf(body: string): number {
  const parsed: unknown = JSON.parse(body)
  return typeof parsed === 'object' && parsed !== null && 'seq' in parsed && typeof parsed.seq === 'number' ? parsed.seq : 0
}

function clash(ids: readonly string[]): StoreNotice {
  return {
    kind: 'id_conflict',
    text:
      `The journal has ${ids.length === 1 ? `event ${String(ids[0])}` : `${ids.length} events (first ${String(ids[0])})`} already, with other content. ` +
      `The record stands as it was and the new content is kept beside it; nobody was told of it again. This is a fault of mouldtend: please report it.`,
  }
}
