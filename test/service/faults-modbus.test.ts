import { join } from 'node:path'
import { afterAll, beforeAll, describe, expect, test, vi } from 'vitest'
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
  type Look,
  type Machine,
  type Running,
} from './faults-bench.ts'
import { proxyTo, type Proxy } from './proxy.ts'
import { cleanup } from './stage.ts'

const [mosquitto, mosquittoSub] = [tool('mosquitto'), tool('mosquitto_sub')]
const HEALTHY = ['well-1', 'well-2', 'well-3', 'well-4']
const at = folder()
const site = join(at.path, 'site.yaml')
/** Everything that stands before the first test. */
interface Rig {
  readonly well: readonly Device[]
  readonly mule: Device
  readonly gateway: Device
  readonly second: Device
  readonly proxy: Proxy
  readonly broker: Mosquitto
  readonly ear: Subscriber
  readonly machine: Machine
  readonly service: Running
}
let rig: Rig | null = null
/** Also of a start that fails half way: a broker left behind would hold up the whole run. */
const opened = cleanup()
opened.add(at.remove)
const bench = (): Rig => {
  if (rig === null) throw new Error('not started')
  return rig
}

const unit = (id: string, port: number): string =>
  `  - { id: ${id}, connection: { host: 127.0.0.1, port: ${port}, timeout: 300 ms, retries: 0 }, address: 1, ${UNIT} }`

beforeAll(async () => {
  if (mosquitto === null || mosquittoSub === null) return
  const well = await Promise.all(HEALTHY.map(() => device()))
  const [mule, gateway, second] = await Promise.all([device(), device([1, 2, 3]), device()])
  for (const each of [...well, mule, gateway, second]) opened.add(each.close)
  const proxy = await proxyTo(() => mule.port)
  opened.add(proxy.close)
  const broker = await startMosquitto(mosquitto)
  opened.add(broker.close)
  const ear = await subscribe(mosquittoSub, broker.port, 'mouldtend/+/+/+/event')
  opened.add(ear.close)
  at.write('bench.yaml', PROFILE)
  at.write(
    'site.yaml',
    `site: kestrel-hall
lines:
  gateway: { host: 127.0.0.1, port: ${gateway.port}, timeout: 300 ms, retries: 0 }
units:
${well.map(({ port }, i) => unit(HEALTHY[i] ?? '', port)).join('\n')}
${unit('mule', proxy.port)}
${unit('second', second.port)}
${[1, 2, 3].map((n) => `  - { id: behind-${n}, line: gateway, address: ${n}, ${UNIT} }`).join('\n')}
${RULES}
http: { port: 0 }
mqtt: { url: "mqtt://127.0.0.1:${broker.port}" }
canary: 2 s
`,
  )
  const service = await run(site)
  opened.add(service.stop)
  const machine = watchMachine(service)
  opened.add(machine.close)
  rig = { well, mule, gateway, second, proxy, broker, ear, machine, service }
  await until(service, 'every unit is read', (look) => [...HEALTHY, 'mule', 'second', 'behind-1', 'behind-3'].every(isGood(look)))
  // Starting up is another matter than going on.
  await service.lateness([...HEALTHY, 'gateway'])
  machine.held_ms()
})
afterAll(opened.all)

const quality = (look: Look, unit: string): number | null =>
  look.value('mouldtend_signal_quality', { unit, signal: 'temperature.main_line' })
const isGood =
  (look: Look) =>
  (unit: string): boolean =>
    quality(look, unit) === 0
const isBad =
  (look: Look) =>
  (unit: string): boolean =>
    (quality(look, unit) ?? 0) >= 2
const faults = (look: Look, source: string, fault: string): number => look.value('mouldtend_source_faults_total', { source, fault }) ?? 0

const alarms = (unit: string, rule: string): readonly string[] =>
  told(bench().ear.heard)
    .filter((one) => one.unit === unit && one.alarm.endsWith(`:${rule}`))
    .map(({ event }) => event)
    .filter((event) => event === 'raised' || event === 'returned')
const said = (unit: string, kind: string): readonly string[] =>
  bench()
    .service.log.filter((line) => line['unit'] === unit && line['fault'] === kind)
    .map(({ msg }) => msg ?? '')

/** One alarm raised and gone at every unit that is well, as the world goes on while another has its fault. */
async function othersGoOn(): Promise<void> {
  const before = HEALTHY.map((id) => alarms(id, 'too_warm').length)
  const { well } = bench()
  for (const each of well) each.warm(50)
  await vi.waitFor(() => expect(HEALTHY.map((id, i) => alarms(id, 'too_warm').length - (before[i] ?? 0))).toEqual([1, 1, 1, 1]), 5000)
  for (const each of well) each.warm(25)
  await vi.waitFor(() => expect(HEALTHY.map((id, i) => alarms(id, 'too_warm').length - (before[i] ?? 0))).toEqual([2, 2, 2, 2]), 5000)
}

