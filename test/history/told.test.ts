import { join } from 'node:path'
import { DatabaseSync } from 'node:sqlite'
import { expect, test } from 'vitest'
import { createChunkWriter } from '../../history/chunk.ts'
import { openHistory } from '../../history/sqlite.ts'
import type { History } from '../../history/store.ts'
import { commit, message, plan, reading, record, T0 } from './made.ts'
import { scratch } from './scratch.ts'

const ids = [1, 2, 3].map((n) => record(n, n).id)
const [one = '', two = ''] = ids

async function told(history: History): Promise<readonly (readonly string[])[]> {
  const records = await history.journal({ limit: 10 })
  return records.map((each) => each.told.map(({ channel }) => channel))
}

test('the journal shows on which channels an event was told and when; refused and waiting ones show none', async () => {
  const file = join(scratch(), 'history.db')
  let history = await openHistory(file, { reserveBytes: 0 })
  const began_ms = Date.now()
  const { stored } = await history.commit(
    commit({
      records: [record(1, 1), record(2, 2), record(3, 3)],
      outbox: [message(one, { channel: 'webhook' }), message(one), ...ids.slice(1).map((id) => message(id))],
    }),
  )
  const [webhook = 0, mqtt = 0, refused = 0] = stored.map(({ row }) => row)
  await history.delivered([webhook])
  await expect.poll(() => Date.now()).toBeGreaterThan(began_ms + 1)
  const between_ms = Date.now()
  await history.delivered([mqtt])
  await history.dead(refused, 'status 410')
  const ended_ms = Date.now()
  expect(await told(history)).toEqual([['webhook', 'mqtt'], [], []])
  const [first, second] = (await history.journal({ limit: 1 }))[0]?.told ?? []
  expect(first?.at_ms).toBeGreaterThanOrEqual(began_ms)
  expect(first?.at_ms).toBeLessThanOrEqual(between_ms)
  expect(second?.at_ms).toBeGreaterThanOrEqual(between_ms)
  expect(second?.at_ms).toBeLessThanOrEqual(ended_ms)
  const before = await history.journal({ limit: 10 })
  await history.close()
  history = await openHistory(file, { reserveBytes: 0 })
  expect(await history.journal({ limit: 10 }), 'and after a restart').toEqual(before)
  expect(await history.journal({ limit: 10, alarm: 'north-01/a:temperature.deviation', afterRow: 0 })).toEqual(before)
  await history.close()
})

test('told twice, as may happen at least once: the first time stays', async () => {
  const history = await openHistory(join(scratch(), 'history.db'), { reserveBytes: 0 })
  const deliver = async (parts: Parameters<typeof commit>[0]): Promise<void> => {
    const { stored } = await history.commit(commit(parts))
    expect(stored).toHaveLength(1)
    await history.delivered(stored.map(({ row }) => row))
    await history.delivered(stored.map(({ row }) => row))
  }
  await deliver({ records: [record(2, 2)], outbox: [message(two)] })
  const first = await history.journal({ limit: 10 })
  const at_ms = first[0]?.told[0]?.at_ms ?? Number.POSITIVE_INFINITY
  await expect.poll(() => Date.now()).toBeGreaterThan(at_ms)
  // The message alone comes again after its row had gone.
  await deliver({ outbox: [message(two)] })
  expect(await history.journal({ limit: 10 })).toEqual(first)
  expect(first[0]?.told).toEqual([{ channel: 'mqtt', at_ms }])
  await history.close()
})

test('own test messages leave no trace; deliveries outlive the inputs', async () => {
  const file = join(scratch(), 'history.db')
  const history = await openHistory(file, { reserveBytes: 0 })
  const site = plan()
  const writer = createChunkWriter(site)
  for (let seq = 1; seq <= 10; seq++) writer.add(seq, reading(seq))
  const snapshots = [20, 30].map((seq) => ({ seq, at_ms: T0 + seq * 1000, engine: '1', planVersion: site.version, state: '{}' }))
  const { stored } = await history.commit(
    commit({ plan: site, chunk: writer.take(), records: [record(1, 3)], outbox: [message('canary:17'), message(one)] }),
  )
  for (const snapshot of snapshots) await history.commit(commit({ snapshot }))
  await history.delivered(stored.map(({ row }) => row))
  await history.forgetInputs(T0 + 1e9)
  expect(await history.inputs(0, 100)).toEqual([])
  expect(await told(history)).toEqual([['mqtt']])
  expect(history.figures().outboxDepth).toBe(0)
  await history.close()
  const db = new DatabaseSync(file, { readOnly: true })
  expect(db.prepare('select id, channel from deliveries').all()).toEqual([{ id: one, channel: 'mqtt' }])
  db.close()
})
