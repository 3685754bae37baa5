import * as fc from 'fast-check'
import { expect, test } from 'vitest'
import type { Channel, Delivery, Message, Outbox } from '../../alerts/channel.ts'
import { startDrainer, type Drainer } from '../../alerts/drainer.ts'

/** An outbox that keeps its promises and nothing more: rows stay pending until reported. Answers come after a random number of turns. */
function memoryOutbox(faults: () => boolean = () => false) {
  const rows = new Map<number, Message>()
  const deadRows: number[] = []
  let [last, reads] = [0, 0]
  const answer = async <T>(make: () => T): Promise<T> => {
    await new Promise((resolve) => setImmediate(resolve))
    if (faults()) throw new Error('store is busy')
    return make()
  }
  const outbox: Outbox = {
    pending: (channel, afterRow, limit) => {
      reads += 1
      return answer(() =>
        [...rows.values()]
          .filter((row) => row.channel === channel && row.row > afterRow)
          .sort((a, b) => a.row - b.row)
          .slice(0, limit),
      )
    },
    delivered: (done) =>
      answer(() => {
        for (const row of done) rows.delete(row)
      }),
    dead: (row) =>
      answer(() => {
        rows.delete(row)
        deadRows.push(row)
      }),
  }
  const commit = (orderKey: string, priority: Message['priority'] = 'high'): Message => {
    last += 1
    const message: Message = { id: `e${last}`, row: last, channel: 'test', orderKey, priority, made_ms: 0, tries: 0, body: '{}' }
    rows.set(last, message)
    return message
  }
  return { outbox, commit, rows, deadRows, reads: () => reads }
}

/** A channel whose answers the test decides, one message at a time. */
function scriptedChannel(answer: (message: Message) => Delivery | Promise<Delivery>) {
  let [isReady, onReady] = [true, (): void => {}]
  const sent: Message[] = []
  const channel: Channel = {
    name: 'test',
    isReady: () => isReady,
    onReady: (call) => {
      onReady = call
    },
    send: async (message) => {
      sent.push(message)
      return answer(message)
    },
    close: async () => {},
  }
  return {
    channel,
    sent,
    setReady: (value: boolean) => {
      isReady = value
      if (value) onReady()
    },
  }
}
const delivered: Delivery = { kind: 'delivered' }
const quick = { firstRetry_ms: 1, mostRetry_ms: 4, report_ms: 1, random: () => 1, onDead: () => {} }

test('what was pending before the start is sent in order of rows, page by page, and reported', async () => {
  const store = memoryOutbox()
  for (let i = 0; i < 50; i += 1) store.commit(`c${i % 3}`)
  const { channel, sent } = scriptedChannel(() => delivered)
  const drainer = startDrainer({ ...quick, channel, outbox: store.outbox, pageSize: 7 })
  await drainer.idle()
  expect(sent.map(({ row }) => row).filter((row) => row % 3 === 1)).toEqual(Array.from({ length: 17 }, (_, i) => 1 + 3 * i))
  expect(sent).toHaveLength(50)
  expect(store.rows.size).toBe(0)
  await drainer.close()
})

test('a message just committed goes out within the call, without a read of the store', async () => {
  const store = memoryOutbox()
  const { channel, sent } = scriptedChannel(() => delivered)
  const drainer = startDrainer({ ...quick, channel, outbox: store.outbox })
  await drainer.idle()
  const reads = store.reads()
  drainer.offer(store.commit('a'))
  expect(sent).toHaveLength(1)
  await drainer.idle()
  expect(store.reads()).toBe(reads)
  await drainer.close()
})

test('a message offered while older ones wait in the store does not overtake them', async () => {
  const store = memoryOutbox()
  store.commit('a')
  store.commit('a')
  const { channel, sent } = scriptedChannel(() => delivered)
  const drainer = startDrainer({ ...quick, channel, outbox: store.outbox })
  drainer.offer(store.commit('a'))
  await drainer.idle()
  expect(sent.map(({ row }) => row)).toEqual([1, 2, 3])
  await drainer.close()
})

test('a key that must be tried again holds back itself and nobody else', async () => {
  const store = memoryOutbox()
  let isOpen = false
  const { channel, sent } = scriptedChannel(({ orderKey }) =>
    orderKey === 'stuck' && !isOpen ? { kind: 'later', why: 'quota' } : delivered,
  )
  const drainer = startDrainer({ ...quick, channel, outbox: store.outbox, maxHeld: 8, pageSize: 4 })
  for (let i = 0; i < 40; i += 1) drainer.offer(store.commit('stuck'))
  for (let i = 0; i < 40; i += 1) drainer.offer(store.commit(`free${i % 4}`))
  await expect.poll(() => sent.filter(({ orderKey }) => orderKey !== 'stuck').length).toBe(40)
  expect(drainer.figures().blockedKeys).toBe(1)
  isOpen = true
  await drainer.idle()
  const stuck = sent.filter(({ orderKey }) => orderKey === 'stuck').map(({ row }) => row)
  expect([...new Set(stuck)]).toEqual(Array.from({ length: 40 }, (_, i) => i + 1))
  expect(store.rows.size).toBe(0)
  await drainer.close()
})

