import type { DatabaseSync, StatementSync } from 'node:sqlite'
import type { Event } from '../rules/event.ts'
import { canonical, CHAIN_START, chainHash, wellFormed } from './canonical.ts'
import { number, text, type Row } from './row.ts'
import type { JournalQuery, JournalRecord, StoredRecord, Told } from './store.ts'

/** The writing side of the journal: rows are only ever added, each one chained to the one before. */
export interface Journal {
  readonly insert: (record: JournalRecord, recorded_ms: number) => 'new' | 'double' | 'conflict'
  /** Hash of the last row; set back after a rollback. */
  head: string
}

export function openJournal(db: DatabaseSync): Journal {
  const insert = db.prepare(
    `insert into journal (id, recorded_ms, at_ms, alarm, subject, body, prev, hash) values (?, ?, ?, ?, ?, ?, ?, ?)
     on conflict (id) do nothing`,
  )
  const byId = db.prepare('select body from journal where id = ?')
  const note = db.prepare('insert or ignore into conflicts (id, recorded_ms, body) values (?, ?, ?)')
  const last = db.prepare('select hash from journal order by row desc limit 1').get()
  const journal: Journal = {
    head: last === undefined ? CHAIN_START : text(last, 'hash'),
    insert: (record, recorded_ms) => {
      const body = bodyOf(record)
      const hash = chainHash(journal.head, recorded_ms, body)
      const { event } = record
      const alarm = event.kind === 'alarm' ? event.alarm : null
      const added = insert.run(record.id, recorded_ms, event.at_ms, alarm, subjectOf(event), body, journal.head, hash)
      if (added.changes === 1) {
        journal.head = hash
        return 'new'
      }
      const old = byId.get(record.id)
      if (old !== undefined && text(old, 'body') === body) return 'double'
      note.run(record.id, recorded_ms, body)
      return 'conflict'
    },
  }
  return journal
}

/** What a row is found by: its circuit, or the unit or 'service' where there is none. */
export function subjectOf(event: Event): string {
  return event.kind === 'alarm' ? (event.circuit ?? event.unit) : event.subject
}

function bodyOf({ id, seq, engine, event }: JournalRecord): string {
  const body = { id, seq, engine, event }
  try {
    return canonical(body)
  } catch {
    // Lone surrogates in a text from outside, the one thing that may happen; anything else throws again here.
    return canonical(wellFormed(body))
  }
}

export function recordOf(row: Row): JournalRecord {
  // Written by bodyOf from this very type; the hash chain says whether it still is what was written.
  return JSON.parse(text(row, 'body')) as JournalRecord
}

function storedOf(row: Row): StoredRecord {
  return {
    ...recordOf(row),
    row: number(row, 'row'),
    recorded_ms: number(row, 'recorded_ms'),
    hash: text(row, 'hash'),
    // Built by the query itself, from this very type.
    told: JSON.parse(text(row, 'told')) as readonly Told[],
  }
}

/** Who was told of a row, first told first. One look-up by key per row, so a page costs what it is long. */
const TOLD = `(select json_group_array(json_object('channel', channel, 'at_ms', delivered_ms) order by delivered_ms, channel)
  from deliveries where deliveries.id = journal.id) as told`

/** Rows that match, oldest first. One prepared statement per combination of filters. */
export function queryJournal(db: DatabaseSync, statements: Map<string, StatementSync>, query: JournalQuery): StoredRecord[] {
  const where: string[] = ['row > ?']
  const values: (string | number)[] = [query.afterRow ?? 0]
  const filter = (sql: string, value: string | number | undefined): void => {
    if (value === undefined) return
    where.push(sql)
    values.push(value)
  }
  filter('at_ms >= ?', query.from_ms)
  filter('at_ms < ?', query.to_ms)
  filter('alarm = ?', query.alarm)
  filter('subject = ?', query.circuit)
  const sql = `select row, body, recorded_ms, hash, ${TOLD} from journal where ${where.join(' and ')} order by row limit ?`
  const statement = statements.get(sql) ?? db.prepare(sql)
  statements.set(sql, statement)
  return statement.all(...values, query.limit).map(storedOf)
}
