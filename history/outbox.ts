import type { DatabaseSync } from 'node:sqlite'
import { number, text, type Row } from './row.ts'
import type { OutboxMessage, OutboxSummary, StoredMessage, StoreNotice } from './store.ts'

const PRIORITIES = ['low', 'medium', 'high'] as const
/** Above all: a summary is never summarised away. */
const SUMMARY = 3

export interface Outbox {
  depth: number
  dead: number
  /** Messages that a summary stands in for, ever. */
  summarised: number
  readonly insert: (messages: readonly OutboxMessage[]) => readonly StoredMessage[]
  readonly pending: (channel: string, afterRow: number, limit: number) => readonly StoredMessage[]
  readonly delivered: (rows: readonly number[], now_ms: number) => void
  /** When the oldest message of each channel was made. */
  readonly oldest: () => Readonly<Record<string, number>>
  readonly kill: (row: number, why: string, now_ms: number) => void
  readonly deadLetters: (limit: number) => readonly (StoredMessage & { readonly why: string })[]
}

export interface Bounds {
  readonly outboxBound: number
  readonly deadLetterBound: number
}

export function openOutbox(db: DatabaseSync, bounds: Bounds, notice: (notice: StoreNotice) => void): Outbox {
  const add = db.prepare(
    `insert into outbox (id, channel, order_key, priority, made_ms, body) values (?, ?, ?, ?, ?, ?) on conflict (id, channel) do nothing`,
  )
  const pending = db.prepare('select * from outbox where channel = ? and row > ? order by row limit ?')
  // One step in the index (channel, row) for each channel, however many messages wait.
  const oldestAfter = db.prepare('select channel, made_ms from outbox where channel > ? order by channel, row limit 1')
  const remove = db.prepare('delete from outbox where row = ?')
  const find = db.prepare('select * from outbox where row = ?')
  // mouldtend's own test messages are told to nobody: kept, they would outnumber all others. Sent twice, the first time counts.
  const keepDelivery = db.prepare(
    `insert into deliveries (id, channel, delivered_ms) select id, channel, ? from outbox where row = ? and id not glob 'canary:*'
     on conflict (id, channel) do nothing`,
  )
  const bury = db.prepare(
    `insert into dead_letters (row, id, channel, order_key, priority, made_ms, tries, body, why, died_ms)
     select row, id, channel, order_key, priority, made_ms, tries, body, ?, ? from outbox where row = ?`,
  )
  const dead = db.prepare('select * from dead_letters order by row desc limit ?')
  const forgetDead = db.prepare('delete from dead_letters where row in (select row from dead_letters order by row limit ?)')
  const oldestLow = db.prepare(
    `select row, channel, priority, made_ms from outbox where priority < ${SUMMARY} order by priority, row limit ?`,
  )
  const summaryOf = db.prepare(`select row, body from outbox where channel = ? and priority = ${SUMMARY}`)
  const keepCount = db.prepare(
    `insert into meta (key, value) values ('summarised', ?) on conflict (key) do update set value = excluded.value`,
  )
  const count = (table: string): number => number(db.prepare(`select count(*) as n from ${table}`).get() ?? {}, 'n')
  const kept = db.prepare(`select value from meta where key = 'summarised'`).get()

  /** Takes the oldest messages of the lowest priority out, and one summary per channel in. */
  function summarise(rows: readonly Row[]): void {
    for (const [channel, mine] of Map.groupBy(rows, (row) => text(row, 'channel'))) {
      const before = summaryOf.get(channel)
      // Written below from this very type.
      const old = before === undefined ? null : (JSON.parse(text(before, 'body')) as OutboxSummary)
      const summary = sum(old, mine)
      for (const row of mine) remove.run(number(row, 'row'))
      if (before !== undefined) remove.run(number(before, 'row'))
      else outbox.depth++
      outbox.depth -= mine.length
      outbox.summarised += mine.length
      // Another content is another message, so it needs another id: receivers drop what they have seen.
      const id = `summary:${channel}:${String(mine[0]?.['row'])}:${summary.count}`
      add.run(id, channel, 'summary', SUMMARY, summary.last_ms, JSON.stringify(summary))
      notice({
        kind: 'outbox_summarised',
        text:
          `${channel}: the outbox is full (${bounds.outboxBound} messages waiting). The ${mine.length} oldest of the lowest priority were ` +
          `replaced by one summary; the journal has them all. Find out why ${channel} takes nothing.`,
      })
    }
    keepCount.run(outbox.summarised)
  }
  let oldest: Readonly<Record<string, number>> = {}
  const outbox: Outbox = {
    depth: count('outbox'),
    dead: count('dead_letters'),
    summarised: kept === undefined ? 0 : number(kept, 'value'),
    insert: (messages) => {
      const over = outbox.depth + messages.length - bounds.outboxBound
      // A twentieth more than needed, so that a standing flood pays for this once in a while and not at every commit.
      if (messages.length > 0 && over > 0) summarise(oldestLow.all(over + Math.ceil(bounds.outboxBound / 20)))
      const stored: StoredMessage[] = []
      for (const message of messages) {
        const { id, channel, orderKey, priority, made_ms, body } = message
        const added = add.run(id, channel, orderKey, PRIORITIES.indexOf(priority), made_ms, body)
        if (added.changes === 0) continue
        stored.push({ id, channel, orderKey, priority, made_ms, body, row: Number(added.lastInsertRowid), tries: 0 })
      }
      outbox.depth += stored.length
      return stored
    },
    oldest: () => {
      const found: Record<string, number> = {}
      if (outbox.depth === 0) return found
      try {
        for (let next = oldestAfter.get(''); next !== undefined; next = oldestAfter.get(text(next, 'channel')))
          found[text(next, 'channel')] = number(next, 'made_ms')
        oldest = found
      } catch {
        // A figure stops nobody: a disk that cannot be read is found, and told, by the next who needs what is on it.
      }
      return oldest
    },
    pending: (channel, afterRow, limit) => pending.all(channel, afterRow, limit).map(messageOf),
    delivered: (rows, now_ms) => {
      for (const row of rows) {
        keepDelivery.run(now_ms, row)
        outbox.depth -= Number(remove.run(row).changes)
      }
    },
    kill: (row, why, now_ms) => {
      if (find.get(row) === undefined) return
      bury.run(why, now_ms, row)
      remove.run(row)
      outbox.depth--
      outbox.dead++
      if (outbox.dead <= bounds.deadLetterBound) return
      const gone = Number(forgetDead.run(outbox.dead - bounds.deadLetterBound).changes)
      outbox.dead -= gone
      notice({
        kind: 'dead_letters_dropped',
        text:
          `The list of refused messages is full (${bounds.deadLetterBound}); the oldest ${gone} left it. The journal has their events. ` +
          `Look at the reasons in the list and mend the receiver.`,
      })
    },
    deadLetters: (limit) => dead.all(limit).map((row) => ({ ...messageOf(row), why: text(row, 'why') })),
  }
  return outbox
}

function messageOf(row: Row): StoredMessage {
  return {
    row: number(row, 'row'),
    id: text(row, 'id'),
    channel: text(row, 'channel'),
    orderKey: text(row, 'order_key'),
    priority: PRIORITIES[number(row, 'priority')] ?? 'high',
    made_ms: number(row, 'made_ms'),
    tries: number(row, 'tries'),
    body: text(row, 'body'),
  }
}

function sum(old: OutboxSummary | null, rows: readonly Row[]): OutboxSummary {
  const byPriority = { low: 0, medium: 0, high: 0, ...old?.byPriority }
  let first_ms = old?.first_ms ?? Number.POSITIVE_INFINITY
  let last_ms = old?.last_ms ?? Number.NEGATIVE_INFINITY
  for (const row of rows) {
    byPriority[PRIORITIES[number(row, 'priority')] ?? 'high']++
    first_ms = Math.min(first_ms, number(row, 'made_ms'))
    last_ms = Math.max(last_ms, number(row, 'made_ms'))
  }
  return { kind: 'summary', count: (old?.count ?? 0) + rows.length, byPriority, first_ms, last_ms }
}
