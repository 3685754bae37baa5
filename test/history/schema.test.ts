import { copyFileSync, existsSync, readdirSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { DatabaseSync } from 'node:sqlite'
import { fileURLToPath } from 'node:url'
import { expect, test } from 'vitest'
import { createChunkWriter } from '../../history/chunk.ts'
import { MIGRATIONS, migrate, pragma } from '../../history/schema.ts'
import { openHistory } from '../../history/sqlite.ts'
import type { History } from '../../history/store.ts'
import { PHASES } from '../../rules/phases.ts'
import { commit, message, plan, record, T0 } from './made.ts'
import { scratch } from './scratch.ts'

const GOLDEN = fileURLToPath(new URL('./golden', import.meta.url))
const newest = MIGRATIONS.at(-1)?.to ?? 0

/** Everything that can be asked of a history, as JSON; NaN becomes null, typed arrays plain ones. */
async function contentOf(history: History): Promise<unknown> {
  const inputs = await history.inputs(0, 1000)
  const content = {
    recovery: await history.recover(),
    inputs: inputs.map(({ input, ...rest }) =>
      input.kind === 'reading'
        ? { ...rest, input: { ...input, values: [...input.values], quality: [...input.quality] } }
        : { ...rest, input },
    ),
    journal: await history.journal({ limit: 1000 }),
    mqtt: await history.pending('mqtt', 0, 1000),
    dead: await history.deadLetters(1000),
    plans: [await history.plan('plan-1'), await history.plan('plan-2')],
  }
  return JSON.parse(JSON.stringify(content)) as unknown
}

/** MAKE_GOLDEN=1 writes the file of the newest schema, once, when that schema is new; files of released schemas are never made again. */
async function make(): Promise<void> {
  const file = join(scratch(), 'history.db')
  const history = await openHistory(file, { reserveBytes: 0 })
  for (const [n, site] of [plan('plan-1'), plan('plan-2', ['south-07'])].entries()) {
    const writer = createChunkWriter(site)
    const unit = site.units[0]?.id ?? ''
    for (const [i, phase] of PHASES.entries()) {
      const seq = 1 + 20 * n + i
      const values = Float64Array.of(80.1, -0.5, NaN, 1 / 3, 0, 100, 250.25, 40_000.5, 1e12, -3, 99.999, 7, 123_456.7, NaN)
      const quality = Uint8Array.of(0, 1, i, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 14)
      const errors = i === 0 ? [{ id: 'E1', severity: 500, text: 'Füllstand' }] : []
      writer.add(seq, { kind: 'reading', circuit: `${unit}/a`, at_ms: T0 + seq * 1000, values, quality, phase, errors })
    }
    writer.add(18 + 20 * n, { kind: 'fault', at_ms: T0 + 20_000 * (n + 1), unit, fault: 'timeout', why: 'no answer' })
    const [one, two] = [record(1, 18 + 20 * n, unit), record(2, 18 + 20 * n, unit, { comment: 'Schlauch getauscht €' })]
    const snapshot = { seq: 10 + 20 * n, at_ms: T0, engine: '1', planVersion: site.version, state: `{"n":${n}}` }
    const { stored } = await history.commit(
      commit({
        plan: site,
        chunk: writer.take(),
        records: [one, two],
        outbox: [message(one.id), message(two.id), message(one.id, { channel: 'webhook' })],
        snapshot,
      }),
    )
    await history.delivered(stored.slice(1, 2).map(({ row }) => row))
    for (const { row } of stored.slice(2)) await history.dead(row, 'status 410')
  }
  const content = await contentOf(history)
  await history.close()
  copyFileSync(file, join(GOLDEN, `schema-${newest}.db`))
  writeFileSync(join(GOLDEN, `schema-${newest}.json`), `${JSON.stringify(content, null, 2)}\n`)
}

test('every released schema has its golden file, and each is opened, brought up to date and read in full', async () => {
  if (process.env['MAKE_GOLDEN'] === '1') await make()
  const files = readdirSync(GOLDEN).filter((name) => name.endsWith('.db'))
  expect(files.toSorted()).toEqual(MIGRATIONS.map(({ to }) => `schema-${to}.db`).toSorted())
  for (const name of files) {
    const file = join(scratch(), name)
    copyFileSync(join(GOLDEN, name), file)
    const history = await openHistory(file, { reserveBytes: 0 })
    expect(await contentOf(history)).toEqual(JSON.parse(readFileSync(join(GOLDEN, name.replace('.db', '.json')), 'utf8')))
    expect(await history.verify()).toMatchObject({ ok: true })
    await history.commit(commit({ records: [record(9, 99)] }))
    await history.close()
    expect(existsSync(`${file}.schema-${name.replace(/\D/g, '')}.backup`)).toBe(name !== `schema-${newest}.db`)
  }
})

const nextStep = (sql: string) => [...MIGRATIONS, { to: newest + 1, sql }]
function filled(): { file: string; db: DatabaseSync } {
  const file = join(scratch(), 'history.db')
  const db = new DatabaseSync(file)
  migrate(db, file)
  db.exec(`pragma journal_mode = wal; insert into meta values ('kestrel', 1)`)
  return { file, db }
}

test('a new file is made without a copy; an up-to-date one is left alone', () => {
  const file = join(scratch(), 'history.db')
  const db = new DatabaseSync(file)
  expect([migrate(db, file), migrate(db, file)]).toEqual([null, null])
  expect(pragma(db, 'user_version')).toBe(newest)
  db.close()
})

test('before a migration the file is copied whole, with what was still in its log', () => {
  const { file, db } = filled()
  const copy = migrate(db, file, nextStep('alter table meta add column more text'))
  expect(copy).toBe(`${file}.schema-${newest}.backup`)
  expect(pragma(db, 'user_version')).toBe(newest + 1)
  expect(db.prepare('select * from meta').all()).toEqual([{ key: 'kestrel', value: 1, more: null }])
  db.close()
  const old = new DatabaseSync(copy ?? '')
  expect(pragma(old, 'user_version')).toBe(newest)
  expect(old.prepare('select * from meta').all()).toEqual([{ key: 'kestrel', value: 1 }])
  old.close()
})

test('a migration that fails half way changes nothing', () => {
  const { file, db } = filled()
  expect(() => migrate(db, file, nextStep('delete from meta; create table journal (a)'))).toThrow(/already exists/)
  expect(pragma(db, 'user_version')).toBe(newest)
  expect(db.prepare('select * from meta').all()).toHaveLength(1)
  expect(migrate(db, file, nextStep('create table later (a)')), 'and can be done again').not.toBeNull()
  db.close()
})
