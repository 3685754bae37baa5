import { once } from 'node:events'
import { createServer, type Server } from 'node:http'
import type { AddressInfo } from 'node:net'
import { join } from 'node:path'
import { afterAll, beforeAll, describe, expect, test, vi } from 'vitest'
import type { StoredRecord } from '../../history/store.ts'
import { startMosquitto, subscribe, type Mosquitto, type Subscriber } from '../alerts/mosquitto.ts'
import { tool } from '../tool.ts'
import {
  alarmsIn,
  device,
  expectNoneLostOrDoubled,
  expectPunctual,
  folder,
  journalOf,
  PROFILE,
  RULES,
  run,
  told,
  UNIT,
  until,
  watchMachine,
  type Device,
  type Machine,
  type Running,
  type Told,
} from './faults-bench.ts'
import { proxyTo, type Proxy } from './proxy.ts'
import { cleanup } from './stage.ts'

const [mosquitto, mosquittoSub] = [tool('mosquitto'), tool('mosquitto_sub')]
const WELL = ['well-1', 'well-2', 'well-3', 'well-4']
const at = folder()
const site = join(at.path, 'site.yaml')

/** Somebody who is told by HTTP and answers as a test wants. */
interface Receiver {
  readonly server: Server
  readonly port: number
  /** Every request: id and what it was answered. */
  readonly heard: { readonly id: string; readonly circuit: string; readonly answered: number }[]
  answer: (circuit: string, event: string) => number
}
async function receiver(): Promise<Receiver> {
  const server = createServer((request, response) => {
    let body = ''
    request.on('data', (data: Buffer) => (body += data.toString()))
    request.on('end', () => {
      const { id, circuit: at, event } = JSON.parse(body) as { id: string; circuit: string | null; event: string }
      const circuit = at ?? ''
      const answered = self.answer(circuit, event)
      // What mouldtend tells of itself is no part of this.
      if (circuit.startsWith('well-')) self.heard.push({ id, circuit, answered })
      response.writeHead(answered).end()
    })
  }).listen(0, '127.0.0.1')
  await once(server, 'listening')
  const self: Receiver = { server, port: (server.address() as AddressInfo).port, heard: [], answer: () => 200 }
  return self
}

interface Rig {
  readonly well: readonly Device[]
  readonly proxy: Proxy
  readonly broker: Mosquitto
  readonly ear: Subscriber
  readonly web: Receiver
  readonly machine: Machine
  readonly service: Running
}
let rig: Rig | null = null
/** Also of a start that fails half way: a broker left behind would hold up the whole run. */
const opened = cleanup()
opened.add(at.remove)
let journal: readonly StoredRecord[] = []
/** Alarms that we caused so far, each one raised and returned. */
let caused = 0
const bench = (): Rig => {
  if (rig === null) throw new Error('not started')
  return rig
}

beforeAll(async () => {
  if (mosquitto === null || mosquittoSub === null) return
  const well = await Promise.all(WELL.map(() => device()))
  for (const each of well) opened.add(each.close)
  const broker = await startMosquitto(mosquitto)
  opened.add(broker.close)
  const proxy = await proxyTo(() => broker.port)
  opened.add(proxy.close)
  // A session that outlives the broker's restart: what is published before the subscriber is back is not lost to the test.
  const ear = await subscribe(mosquittoSub, broker.port, 'mouldtend/+/+/+/event', ['-V', '5', '-c', '-i', 'ear', '-x', '3600'])
  opened.add(ear.close)
  const web = await receiver()
  opened.add(() => web.server.close())
  at.write('bench.yaml', PROFILE)
  at.write(
    'site.yaml',
    `site: kestrel-hall
units:
${well.map(({ port }, i) => `  - { id: ${WELL[i] ?? ''}, connection: { host: 127.0.0.1, port: ${port} }, address: 1, ${UNIT} }`).join('\n')}
${RULES}
http: { port: 0 }
mqtt: { url: "mqtt://127.0.0.1:${proxy.port}" }
webhook: { url: "http://127.0.0.1:${web.port}/alarms", timeout: 1 s }
canary: 1 s
`,
  )
  const service = await run(site)
  opened.add(service.stop)
  const machine = watchMachine(service)
  opened.add(machine.close)
  rig = { well, proxy, broker, ear, web, service, machine }
  await until(service, 'all are read', ({ value }) =>
    WELL.every((unit) => value('mouldtend_signal_quality', { unit, signal: 'temperature.main_line' }) === 0),
  )
  await service.lateness(WELL)
  machine.held_ms()
})
afterAll(opened.all)

