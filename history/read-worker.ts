import { DatabaseSync, type StatementSync } from 'node:sqlite'
import type { MessagePort } from 'node:worker_threads'
import { faultOf, explain } from './faults.ts'
import { queryJournal } from './journal.ts'
import type { Answered, Answers, Ask, Reply, Request, Settings } from './messages.ts'
import { bytes, number, text } from './row.ts'
import type { Chunk } from './store.ts'
import { quickCheck, verify } from './verify.ts'

/** More than this in one page of chunks would only fill the memory of who asked. */
const PAGE_BYTES = 16 * 1024 * 1024

/**
 * Answers questions on a connection of its own that cannot write. In WAL mode a reader keeps nobody waiting and is kept
 * waiting by nobody, so a long look never delays the journal.
 */
export function serveReader(port: MessagePort, { file }: Settings): void {
  const statements = new Map<string, StatementSync>()
  let db: DatabaseSync | null = null
  port.on('message', ({ id, ask }: Request) => {
    let reply: Reply
    const transfer: ArrayBuffer[] = []
    try {
      db ??= new DatabaseSync(file, { readOnly: true, timeout: 5000 })
      const value = answer(db, statements, ask)
      if (ask.kind === 'chunks' && Array.isArray(value))
        for (const { bytes } of value as Chunk[]) transfer.push(bytes.buffer as ArrayBuffer)
      reply = { id, ok: true, value }
    } catch (error) {
      const fault = faultOf(error, file)
      const message = fault === null ? String(error) : explain(fault, file)
      reply = { id, ok: false, fault, message, chunk: null }
      // A statement that failed may stand half way; the next question gets a fresh connection.
      db?.close()
      db = null
      statements.clear()
    }
    port.postMessage({ kind: 'answered', replies: [reply], figures: null, notices: [] } satisfies Answered, transfer)
  })
}

function answer(db: DatabaseSync, statements: Map<string, StatementSync>, ask: Ask): Answers[keyof Answers] {
  switch (ask.kind) {
    case 'journal':
      return queryJournal(db, statements, ask.query)
    case 'chunks':
      return chunksAfter(db, ask.afterSeq, ask.limit)
    case 'verify':
      return verify(db)
    case 'quickCheck':
      return quickCheck(db)
    case 'commit':
    case 'recover':
    case 'plan':
    case 'pending':
    case 'delivered':
    case 'dead':
    case 'deadLetters':
    case 'forget':
    case 'close':
      throw new TypeError(`${ask.kind} is for the store thread`)
  }
}

/** Chunks never overlap, so the one that `afterSeq` stands in, or the next, is found by key; no scan from the beginning. */
const CHUNKS = `
  select first_seq, last_seq, first_ms, last_ms, plan, count, bytes from inputs
  where last_seq > ?1 and first_seq >= coalesce((select max(first_seq) from inputs where first_seq <= ?1), 0)
  order by first_seq`

function chunksAfter(db: DatabaseSync, afterSeq: number, limit: number): readonly Chunk[] {
  const chunks: Chunk[] = []
  let inputs = 0
  let size = 0
  for (const row of db.prepare(CHUNKS).iterate(afterSeq)) {
    const content = bytes(row, 'bytes')
    chunks.push({
      planVersion: text(row, 'plan'),
      firstSeq: number(row, 'first_seq'),
      lastSeq: number(row, 'last_seq'),
      first_ms: number(row, 'first_ms'),
      last_ms: number(row, 'last_ms'),
      bytes: content,
    })
    inputs += Math.min(number(row, 'count'), number(row, 'last_seq') - afterSeq)
    size += content.length
    if (inputs >= limit || size >= PAGE_BYTES) break
  }
  return chunks
}
