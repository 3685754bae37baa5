import { once } from 'node:events'
import { connect as connectTcp, createServer } from 'node:net'
import { connect, type IClientOptions, type MqttClient } from 'mqtt'
import { afterEach, expect, test, vi } from 'vitest'
import { startBroker, type Broker } from '../../alerts/broker.ts'
import type { AlertFault } from '../../alerts/fault.ts'
import { listenNear } from '../../alerts/listen-near.ts'
import { openMqtt } from '../../alerts/mqtt.ts'
import { canaryMessage, channelsOf, messagesFor } from '../../alerts/outbox-messages.ts'
import { createPresent } from '../../alerts/present.ts'
import { acknowledgeTopic, alarmTopic, eventTopic, resultTopic, summaryTopic } from '../../alerts/topics.ts'
import { channelContract } from '../contract/channel.ts'
import { deviation, kestrel, RAISED_MS, raised, ZONE } from './kestrel.ts'
import { silentProxy } from './silent-proxy.ts'

const ending: (() => Promise<unknown>)[] = []
afterEach(async () => {
  for (const end of ending.splice(0).toReversed()) await end()
})
const embedded = async (acceptCommands = false, port = 0): Promise<{ broker: Broker; faults: AlertFault[] }> => {
  const faults: AlertFault[] = []
  const onFault = (fault: AlertFault): unknown => faults.push(fault)
  const broker = await startBroker({ site: 'kestrel-hall', host: '127.0.0.1', port, wsPort: 0, acceptCommands, onFault })
  return { broker, faults }
}
const own = (broker: Broker) =>
  ({
    url: broker.url,
    user: broker.user,
    password: broker.password,
    protocol: 4,
    clientId: 'mouldtend-kestrel',
    ca: null,
    certificate: null,
    privateKey: null,
    site: 'kestrel-hall',
    timezone: ZONE,
    version: '0.0.0-test',
    heartbeat_ms: 60_000,
    acceptCommands: true,
    firstRetry_ms: 20,
    mostRetry_ms: 100,
  }) as const
const next = (client: MqttClient, event: 'connect' | 'close' | 'error'): Promise<unknown> =>
  new Promise((resolve) => client.once(event, (value?: unknown) => resolve(value)))
/** Somebody in the hall with any MQTT client. */
const guest = async (
  url: string,
  topic: string | string[],
  options: IClientOptions = {},
): Promise<{ client: MqttClient; heard: string[] }> => {
  const heard: string[] = []
  const client = connect(url, { reconnectPeriod: 0, ...options })
  client.on('error', () => {})
  client.on('message', (at, payload) => heard.push(`${at} ${payload.toString()}`))
  ending.push(() => client.endAsync(true))
  await next(client, 'connect')
  await client.subscribeAsync(topic, { qos: 1 })
  return { client, heard }
}
const bodies = (heard: readonly string[]): unknown[] => heard.map((line) => JSON.parse(line.slice(line.indexOf(' '))) as unknown)

// No refusal contract: the embedded broker has no access list for its own client, and 3.1.1 has no word for it.
channelContract('mqtt over the embedded broker', async (now_ms) => {
  const { broker } = await embedded()
  const proxy = await silentProxy(broker.port)
  const ear = await guest(broker.url, ['mouldtend/+/+/+/event', summaryTopic('kestrel-hall')])
  const channel = openMqtt({ ...own(broker), url: `mqtt://127.0.0.1:${proxy.port}` }, { now_ms, onFault: () => {} })
  return {
    channel,
    received: () => bodies(ear.heard),
    away: async () => {
      proxy.cut()
      await vi.waitUntil(() => !channel.isReady())
    },
    back: async () => proxy.mend(),
    close: async () => {
      await channel.close()
      await proxy.close()
      await broker.close()
    },
  }
})

test('events, retained state, commands and canary over TCP and WebSocket', async () => {
  const { broker } = await embedded(true)
  ending.push(broker.close)
  const overTcp = await guest(broker.url, eventTopic('kestrel-hall', raised))
  const overWeb = await guest(`ws://127.0.0.1:${broker.wsPort}`, 'mouldtend/#')
  const canaries: string[] = []
  const channel = openMqtt(own(broker), {
    now_ms: () => RAISED_MS,
    onFault: () => {},
    onCanary: (id) => canaries.push(id),
    onCommand: async () => ({ kind: 'done' }),
  })
  ending.push(channel.close)
  await expect.poll(() => channel.isReady()).toBe(true)
  const present = createPresent()
  channel.showAll(present.list())
  channel.show(present.fold([{ id: 'e1', event: raised }], kestrel))
  for (const message of messagesFor([{ id: 'e1', event: raised }], kestrel, channelsOf(kestrel), RAISED_MS)) {
    expect(await channel.send({ ...message, row: 1, tries: 0 })).toEqual({ kind: 'delivered' })
  }
  await expect.poll(() => bodies(overTcp.heard)).toMatchObject([{ id: 'e1' }])
  await expect.poll(() => overWeb.heard.map((line) => line.split(' ')[0])).toContain(eventTopic('kestrel-hall', raised))
  const canary = { ...canaryMessage('canary-1', kestrel, RAISED_MS), row: 2, tries: 0 }
  await expect.poll(async () => (await channel.send(canary), canaries.length)).toBeGreaterThan(0)
  await overWeb.client.publishAsync(acknowledgeTopic('kestrel-hall'), JSON.stringify({ id: 'c1', alarm: deviation.alarm, by: 'p-17' }), {
    qos: 1,
  })
  await expect.poll(() => overWeb.heard.filter((line) => line.startsWith(resultTopic('kestrel-hall'))).length).toBe(1)
  const late = await guest(broker.url, alarmTopic('kestrel-hall', raised))
  await expect.poll(() => bodies(late.heard)).toMatchObject([{ alarm: deviation.alarm, state: 'unack_active' }])
})