/** Without what mouldtend tells of itself meanwhile, and of late data on a slow machine. */
const warm = (all: readonly Told[]): readonly Told[] =>
  all.filter(({ alarm, event }) => alarm.endsWith(':too_warm') && event !== 'quality_changed')

/** Raises and ends an alarm at every unit so many times; resolves when each was seen, told or not. */
async function alarms(times: number): Promise<void> {
  const { well, service } = bench()
  const active = async (): Promise<readonly (number | null)[]> => {
    const { value } = await service.look()
    return WELL.map((unit) => value('mouldtend_alarm_active', { unit, rule: 'too_warm' }))
  }
  for (let n = 0; n < times; n++) {
    caused += well.length
    for (const each of well) each.warm(50)
    await vi.waitFor(async () => expect(await active()).toEqual([1, 1, 1, 1]), 5000)
    for (const each of well) each.warm(25)
    await vi.waitFor(async () => expect(await active()).toEqual([0, 0, 0, 0]), 5000)
  }
}
const pending_s = async (): Promise<number> =>
  (await bench().service.look()).value('mouldtend_channel_oldest_pending_seconds', { channel: 'mqtt' }) ?? Number.NaN
/** The journal's alarms have all come to the subscriber. */
const allCame = (): Promise<void> =>
  vi.waitFor(
    () => {
      const { ear } = bench()
      const events = new Set(warm(told(ear.heard)).map(({ id }) => id))
      expect(events.size).toBe(2 * caused)
    },
    { timeout: 45_000, interval: 100 },
  )
const faults = (): readonly unknown[] => bench().service.log.map(({ fault }) => fault)

