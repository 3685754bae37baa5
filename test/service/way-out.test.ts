import { expect, test } from 'vitest'
import type { Channel, Message, Outbox } from '../../alerts/channel.ts'
import { MOST_UNRECORDED } from '../../alerts/drainer.ts'
import { silentLog, type Log } from '../../service/log.ts'
import { openWay } from '../../service/way-out.ts'

/** A channel without a connection. */
const away: Channel = {
  name: 'mqtt',
  isReady: () => false,
  onReady: () => {},
  send: async () => ({ kind: 'later', why: 'away' }),
  close: async () => {},
}
const empty: Outbox = { pending: async () => [], delivered: async () => {}, dead: async () => {} }
const message = (row: number, made_ms: number): Message => ({
  id: `e${row}`,
  row,
  channel: 'mqtt',
  orderKey: 'well-1/a',
  priority: 'low',
  made_ms,
  tries: 0,
  body: '{}',
})

test('an alert that neither the disk nor the channel takes is logged with its id, counted and told to a person', async () => {
  const logged: unknown[] = []
  const log: Log = { ...silentLog, error: (fields: unknown) => logged.push(fields) }
  const told: string[] = []
  const way = openWay({
    channel: away,
    outbox: empty,
    oldestStored_ms: () => null,
    log,
    onRefused: () => {},
    onDropped: (detail) => told.push(detail),
  })
  for (let i = 0; i < MOST_UNRECORDED; i += 1) way.drainer.offer(message(-i, 1000 + i))
  expect(told).toEqual([])
  way.drainer.offer(message(-MOST_UNRECORDED, 5000))
  way.drainer.offer(message(-MOST_UNRECORDED - 1, 5001))
  // The very first is next to be sent and stays; the oldest behind it goes.
  expect(logged).toEqual([
    { channel: 'mqtt', id: 'e-1' },
    { channel: 'mqtt', id: 'e-2' },
  ])
  expect(told).toEqual([expect.stringContaining('1 alert was let go'), expect.stringContaining('2 alerts were let go')])
  expect(way.drainer.figures()).toMatchObject({ dropped: 2, unrecorded: MOST_UNRECORDED })
  await way.drainer.close()
})

test('the oldest that waits is found in the store as long as it was not read, as after a start without a broker', async () => {
  let stored_ms: number | null = 400
  const way = openWay({
    channel: away,
    outbox: empty,
    oldestStored_ms: () => stored_ms,
    log: silentLog,
    onRefused: () => {},
    onDropped: () => {},
  })
  expect(way.oldest_ms()).toBe(400)
  way.drainer.offer(message(-1, 300))
  expect(way.oldest_ms()).toBe(300)
  stored_ms = 200
  expect(way.oldest_ms()).toBe(200)
  stored_ms = null
  expect(way.oldest_ms()).toBe(300)
  await way.drainer.close()
})
