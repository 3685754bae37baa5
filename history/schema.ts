import { closeSync, existsSync, fsyncSync, openSync, renameSync, rmSync } from 'node:fs'
import { dirname } from 'node:path'
import type { DatabaseSync } from 'node:sqlite'
import { storeError } from './faults.ts'

/** One step from schema `to - 1` to schema `to`. Steps that were released are never edited, only followed by others. */
export interface Migration {
  readonly to: number
  readonly sql: string
}

/** 'mldt': marks the file as ours (pragma application_id), so that a strange database is never written to. */
export const APPLICATION_ID = 0x6d6c6474

const FIRST = `
create table meta (
  key text primary key,
  value any not null
) strict, without rowid;

create table plans (
  version text primary key,
  body text not null,
  stored_ms real not null
) strict;

create table inputs (
  first_seq integer primary key,
  last_seq integer not null,
  first_ms real not null,
  last_ms real not null,
  plan text not null,
  count integer not null,
  bytes blob not null
) strict;

-- Append-only. body: canonical JSON (RFC 8785) of engine, event, id and seq; hash: see chainHash. The other columns are copies for searching.
create table journal (
  row integer primary key,
  id text not null unique,
  recorded_ms real not null,
  at_ms real not null,
  alarm text,
  subject text not null,
  body text not null,
  prev text not null,
  hash text not null
) strict;
create index journal_at on journal (at_ms);
create index journal_alarm on journal (alarm, row);
create index journal_subject on journal (subject, row);

-- What came under an id that the journal had already, with other content.
create table conflicts (
  row integer primary key,
  id text not null,
  recorded_ms real not null,
  body text not null,
  unique (id, body)
) strict;

-- priority: 0 low, 1 medium, 2 high, 3 summary. autoincrement: a row number is never given twice.
create table outbox (
  row integer primary key autoincrement,
  id text not null,
  channel text not null,
  order_key text not null,
  priority integer not null,
  made_ms real not null,
  tries integer not null default 0,
  body text not null,
  unique (id, channel)
) strict;
create index outbox_channel on outbox (channel, row);
create index outbox_priority on outbox (priority, row);

create table dead_letters (
  row integer primary key,
  id text not null,
  channel text not null,
  order_key text not null,
  priority integer not null,
  made_ms real not null,
  tries integer not null,
  body text not null,
  why text not null,
  died_ms real not null
) strict;

-- Who was told of what: an outbox row leaves its trace here when it goes. Kept as long as the journal.
create table deliveries (
  id text not null,
  channel text not null,
  delivered_ms real not null,
  primary key (id, channel)
) strict, without rowid;

create table snapshots (
  seq integer primary key,
  at_ms real not null,
  engine text not null,
  plan text not null,
  crc32 integer not null,
  state text not null
) strict;
`

export const MIGRATIONS: readonly Migration[] = [{ to: 1, sql: FIRST }]

/**
 * Brings a file to the newest schema; returns the copy that was made before, or null where there was nothing to copy.
 * All steps are one transaction. Throws StoreError `newer_schema` or `corrupt` before anything is written to a file that is not ours to write.
 */
export function migrate(db: DatabaseSync, file: string, migrations: readonly Migration[] = MIGRATIONS): string | null {
  const found = pragma(db, 'user_version')
  const known = migrations.at(-1)?.to ?? 0
  refuseStrange(db, file, found, known)
  if (found === known) return null
  const copy = found === 0 ? null : backup(db, `${file}.schema-${found}.backup`)
  db.exec('begin exclusive')
  try {
    for (const step of migrations) if (step.to > found) db.exec(step.sql)
    db.exec(`pragma application_id = ${APPLICATION_ID}; pragma user_version = ${known}; commit`)
  } catch (error) {
    if (db.isTransaction) db.exec('rollback')
    throw error
  }
  return copy
}

function refuseStrange(db: DatabaseSync, file: string, found: number, known: number): void {
  const isEmpty = db.prepare('select 1 from sqlite_schema limit 1').get() === undefined
  if (isEmpty && found === 0) return
  if (pragma(db, 'application_id') !== APPLICATION_ID) {
    throw storeError({ kind: 'corrupt', detail: 'an SQLite database, but not written by mouldtend' }, file)
  }
  if (found > known) throw storeError({ kind: 'newer_schema', found, known }, file)
}

/** A consistent copy, whole or not there. Through SQLite, never by copying bytes: closing another descriptor of the file would drop our locks. */
function backup(db: DatabaseSync, to: string): string {
  const unfinished = `${to}.unfinished`
  rmSync(unfinished, { force: true })
  db.prepare('vacuum into ?').run(unfinished)
  syncPath(unfinished)
  // An earlier copy of the same schema is older history: the newer one replaces it only when it is complete.
  renameSync(unfinished, to)
  syncPath(dirname(to))
  return to
}

/** Fsync of a file or folder, e.g. so that a name just made outlives a power cut. */
export function syncPath(path: string): void {
  if (!existsSync(path)) return
  const open = openSync(path, 'r')
  try {
    fsyncSync(open)
  } finally {
    closeSync(open)
  }
}

export function pragma(db: DatabaseSync, name: string): number {
  return Number(Object.values(db.prepare(`pragma ${name}`).get() ?? {})[0] ?? 0)
}