test('nobody else may publish, take the service client id, or leave a retained command', async () => {
  const { broker, faults } = await embedded(true)
  ending.push(broker.close)
  const channel = openMqtt(own(broker), { now_ms: () => RAISED_MS, onFault: () => {} })
  ending.push(channel.close)
  await expect.poll(() => channel.isReady()).toBe(true)
  const ear = await guest(broker.url, 'mouldtend/#')
  const forger = await guest(broker.url, 'nothing', { clientId: 'forger' })
  const gone = next(forger.client, 'close')
  forger.client.publish(eventTopic('kestrel-hall', raised), '{"forged":true}', { qos: 0 })
  await gone
  expect(faults).toMatchObject([{ kind: 'publish_denied', client: 'forger' }])
  const leaver = await guest(broker.url, 'nothing', { clientId: 'leaver' })
  const gone2 = next(leaver.client, 'close')
  leaver.client.publish(acknowledgeTopic('kestrel-hall'), '{}', { qos: 0, retain: true })
  await gone2
  const thief = connect(broker.url, { reconnectPeriod: 0, clientId: 'mouldtend-kestrel' })
  expect(String(await next(thief, 'error'))).toContain('refused')
  const guesser = connect(broker.url, { reconnectPeriod: 0, username: broker.user, password: 'guess' })
  await next(guesser, 'error')
  expect(channel.figures()).toMatchObject({ connected: true, connects: 1 })
  expect(ear.heard.filter((line) => line.includes('forged') || line.includes('command'))).toEqual([])
})

test('a session asked to outlive its connection does not: nothing piles up for who is gone', async () => {
  const { broker } = await embedded()
  ending.push(broker.close)
  const first = await guest(broker.url, 'mouldtend/#', { clientId: 'sleeper', clean: false })
  await first.client.endAsync()
  const channel = openMqtt(own(broker), { now_ms: () => RAISED_MS, onFault: () => {} })
  ending.push(channel.close)
  await expect.poll(() => channel.isReady()).toBe(true)
  const second = connect(broker.url, { clientId: 'sleeper', clean: false, reconnectPeriod: 0 })
  ending.push(() => second.endAsync(true))
  expect(await next(second, 'connect')).toMatchObject({ sessionPresent: false })
})

test('a subscriber that does not read is disconnected, and the others go on', { timeout: 60_000 }, async () => {
  const { broker, faults } = await embedded()
  ending.push(broker.close)
  const ear = await guest(broker.url, 'mouldtend/+/+/+/event')
  const channel = openMqtt(own(broker), { now_ms: () => RAISED_MS, onFault: () => {} })
  ending.push(channel.close)
  await expect.poll(() => channel.isReady()).toBe(true)
  const deaf = await guest(broker.url, 'mouldtend/#', { clientId: 'deaf' })
  deaf.client.stream.pause()
  // Bytes in the kernel's buffers count for nobody; what matters is that the pile in our memory ends.
  let sent = 0
  const big = { ...raised, context: { ...raised.context, errors: [{ id: 'E1', text: 'x'.repeat(100_000), severity: 1 }] } }
  while (faults.length === 0 && sent < 400) {
    sent += 1
    for (const message of messagesFor([{ id: `e${sent}`, event: big }], kestrel, channelsOf(kestrel), RAISED_MS)) {
      await channel.send({ ...message, row: sent, tries: 0 })
    }
  }
  expect(faults[0]).toMatchObject({ kind: 'subscriber_slow', client: 'deaf' })
  await expect.poll(() => ear.heard.length, { timeout: 20_000 }).toBe(sent)
})

test('a taken port: the next free one near it', async () => {
  const first = await embedded()
  ending.push(first.broker.close)
  const second = await embedded(false, first.broker.port)
  ending.push(second.broker.close)
  expect(second.broker.port).not.toBe(first.broker.port)
  const channel = openMqtt(own(second.broker), { now_ms: () => RAISED_MS, onFault: () => {} })
  ending.push(channel.close)
  await expect.poll(() => channel.isReady()).toBe(true)
})

test('an address that is not ours is an error, not a search', async () => {
  await expect(listenNear(createServer(), '192.0.2.1', 0)).rejects.toThrow('EADDRNOTAVAIL')
})

test('by itself it listens on loopback only, and a plain web request gets a plain answer', async () => {
  const { broker } = await embedded()
  ending.push(broker.close)
  const answer = await fetch(`http://127.0.0.1:${broker.wsPort}/`)
  expect(answer.status).toBe(426)
  // Rubbish on the MQTT port ends that connection and nothing else.
  const socket = connectTcp(broker.port, '127.0.0.1')
  socket.on('error', () => {})
  socket.write('GET / HTTP/1.1\r\n\r\n')
  await once(socket, 'close')
  const { client } = await guest(broker.url, 'mouldtend/#')
  expect(client.connected).toBe(true)
})

test('a broker that refuses MQTT 5 is spoken to in 3.1.1', async () => {
  const { broker } = await embedded()
  ending.push(broker.close)
  const faults: AlertFault[] = []
  const channel = openMqtt({ ...own(broker), protocol: 5 }, { now_ms: () => RAISED_MS, onFault: (fault) => faults.push(fault) })
  ending.push(channel.close)
  await expect.poll(() => channel.isReady(), { timeout: 5_000 }).toBe(true)
  expect(faults).toEqual([])
})