test('what is refused for good is a dead letter, and its key goes on', async () => {
  const store = memoryOutbox()
  const dead: string[] = []
  const { channel, sent } = scriptedChannel(({ row }) => (row === 2 ? { kind: 'never', why: 'not authorised' } : delivered))
  const drainer = startDrainer({ ...quick, channel, outbox: store.outbox, onDead: ({ id }, why) => dead.push(`${id} ${why}`) })
  for (let i = 0; i < 3; i += 1) drainer.offer(store.commit('a'))
  await drainer.idle()
  expect(dead).toEqual(['e2 not authorised'])
  expect(store.deadRows).toEqual([2])
  expect(sent.map(({ row }) => row)).toEqual([1, 2, 3])
  await drainer.close()
})

test('nothing is tried without a connection; the connection is the next try of all', async () => {
  const store = memoryOutbox()
  const { channel, sent, setReady } = scriptedChannel(() => delivered)
  setReady(false)
  const drainer = startDrainer({ ...quick, channel, outbox: store.outbox })
  drainer.offer(store.commit('a'))
  expect(sent).toHaveLength(0)
  setReady(true)
  await drainer.idle()
  expect(sent).toHaveLength(1)
  await drainer.close()
})

test('the oldest message that waits is known without a connection, and beyond the bound the store is asked', async () => {
  const store = memoryOutbox()
  const { channel, setReady } = scriptedChannel(() => delivered)
  const drainer = startDrainer({ ...quick, channel, outbox: store.outbox, maxHeld: 2 })
  await drainer.idle()
  expect(drainer.figures()).toMatchObject({ oldest_ms: null, behind: false, unrecorded: 0 })
  setReady(false)
  drainer.offer({ ...store.commit('b'), made_ms: 7 })
  drainer.offer({ ...store.commit('a'), made_ms: 5 })
  expect(drainer.figures()).toMatchObject({ oldest_ms: 5, behind: false })
  drainer.offer({ ...store.commit('a'), made_ms: 9 })
  drainer.offer({ ...store.commit('c'), row: -1, made_ms: 3 })
  store.rows.delete(4)
  expect(drainer.figures()).toMatchObject({ oldest_ms: 3, behind: true, unrecorded: 1, held: 3 })
  setReady(true)
  await drainer.idle()
  expect(drainer.figures()).toMatchObject({ oldest_ms: null, behind: false })
  await drainer.close()
})

test('unrecorded messages are sent, never reported, and the oldest of low priority go first at the bound', async () => {
  const store = memoryOutbox()
  const { channel, sent, setReady } = scriptedChannel(() => delivered)
  const dropped: string[] = []
  const drainer = startDrainer({ ...quick, channel, outbox: store.outbox, maxHeld: 16, onDropped: ({ id }) => dropped.push(id) })
  await drainer.idle()
  setReady(false)
  const bare = (id: string, priority: Message['priority']): Message => ({ ...store.commit('a', priority), id, row: 0 })
  for (const [id, priority] of [
    ['u1', 'high'],
    ['u2', 'low'],
    ['u3', 'high'],
    ['u4', 'low'],
    ['u5', 'high'],
  ] as const)
    drainer.offer(bare(id, priority))
  store.rows.clear()
  setReady(true)
  await drainer.idle()
  expect(dropped).toEqual(['u2'])
  expect(sent.map(({ id }) => id)).toEqual(['u1', 'u3', 'u4', 'u5'])
  await drainer.close()
})

test('what went out unrecorded and gets its row in the store afterwards is not sent again, and leaves the store', async () => {
  const store = memoryOutbox()
  const { channel, sent } = scriptedChannel(() => delivered)
  const drainer = startDrainer({ ...quick, channel, outbox: store.outbox })
  await drainer.idle()
  drainer.offer({ ...store.commit('a'), row: -1 })
  store.rows.clear()
  await drainer.idle()
  const kept = { ...store.commit('a'), id: 'e1' }
  drainer.offer(kept)
  drainer.offer(store.commit('a'))
  await drainer.idle()
  expect(sent.map(({ id }) => id)).toEqual(['e1', 'e3'])
  expect(store.rows.size).toBe(0)
  await drainer.close()
})