/** The faulty unit is read again and alarms of it come. */
async function recovers(): Promise<void> {
  const { service, mule } = bench()
  await until(service, 'the mule is read again', (look) => isGood(look)('mule'), 20_000)
  const before = alarms('mule', 'too_warm').length
  mule.warm(50)
  await vi.waitFor(() => expect(alarms('mule', 'too_warm')).toHaveLength(before + 1), 5000)
  mule.warm(25)
  await vi.waitFor(() => expect(alarms('mule', 'too_warm')).toHaveLength(before + 2), 5000)
}

/** Modbus TCP answers one by one, each replaced by what `change` makes of it. */
const frames =
  (change: (frame: Buffer) => Buffer) =>
  (bytes: Buffer): Buffer => {
    const out: Buffer[] = []
    for (let rest = bytes; rest.length >= 6; rest = rest.subarray(rest.readUInt16BE(4) + 6))
      out.push(change(Buffer.from(rest.subarray(0, rest.readUInt16BE(4) + 6))))
    return Buffer.concat(out)
  }
const refused = (code: number) =>
  frames((frame) => Buffer.from([...frame.subarray(0, 4), 0, 3, frame[6] ?? 0, (frame[7] ?? 0) | 0x80, code]))

describe.skipIf(mosquitto === null || mosquittoSub === null)('Modbus, with the whole service', () => {
  test('link cut: bad at once, contact lost told, and it comes back by itself', async () => {
    const { service, proxy, machine } = bench()
    await proxy.cut()
    await until(service, 'the mule is bad', (look) => isBad(look)('mule'))
    await vi.waitFor(() => expect(alarms('mule', 'contact.lost')).toEqual(['raised']), 6000)
    expect(said('mule', 'link_lost').concat(said('mule', 'refused'))[0]).toContain(`127.0.0.1:${proxy.port}`)
    expect((await service.look()).value('mouldtend_source_connected', { source: 'mule' })).toBe(0)
    expect((await service.look()).value('mouldtend_alarm_active', { unit: 'mule', rule: 'contact.lost' })).toBe(1)
    await othersGoOn()
    await proxy.mend()
    await recovers()
    await vi.waitFor(() => expect(alarms('mule', 'contact.lost')).toEqual(['raised', 'returned']), 5000)
    await expectPunctual(service, HEALTHY, machine)
  })

  test('half open: the connection stands and nothing comes; found by the time-out, told, and it comes back by itself', async () => {
    const { service, proxy, machine } = bench()
    proxy.silence(true)
    await until(service, 'the mule is bad', (look) => isBad(look)('mule'))
    await vi.waitFor(() => expect(alarms('mule', 'contact.lost').slice(2)).toEqual(['raised']), 6000)
    expect(said('mule', 'timeout')[0]).toContain('no answer within 300 ms')
    await othersGoOn()
    proxy.silence(false)
    await recovers()
    await vi.waitFor(() => expect(alarms('mule', 'contact.lost').slice(2)).toEqual(['raised', 'returned']), 5000)
    await expectPunctual(service, HEALTHY, machine)
  })

  test.each([
    ['garbage', (bytes: Buffer) => Buffer.from(bytes.map((byte) => byte ^ 0xa5)), ['malformed', 'link_lost', 'timeout']],
    [
      'answers to somebody else (foreign transaction ids)',
      frames((frame) => {
        frame.writeUInt16BE((frame.readUInt16BE(0) + 7777) & 0xffff, 0)
        return frame
      }),
      ['timeout', 'malformed'],
    ],
    [
      'answers of another unit',
      frames((frame) => {
        frame[6] = 99
        return frame
      }),
      ['timeout', 'malformed'],
    ],
  ])('%s: never taken for a value, bad meanwhile, and it recovers by itself', async (_, change, kinds) => {
    const { service, proxy, machine } = bench()
    const count = (look: Look): number => kinds.reduce((sum, kind) => sum + faults(look, 'mule', kind), 0)
    const before = count(await service.look())
    const warm = alarms('mule', 'too_warm').length
    proxy.answer = change
    await until(service, 'the mule is bad', (look) => isBad(look)('mule') && count(look) > before)
    expect((await service.look()).value('mouldtend_temperature_celsius', { unit: 'mule', signal: 'temperature.main_line' })).toBe(null)
    await othersGoOn()
    proxy.answer = null
    expect(alarms('mule', 'too_warm'), 'no alarm out of garbage').toHaveLength(warm)
    await recovers()
    await expectPunctual(service, HEALTHY, machine)
  })

  test('answers in pieces of one byte are put together again', async () => {
    const { service, proxy, machine } = bench()
    proxy.split = 1
    const polls = (await service.look()).value('mouldtend_source_polls_total', { source: 'mule' }) ?? 0
    await until(service, 'it was polled', (look) => (look.value('mouldtend_source_polls_total', { source: 'mule' }) ?? 0) > polls + 10)
    expect(quality(await service.look(), 'mule')).toBe(0)
    proxy.split = 0
    await recovers()
    await expectPunctual(service, HEALTHY, machine)
  })

  test.each([1, 2, 3, 4, 6, 11])('exception %i: bad with its reason, told in the log, recovers by itself', async (code) => {
    const { service, proxy, machine } = bench()
    const kind = code === 2 ? 'no_such_register' : 'exception'
    const before = faults(await service.look(), 'mule', kind)
    const lines = said('mule', kind).length
    proxy.answer = refused(code)
    await until(service, 'the mule is bad', (look) => isBad(look)('mule') && faults(look, 'mule', kind) > before)
    const text = said('mule', kind).slice(lines).join('\n')
    expect(text).toContain(code === 2 ? 'Modbus exception 2' : `exception ${code} (`)
    await othersGoOn()
    proxy.answer = null
    await recovers()
    await expectPunctual(service, HEALTHY, machine)
  })

  test('a unit that takes 250 ms for each answer delays nobody else and is read as fast as it can', async () => {
    const { service, proxy, machine } = bench()
    proxy.delay_ms = 250
    const { value } = await service.look()
    const polls = value('mouldtend_source_polls_total', { source: 'mule' }) ?? 0
    await until(service, 'polled on', (look) => (look.value('mouldtend_source_polls_total', { source: 'mule' }) ?? 0) > polls + 6)
    const look = await service.look()
    expect(quality(look, 'mule')).toBe(0)
    expect(look.value('mouldtend_source_polls_late_total', { source: 'mule' }), 'its own left out polls are counted').toBeGreaterThan(5)
    await othersGoOn()
    proxy.delay_ms = 0
    await recovers()
    await expectPunctual(service, HEALTHY, machine)
  })

  test('a unit behind a gateway dies: its fellows are asked on time, it is told lost, and it comes back', async () => {
    const { service, gateway, machine } = bench()
    await service.lateness(['gateway'])
    gateway.dead(2, true)
    await until(service, 'the dead one is bad', (look) => isBad(look)('behind-2'))
    await vi.waitFor(() => expect(alarms('behind-2', 'contact.lost')).toEqual(['raised']), 6000)
    const look = await service.look()
    expect(['behind-1', 'behind-3'].every(isGood(look))).toBe(true)
    expect(said('behind-2', 'exception')[0]).toContain('exception 11')
    await othersGoOn()
    await expectPunctual(service, ['gateway', ...HEALTHY], machine)
    gateway.dead(2, false)
    await until(service, 'it is read again', (now) => isGood(now)('behind-2'), 20_000)
    await vi.waitFor(() => expect(alarms('behind-2', 'contact.lost')).toEqual(['raised', 'returned']), 5000)
  })

  test('a unit that starts again on the same port is read on within seconds, and nothing is told of it', async () => {
    const { service, second, machine } = bench()
    const before = (await service.look()).value('mouldtend_source_reconnects_total', { source: 'second' }) ?? 0
    await second.restart()
    await until(
      service,
      'connected anew',
      (look) => (look.value('mouldtend_source_reconnects_total', { source: 'second' }) ?? 0) > before && isGood(look)('second'),
    )
    expect(alarms('second', 'contact.lost')).toEqual([])
    await othersGoOn()
    await expectPunctual(service, HEALTHY, machine)
  })

  test('after all that: ready, stopped orderly, journal and subscriber agree, and only function codes 1 to 4 were ever sent', async () => {
    const { service, ear, well, mule, gateway, second } = bench()
    expect(await service.ready()).toEqual({ status: 200, codes: [] })
    expect(await service.stop()).toBe(0)
    const records = await journalOf(join(at.path, 'kestrel-hall.mouldtend.db'))
    await expectNoneLostOrDoubled(site, records, told(ear.heard))
    const raised = alarmsIn(records).filter(({ event }) => event.event === 'raised' && event.rule === 'too_warm')
    expect(raised.length, 'alarms that this speaks of').toBeGreaterThan(50)
    for (const { requests, refusedCount } of [...well, mule, gateway, second].flatMap((each) => each.traffic())) {
      expect(refusedCount).toBe(0)
      expect([...requests.keys()].filter((code) => code < 1 || code > 4)).toEqual([])
      expect(requests.get(3)).toBeGreaterThan(0)
    }
  })
})
