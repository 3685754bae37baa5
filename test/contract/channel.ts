import { afterEach, expect, test, vi } from 'vitest'
import type { Channel, Message } from '../../alerts/channel.ts'
import { messagesFor } from '../../alerts/outbox-messages.ts'
import { kestrel, nth, RAISED_MS } from '../alerts/kestrel.ts'

/** A receiver and the channel to it. */
export interface Rig {
  readonly channel: Channel
  /** Payloads in order of arrival. */
  readonly received: () => readonly unknown[]
  /** The receiver goes away, and comes back where it was. */
  readonly away: () => Promise<void>
  readonly back: () => Promise<void>
  readonly close: () => Promise<void>
}
/** `now_ms` is the clock that the channel must use. */
export type OpenRig = (now_ms: () => number) => Promise<Rig>
/** A place whose messages the receivers of the refusal contract refuse for good. */
export const FORBIDDEN = 'forbidden'

function bench(open: OpenRig) {
  let rig: Rig | null = null
  let at_ms = RAISED_MS + 1_000
  afterEach(async () => {
    await rig?.close()
    rig = null
    at_ms = RAISED_MS + 1_000
  })
  const start = async (): Promise<Rig> => {
    const opened = await open(() => at_ms)
    rig = opened
    await vi.waitUntil(() => opened.channel.isReady(), { timeout: 10_000 })
    return opened
  }
  const setTime = (now_ms: number): void => {
    at_ms = now_ms
  }
  return { start, setTime }
}

function message(channel: string, n: number, place = 'press-12-moving'): Message {
  const plan = { kind: channel === 'webhook' ? 'webhook' : 'mqtt', name: channel, minPriority: 'low' } as const
  const [made] = messagesFor([{ id: `event-${n}`, event: { ...nth(n), place } }], kestrel, [plan], RAISED_MS)
  if (made === undefined) throw new Error('no message')
  return { ...made, row: n, tries: 0 }
}

/** Promises of every alert channel. */
export function channelContract(name: string, open: OpenRig): void {
  const { start, setTime } = bench(open)

  test(`${name}: a message arrives with its id, and is told delivered only then`, async () => {
    const { channel, received } = await start()
    expect(await channel.send(message(channel.name, 1))).toEqual({ kind: 'delivered' })
    await expect.poll(received).toMatchObject([{ id: 'event-1', event: 'raised', sent: '2026-03-04T13:03:21.000Z', late: false }])
  })

  test(`${name}: sent again it has the same id`, async () => {
    const { channel, received } = await start()
    await channel.send(message(channel.name, 1))
    await channel.send(message(channel.name, 1))
    await expect.poll(received).toMatchObject([{ id: 'event-1' }, { id: 'event-1' }])
  })

  test(`${name}: while the receiver is away a message is for later, and goes when it is back`, async () => {
    const { channel, received, away, back } = await start()
    await away()
    expect(await channel.send(message(channel.name, 1))).toMatchObject({ kind: 'later' })
    await back()
    await expect.poll(async () => (await channel.send(message(channel.name, 1))).kind, { timeout: 15_000 }).toBe('delivered')
    await expect.poll(received, { timeout: 15_000 }).toMatchObject([{ id: 'event-1' }])
  })

  test(`${name}: over a minute late says so and asks for the cautious first step`, async () => {
    const { channel, received } = await start()
    setTime(RAISED_MS + 61_000)
    await channel.send(message(channel.name, 1))
    const late = 'Told late: happened 14:03, connection was down.'
    await expect.poll(received).toMatchObject([{ id: 'event-1', late: true, lines: { late } }])
  })

  test(`${name}: what stands in for messages that the full outbox let go says how many and from when to when`, async () => {
    const { channel, received } = await start()
    const body = JSON.stringify({
      kind: 'summary',
      count: 3,
      byPriority: { high: 0, medium: 1, low: 2 },
      first_ms: RAISED_MS - 60_000,
      last_ms: RAISED_MS,
    })
    expect(await channel.send({ ...message(channel.name, 1), id: 'summary:1', body })).toEqual({ kind: 'delivered' })
    const text =
      'kestrel-hall: 3 alarm messages were not sent one by one (0 high, 1 medium, 2 low), from 14:02:20 to 14:03:20: the way here was down for too long. The journal has them all; look there.'
    await expect.poll(received).toMatchObject([{ id: 'summary:1', count: 3, first: '2026-03-04T13:02:20.000Z', text }])
  })

  test(`${name}: a damaged row is a dead letter, not a crash`, async () => {
    const { channel } = await start()
    for (const body of ['', '{', '{}', '{"kind":"alarm","topic":"x","message":{}}']) {
      expect(await channel.send({ ...message(channel.name, 1), body })).toMatchObject({ kind: 'never' })
    }
  })

  test(`${name}: after close nothing hangs`, async () => {
    const { channel } = await start()
    await channel.close()
    expect(channel.isReady()).toBe(false)
    expect(await channel.send(message(channel.name, 1))).toMatchObject({ kind: 'later' })
  })
}

/** For channels whose receiver can refuse one message for good; it refuses those of the place FORBIDDEN. */
export function refusalContract(name: string, open: OpenRig): void {
  const { start } = bench(open)

  test(`${name}: what is refused for good is never tried again, and the next goes`, async () => {
    const { channel, received } = await start()
    expect(await channel.send(message(channel.name, 1, FORBIDDEN))).toMatchObject({ kind: 'never' })
    expect(await channel.send(message(channel.name, 2))).toEqual({ kind: 'delivered' })
    await expect.poll(received).toMatchObject([{ id: 'event-2' }])
  })
}