test.each([
  ['waits', false],
  ['is on its way', true],
])('an unrecorded message that %s when its row comes is sent once, and the row leaves the store', async (_, isOnItsWay) => {
  const store = memoryOutbox()
  let land = (): void => {}
  const { channel, sent, setReady } = scriptedChannel(
    ({ id }) => new Promise((resolve) => (id === 'e1' ? (land = () => resolve(delivered)) : resolve(delivered))),
  )
  const drainer = startDrainer({ ...quick, channel, outbox: store.outbox })
  await drainer.idle()
  setReady(isOnItsWay)
  const message = store.commit('a')
  drainer.offer({ ...message, row: -1 })
  expect(sent).toHaveLength(isOnItsWay ? 1 : 0)
  drainer.offer(message)
  drainer.offer(store.commit('a'))
  setReady(true)
  await expect.poll(() => sent.length).toBe(1)
  land()
  await drainer.idle()
  expect(sent.map(({ id }) => id)).toEqual(['e1', 'e2'])
  // The store's own message in the place of the one that knew no row.
  expect(sent[0]?.row).toBe(isOnItsWay ? -1 : 1)
  expect(store.rows.size).toBe(0)
  expect(drainer.figures()).toMatchObject({ held: 0, delivered: 2 })
  await drainer.close()
})

test('over a flaky channel and a flaky store: nothing lost, order per key, bounded memory', async () => {
  const figures = { runs: 0, retried: 0, outages: 0, reread: 0, storeFaults: 0 }
  const step = fc.oneof(
    { weight: 6, arbitrary: fc.record({ kind: fc.constant('commit' as const), key: fc.nat(4) }) },
    { weight: 1, arbitrary: fc.record({ kind: fc.constant('outage' as const), key: fc.nat(4) }) },
    { weight: 3, arbitrary: fc.record({ kind: fc.constant('turn' as const), key: fc.nat(4) }) },
  )
  const answers = fc.array(fc.constantFrom('delivered', 'delivered', 'delivered', 'later', 'lost ack', 'never'), {
    minLength: 8,
    maxLength: 40,
  })
  await fc.assert(
    fc.asyncProperty(
      fc.array(step, { minLength: 20, maxLength: 120 }),
      answers,
      fc.integer({ min: 2, max: 12 }),
      fc.nat(20),
      async (steps, script, maxHeld, early) => {
        let [asked, storeAsked] = [0, 0]
        // The store fails now and then, the channel answers by the script and, so that the run ends, well after 400 messages.
        const store = memoryOutbox(() => {
          storeAsked += 1
          const fails = storeAsked % 7 === 3
          figures.storeFaults += fails ? 1 : 0
          return fails
        })
        const received: Message[] = []
        const refused = new Set<number>()
        const flaky = scriptedChannel(async (message) => {
          await new Promise((resolve) => setImmediate(resolve))
          const answer = asked < 400 ? script[asked % script.length] : 'delivered'
          asked += 1
          if (answer === 'never') {
            refused.add(message.row)
            return { kind: 'never', why: 'refused' }
          }
          // A lost acknowledgement: the receiver has it, the sender does not know.
          if (answer !== 'later') received.push(message)
          if (answer !== 'delivered') figures.retried += 1
          return answer === 'delivered' ? delivered : { kind: 'later', why: answer ?? '' }
        })
        const committed: Message[] = []
        for (let i = 0; i < early; i += 1) committed.push(store.commit(`k${i % 5}`))
        const drainer: Drainer = startDrainer({
          ...quick,
          channel: flaky.channel,
          outbox: store.outbox,
          maxHeld,
          pageSize: 3,
          maxInFlight: 3,
        })
        let most = 0
        for (const { kind, key } of steps) {
          if (kind === 'commit') {
            const message = store.commit(`k${key}`)
            committed.push(message)
            drainer.offer(message)
          } else if (kind === 'outage') {
            figures.outages += 1
            flaky.setReady(false)
            await new Promise((resolve) => setImmediate(resolve))
            flaky.setReady(true)
          } else await new Promise((resolve) => setImmediate(resolve))
          most = Math.max(most, drainer.figures().held)
        }
        await drainer.idle()
        await drainer.close()
        figures.runs += 1
        figures.reread += store.reads() > 2 ? 1 : 0
        expect(store.rows.size).toBe(0)
        expect(most).toBeLessThanOrEqual(maxHeld)
        for (const key of ['k0', 'k1', 'k2', 'k3', 'k4']) {
          const want = committed.filter(({ orderKey, row }) => orderKey === key && !refused.has(row)).map(({ row }) => row)
          const got = received.filter(({ orderKey, row }) => orderKey === key && !refused.has(row)).map(({ row }) => row)
          // Doubles stand next to each other: a row is never seen again after a later one.
          expect(got.filter((row, index) => row !== got[index - 1])).toEqual(want)
        }
      },
    ),
    { numRuns: 150 },
  )
  expect(figures.retried).toBeGreaterThan(figures.runs)
  expect(figures.outages).toBeGreaterThan(figures.runs)
  expect(figures.reread).toBeGreaterThan(figures.runs / 2)
  expect(figures.storeFaults).toBeGreaterThan(figures.runs)
})
