import type { DatabaseSync } from 'node:sqlite'
import { CHAIN_START, chainHash } from './canonical.ts'
import { countIn, findDamage } from './chunk.ts'
import { subjectOf, recordOf } from './journal.ts'
import { bytes, number, text, type Row } from './row.ts'
import { crc32 } from 'node:zlib'

export interface Verdict {
  readonly ok: boolean
  readonly detail: string
}

/** Only what SQLite can say of its own pages: before a connection is used again after a disk error. */
export function quickCheck(db: DatabaseSync): Verdict {
  const first = String(Object.values(db.prepare('pragma quick_check(1)').get() ?? {})[0])
  return { ok: first === 'ok', detail: first === 'ok' ? 'the pages of the file are sound' : first }
}

/** Everything: pages, every hash of the journal against its content, every chunk and snapshot against its checksum. */
export function verify(db: DatabaseSync): Verdict {
  const faults: string[] = []
  const pages = quickCheck(db)
  if (!pages.ok) faults.push(`pages: ${pages.detail}`)
  let records = 0
  let prev = CHAIN_START
  for (const row of db.prepare('select * from journal order by row').iterate()) {
    records++
    const fault = findRecordFault(row, prev)
    if (fault !== null) faults.push(`journal row ${number(row, 'row')}: ${fault}`)
    prev = text(row, 'hash')
    if (faults.length >= MOST_FAULTS) break
  }
  let chunks = 0
  let reached = -1
  for (const row of db.prepare('select first_seq, last_seq, count, bytes from inputs order by first_seq').iterate()) {
    chunks++
    const [first, last] = [number(row, 'first_seq'), number(row, 'last_seq')]
    const damage = findDamage(bytes(row, 'bytes'))
    if (damage !== null) faults.push(`inputs ${first} to ${last}: ${damage}`)
    else if (countIn(bytes(row, 'bytes')) !== number(row, 'count')) faults.push(`inputs ${first} to ${last}: not as many as were stored`)
    if (first <= reached) faults.push(`inputs ${first} to ${last}: overlap those before`)
    reached = last
    if (faults.length >= MOST_FAULTS) break
  }
  for (const row of db.prepare('select seq, crc32, state from snapshots').iterate()) {
    if (crc32(text(row, 'state')) !== number(row, 'crc32'))
      faults.push(`snapshot at input ${number(row, 'seq')}: its checksum does not fit`)
  }
  const seen = `${records} journal records, ${chunks} chunks of inputs`
  return faults.length === 0 ? { ok: true, detail: `${seen}: sound` } : { ok: false, detail: `${seen} looked at: ${faults.join('; ')}` }
}

/** Past this many the file is broken altogether and a longer list helps nobody. */
const MOST_FAULTS = 20

function findRecordFault(row: Row, prev: string): string | null {
  if (text(row, 'prev') !== prev) return 'does not follow the row before it'
  if (chainHash(prev, number(row, 'recorded_ms'), text(row, 'body')) !== text(row, 'hash')) return 'its hash does not fit its content'
  const { id, event } = recordOf(row)
  const alarm = event.kind === 'alarm' ? event.alarm : null
  const same = row['id'] === id && row['at_ms'] === event.at_ms && row['alarm'] === alarm && row['subject'] === subjectOf(event)
  return same ? null : 'the columns for searching do not say what the record says'
}
