import { renameSync, rmSync } from 'node:fs'
import { basename, join } from 'node:path'
import { afterAll, beforeAll, describe, expect, test, vi } from 'vitest'
import { serveOpcUa, type OpcUaHall, type ServeOptions } from '../../simulator/opcua/server.ts'
import { startMosquitto, subscribe, type Mosquitto, type Subscriber } from '../alerts/mosquitto.ts'
import { testUnit } from '../collector/opcua-bench.ts'
import { startHall, type HallProcess } from '../simulator/hall-process.ts'
import { tool } from '../tool.ts'
import {
  expectNoneLostOrDoubled,
  expectPunctual,
  folder,
  journalOf,
  run,
  told,
  until,
  watchMachine,
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
/** Served by one server each: open, secured, and one that takes ten nodes in a request. */
const [open, bigger, secured, narrow] = [
  testUnit('KH-1', ['A']),
  testUnit('KH-1', ['A', 'B']),
  testUnit('KH-2', ['A']),
  testUnit('KH-3', ['A', 'B']),
]
const UNITS = { open, bigger, secured, narrow }
const SECURE: Partial<ServeOptions> = { securityModes: ['SignAndEncrypt'] }
const counts = new Map<string, number>()
let mostAtOnce = 0

interface Rig {
  readonly servers: Map<'open' | 'secured' | 'narrow', OpcUaHall>
  /** Stands before the narrow one. */
  readonly proxy: Proxy
  readonly hall: HallProcess
  readonly broker: Mosquitto
  readonly ear: Subscriber
  machine: Machine
  service: Running
}
let rig: Rig | null = null
/** Also of a start that fails half way: a broker left behind would hold up the whole run. */
const opened = cleanup()
opened.add(at.remove)
const bench = (): Rig => {
  if (rig === null) throw new Error('not started')
  return rig
}

async function serve(unit: keyof typeof UNITS, change: Partial<ServeOptions> = {}): Promise<OpcUaHall> {
  return serveOpcUa([UNITS[unit].unit], {
    port: 0,
    pki: join(at.path, `server-${unit}`),
    allowAnonymous: true,
    onRequest: (name, size) => {
      counts.set(name, (counts.get(name) ?? 0) + 1)
      if (unit === 'narrow' && name === 'ReadRequest') mostAtOnce = Math.max(mostAtOnce, size)
    },
    ...change,
  })
}
const portOf = (endpoint: string): number => Number(new URL(endpoint.replace('opc.tcp', 'http')).port)

beforeAll(async () => {
  if (mosquitto === null || mosquittoSub === null) return
  const servers = new Map([
    ['open', await serve('open')],
    ['secured', await serve('secured', SECURE)],
    ['narrow', await serve('narrow', { maxNodesPerRead: 10, maxMonitoredItemsPerCall: 7 })],
  ] as const)
  opened.add(async () => {
    for (const server of servers.values()) await server.close()
  })
  const proxy = await proxyTo(() => portOf(servers.get('narrow')?.endpoint ?? ''))
  opened.add(proxy.close)
  // In a process of its own: making an OPC UA server takes this one's time, and nobody here may be late for that.
  const hall = await startHall('--units', 'tenths16/cool:4', '--per-port', '1')
  opened.add(hall.stop)
  const broker = await startMosquitto(mosquitto)
  opened.add(broker.close)
  const ear = await subscribe(mosquittoSub, broker.port, 'mouldtend/+/+/+/event')
  opened.add(ear.close)
  const opcua = (id: string, endpoint = '', more = ''): string =>
    `  - id: ${id}
    opcua: { endpoint: "${endpoint}", pki: ./pki-${id}, sampling: 50 ms, timeout: 3 s${more} }
    poll: 200 ms
    stale_after: 1 s
    booting: 0 s
    rules: { starved: { kind: low, signal: flow_rate, limit: 10 l/min, deadband: 1 l/min, on_delay: 0 s, off_delay: 0 s } }`
  at.write(
    'site.yaml',
    `site: kestrel-hall
units:
${hall.ready.modbus
  .map(
    ({ port, units: [one] }, i) =>
      `  - { id: ${HEALTHY[i] ?? ''}, connection: { host: 127.0.0.1, port: ${port} }, address: ${one?.address ?? 1}, profile: tenths16, poll: 100 ms, stale_after: 1 s }`,
  )
  .join('\n')}
${opcua('open', servers.get('open')?.endpoint)}
${opcua('secured', servers.get('secured')?.endpoint, ', security_mode: SignAndEncrypt, security_policy: Basic256Sha256')}
${opcua('narrow', `opc.tcp://127.0.0.1:${proxy.port}`)}
rules:
  contact.lost: { after: 2 s }
  contact.lost_hot: { after_hot: 2 s }
http: { port: 0 }
mqtt: { url: "mqtt://127.0.0.1:${broker.port}" }
canary: 2 s
`,
  )
  const service = await run(site)
  // A second one takes its place later.
  opened.add(() => rig?.machine.close())
  opened.add(() => (rig?.service ?? service).stop())
  rig = { servers, proxy, hall, broker, ear, service, machine: watchMachine(service) }
  await until(service, 'Modbus units are read', (look) => HEALTHY.every((id) => quality(look, id, 'temperature.main_line') === 0))
  await service.lateness(HEALTHY)
  rig.machine.held_ms()
}, 60_000)
afterAll(opened.all)

const quality = (look: Look, unit: string, signal = 'flow_rate', circuit?: string): number | null =>
  look.value('mouldtend_signal_quality', { unit, signal, ...(circuit === undefined ? {} : { circuit }) })
const planOf = (look: Look): string => look.all.find(({ name }) => name === 'mouldtend_build_info')?.labels['plan'] ?? ''
const alarms = (unit: string, rule: string, circuit?: string): readonly string[] =>
  told(bench().ear.heard)
    .filter((one) => one.unit === unit && one.alarm.endsWith(`:${rule}`) && (circuit === undefined || one.circuit === `${unit}/${circuit}`))
    .map(({ event }) => event)
    .filter((event) => event === 'raised' || event === 'returned')
/** Whichever of the two it was: the zones stand at 80 °C. */
const lost = (unit: string): readonly string[] => [...alarms(unit, 'contact.lost_hot'), ...alarms(unit, 'contact.lost')]
const said = (unit: string, kind: string): readonly string[] =>
  bench()
    .service.log.filter((line) => line['unit'] === unit && line['fault'] === kind)
    .map(({ msg }) => msg ?? '')

/** A change at the zone becomes an alarm at the subscriber, and goes. */
async function isWatched(id: 'open' | 'secured' | 'narrow', unit: keyof typeof UNITS, zone: string): Promise<void> {
  const server = bench().servers.get(id)
  const circuit = zone.toLowerCase()
  const before = alarms(id, 'starved', circuit).length
  for (const [step, flow_l_min] of [5, 30].entries()) {
    UNITS[unit].set(zone, { flow_l_min })
    server?.refresh()
    await vi.waitFor(() => expect(alarms(id, 'starved', circuit)).toHaveLength(before + step + 1), 8000)
  }
}
/** As the fault says: the file from rejected/ into trusted/certs/ beside that folder. */
function trust(text: string, pki: string): void {
  const file = /move (.+) to trusted\/certs\//.exec(text)?.[1] ?? ''
  expect(file.startsWith(join(at.path, pki, 'rejected'))).toBe(true)
  renameSync(file, join(at.path, pki, 'trusted', 'certs', basename(file)))
}
const isRead =
  (id: string, circuit = 'a') =>
  (look: Look): boolean =>
    quality(look, id, 'flow_rate', circuit) === 0

describe.skipIf(mosquitto === null || mosquittoSub === null)('OPC UA, with the whole service', () => {
  test(
    'found and watched by themselves; a server that takes ten nodes in a request is asked for no more',
    { timeout: 40_000 },
    async () => {
      const { service, machine } = bench()
      await until(service, 'found', (look) => isRead('open')(look) && isRead('narrow')(look) && isRead('narrow', 'b')(look), 20_000)
      await isWatched('open', 'open', 'A')
      await isWatched('narrow', 'narrow', 'B')
      expect(mostAtOnce).toBeGreaterThan(1)
      expect(mostAtOnce).toBeLessThanOrEqual(10)
      await expectPunctual(service, HEALTHY, machine)
    },
  )

  test('a server with a strange certificate is refused, the log names the file, and moving it is all that it takes', async () => {
    const { service, machine } = bench()
    await vi.waitFor(() => expect(said('secured', 'untrusted_certificate')).toHaveLength(1), 15_000)
    expect(quality(await service.look(), 'secured')).not.toBe(0)
    trust(said('secured', 'untrusted_certificate')[0] ?? '', 'pki-secured')
    await until(service, 'read', isRead('secured'), 25_000)
    await isWatched('secured', 'secured', 'A')
    await expectPunctual(service, HEALTHY, machine)
  })

  test('half open: the connection stands and nothing comes; bad within the time-out, told lost, and it comes back by itself', async () => {
    const { service, machine, proxy } = bench()
    proxy.silence(true)
    await until(service, 'bad', (look) => (quality(look, 'narrow', 'flow_rate', 'a') ?? 0) >= 2)
    expect(said('narrow', 'link_lost').concat(said('narrow', 'timeout'))).not.toEqual([])
    await vi.waitFor(() => expect(lost('narrow')).toEqual(['raised']), 8000)
    expect((await service.look()).value('mouldtend_source_connected', { source: 'narrow' })).toBe(0)
    proxy.silence(false)
    await until(service, 'read again', (look) => isRead('narrow')(look) && isRead('narrow', 'b')(look), 25_000)
    await isWatched('narrow', 'narrow', 'A')
    expect(lost('narrow')).toEqual(['raised', 'returned'])
    await expectPunctual(service, HEALTHY, machine)
  })

  test('a server that was away is told lost and comes back with other namespace indexes: found again by itself', async () => {
    const { service, machine, servers } = bench()
    const old = servers.get('open')
    const port = portOf(old?.endpoint ?? '')
    const version = planOf(await service.look())
    await old?.close()
    await until(service, 'bad', (look) => (quality(look, 'open') ?? 0) >= 2)
    await vi.waitFor(() => expect(lost('open')).toEqual(['raised']), 8000)
    expect(said('open', 'link_lost').concat(said('open', 'refused')).join()).toContain(`127.0.0.1:${port}`)
    servers.set('open', await serve('open', { port, namespacesBefore: ['urn:kestrel-hall:of-no-interest'] }))
    await until(service, 'read again', isRead('open'), 25_000)
    await isWatched('open', 'open', 'A')
    await vi.waitFor(() => expect(lost('open')).toEqual(['raised', 'returned']))
    expect(planOf(await service.look()), 'the same zones: the plan stays').toBe(version)
    await expectPunctual(service, HEALTHY, machine)
  })

  test('a server that comes back with one more zone: the plan is extended while running, and the new circuit is watched', async () => {
    const { service, machine, servers } = bench()
    const port = portOf(servers.get('open')?.endpoint ?? '')
    await servers.get('open')?.close()
    servers.set('open', await serve('bigger', { port }))
    await until(service, 'the new circuit is read', (look) => isRead('open', 'b')(look) && isRead('open', 'a')(look), 25_000)
    expect(service.log.map(({ msg }) => msg)).toContain('found units; the plan is extended by them')
    await isWatched('open', 'bigger', 'B')
    await isWatched('open', 'bigger', 'A')
    await expectPunctual(service, HEALTHY, machine)
  })

  test('a server that shows a new certificate is refused like a stranger, and comes back by moving the file', async () => {
    const { service, machine, servers } = bench()
    const port = portOf(servers.get('secured')?.endpoint ?? '')
    await servers.get('secured')?.close()
    await until(service, 'bad', (look) => (quality(look, 'secured') ?? 0) >= 2)
    rmSync(join(at.path, 'server-secured'), { recursive: true })
    servers.set('secured', await serve('secured', { ...SECURE, port }))
    const before = said('secured', 'untrusted_certificate').length
    await vi.waitFor(() => expect(said('secured', 'untrusted_certificate').length).toBeGreaterThan(before), 25_000)
    expect(quality(await service.look(), 'secured')).toBeGreaterThanOrEqual(2)
    trust(said('secured', 'untrusted_certificate').at(-1) ?? '', 'pki-secured')
    await until(service, 'read again', isRead('secured'), 25_000)
    await isWatched('secured', 'secured', 'A')
    await expectPunctual(service, HEALTHY, machine)
  })

  test('a unit that is out of reach when the service starts again keeps its circuits, is told lost, and is watched once it is back', async () => {
    const { servers } = bench()
    const port = portOf(servers.get('open')?.endpoint ?? '')
    expect(await bench().service.stop()).toBe(0)
    await bench().machine.close()
    await servers.get('open')?.close()
    const before = lost('open').length
    bench().service = await run(site)
    const { service } = bench()
    bench().machine = watchMachine(service)
    await until(service, 'it has its circuits', (look) =>
      ['a', 'b'].every((circuit) => (quality(look, 'open', 'flow_rate', circuit) ?? 0) >= 2),
    )
    await vi.waitFor(() => expect(lost('open').slice(before)).toEqual(['raised']), 10_000)
    await service.lateness(HEALTHY)
    bench().machine.held_ms()
    servers.set('open', await serve('bigger', { port }))
    await until(service, 'read again', (look) => isRead('open', 'b')(look) && isRead('open', 'a')(look), 25_000)
    await isWatched('open', 'bigger', 'B')
    await vi.waitFor(() => expect(lost('open').slice(before)).toEqual(['raised', 'returned']))
    await expectPunctual(service, HEALTHY, bench().machine)
  })

  test('after all that: ready, journal and subscriber agree, and Write and Call were never asked for', async () => {
    const { service, ear } = bench()
    expect(await service.ready()).toEqual({ status: 200, codes: [] })
    expect(await service.stop()).toBe(0)
    await expectNoneLostOrDoubled(site, await journalOf(join(at.path, 'kestrel-hall.mouldtend.db')), told(ear.heard))
    expect(counts.get('ReadRequest')).toBeGreaterThan(5)
    expect(counts.get('CreateSubscriptionRequest')).toBeGreaterThan(5)
    const allowed =
      /^(?:FindServers|GetEndpoints|CreateSession|ActivateSession|CloseSession|Read|Browse|BrowseNext|TranslateBrowsePathsToNodeIds|RegisterNodes|UnregisterNodes|CreateSubscription|ModifySubscription|SetPublishingMode|DeleteSubscriptions|CreateMonitoredItems|ModifyMonitoredItems|SetMonitoringMode|DeleteMonitoredItems|Publish|Republish|TransferSubscriptions|OpenSecureChannel|CloseSecureChannel)Request$/
    expect([...counts.keys()].filter((name) => !allowed.test(name))).toEqual([])
  })
})