describe.skipIf(mosquitto === null || mosquittoSub === null)('the way to people, with the whole service', () => {
  test(
    'broker away for over two minutes with alarms raised meanwhile: shown, and all of them come afterwards, the old ones saying so',
    { timeout: 240_000 },
    async () => {
      const { service, broker, machine, ear } = bench()
      await alarms(1)
      await allCame()
      expect(await service.ready()).toEqual({ status: 200, codes: [] })
      expect(await pending_s()).toBeLessThan(5)
      await broker.stop()
      await alarms(12)
      expect(await pending_s(), 'messages wait without a connection').toBeGreaterThan(0)
      // Long enough for the waits between tries to have grown to their longest, and for the messages to be late.
      await until(service, 'away for two minutes', ({ value }) => (value('mouldtend_canary_age_seconds') ?? 0) > 125, 150_000)
      await alarms(1)
      await vi.waitFor(async () => expect(await service.ready()).toEqual({ status: 503, codes: ['canary_late'] }), 10_000)
      const look = await service.look()
      expect(look.value('mouldtend_channel_ready', { channel: 'mqtt' })).toBe(0)
      expect(look.value('mouldtend_outbox_depth')).toBeGreaterThanOrEqual(13 * 8)
      // Alarms wait since before the canary was missed, and none of them was tried meanwhile.
      expect(look.value('mouldtend_channel_oldest_pending_seconds', { channel: 'mqtt' })).toBeGreaterThan(10)
      expect(look.value('mouldtend_queue_depth', { queue: 'in_flight_mqtt' })).toBe(0)
      expect(look.value('mouldtend_lost_total', { what: 'alerts_dropped' })).toBe(0)
      expect(faults()).toContain('broker_unreachable')
      const before = ear.connects()
      await broker.start()
      await vi.waitFor(() => expect(ear.connects()).toBeGreaterThan(before), 15_000)
      await allCame()
      await vi.waitFor(async () => expect(await service.ready()).toEqual({ status: 200, codes: [] }), 45_000)
      await vi.waitFor(async () => expect(await pending_s()).toBeLessThan(5), 5000)
      expect(told(ear.heard).every(({ recorded }) => recorded)).toBe(true)
      // Four units, twelve alarms each, raised and returned: over 60 s old when they were sent. Those before and the last are not.
      const byId = new Map(warm(told(ear.heard)).map((one) => [one.id, one]))
      expect([...byId.values()].filter(({ late }) => late)).toHaveLength(12 * 8)
      await expectPunctual(service, WELL, machine, 100)
    },
  )

  test('broker silent with its connection open: found, connected anew, nothing lost', { timeout: 90_000 }, async () => {
    const { service, proxy, machine } = bench()
    proxy.silence(true)
    await alarms(5)
    expect(await pending_s()).toBeGreaterThan(0)
    await vi.waitFor(() => expect(faults()).toContain('broker_silent'), 25_000)
    proxy.silence(false)
    await allCame()
    await vi.waitFor(async () => expect(await pending_s()).toBe(0), 5000)
    await expectPunctual(service, WELL, machine, 100)
  })

  test('broker takes messages and its answers vanish: they come again with the same id', { timeout: 90_000 }, async () => {
    const { service, proxy, machine, ear } = bench()
    const before = ear.heard.length
    const silences = faults().filter((fault) => fault === 'broker_silent').length
    proxy.answer = () => Buffer.alloc(0)
    await alarms(2)
    await vi.waitFor(() => expect(faults().filter((fault) => fault === 'broker_silent').length).toBeGreaterThan(silences), 25_000)
    proxy.answer = null
    await allCame()
    const ids = told(ear.heard.slice(before)).map(({ id }) => id)
    expect(ids.length, 'some came twice').toBeGreaterThan(new Set(ids).size)
    await expectPunctual(service, WELL, machine, 100)
  })

  test('a webhook receiver that fails for a while gets all of it afterwards, in order for each circuit', { timeout: 60_000 }, async () => {
    const { service, web, machine } = bench()
    await vi.waitFor(() => expect(web.heard.filter(({ answered }) => answered === 200)).toHaveLength(2 * caused), 10_000)
    web.answer = () => 500
    await alarms(3)
    await vi.waitFor(() => expect(web.heard.filter(({ answered }) => answered === 500).length).toBeGreaterThan(8), 10_000)
    expect((await service.look()).value('mouldtend_channel_retried_total', { channel: 'webhook' })).toBeGreaterThan(0)
    web.answer = () => 200
    await vi.waitFor(() => expect(web.heard.filter(({ answered }) => answered === 200)).toHaveLength(2 * caused), 30_000)
    await allCame()
    await expectPunctual(service, WELL, machine)
  })

  test('a message that is refused for good goes to the dead letters, is shown, and blocks nobody', { timeout: 60_000 }, async () => {
    const { service, web, machine } = bench()
    web.answer = (circuit, event) => (circuit === 'well-2/a' && event === 'raised' ? 400 : 200)
    await alarms(1)
    web.answer = () => 200
    await alarms(1)
    // Two events each of four units, twice, one of them dead.
    await vi.waitFor(() => expect(web.heard.filter(({ answered }) => answered === 200)).toHaveLength(2 * caused - 1), 10_000)
    expect(web.heard.filter(({ answered }) => answered === 400)).toHaveLength(1)
    await until(service, 'on the list of dead letters', ({ value }) => value('mouldtend_dead_letters') === 1)
    const look = await service.look()
    expect(look.value('mouldtend_channel_dead_letters_total', { channel: 'webhook' })).toBe(1)
    expect(await service.ready()).toEqual({ status: 503, codes: ['dead_letter'] })
    await allCame()
    await expectPunctual(service, WELL, machine)
  })

  test('after all that: journal, subscriber and receiver agree', async () => {
    const { service, ear, web } = bench()
    expect(await service.stop()).toBe(0)
    journal = await journalOf(join(at.path, 'kestrel-hall.mouldtend.db'))
    await expectNoneLostOrDoubled(site, journal, told(ear.heard), 'same id')
    const wanted = alarmsIn(journal).filter(({ event }) => event.annunciate || event.event === 'returned')
    const gave = web.heard.filter(({ answered }) => answered === 200)
    const dead = web.heard.find(({ answered }) => answered === 400)?.id
    for (const circuit of WELL.map((unit) => `${unit}/a`)) {
      const ids = gave.filter((one) => one.circuit === circuit).map(({ id }) => id)
      expect(ids).toEqual(
        wanted
          .filter(({ event }) => event.circuit === circuit)
          .map(({ id }) => id)
          .filter((id) => id !== dead),
      )
    }
  })
})
