import { execFileSync } from 'node:child_process'
import { once } from 'node:events'
import { writeFileSync } from 'node:fs'
import { connect, createServer, type AddressInfo, type Socket } from 'node:net'
import { join } from 'node:path'
import { afterEach, expect, test } from 'vitest'
import { demoSite, hallSchema } from '../../service/demo-site.ts'
import { startHall } from '../simulator/hall-process.ts'
import { tool } from '../tool.ts'
import { alarmsOf, cleanup, readJournal, scratch, startRun, until } from './stage.ts'

const mosquittoPub = tool('mosquitto_pub')
const opened = cleanup()
afterEach(opened.all)

/** A TCP server that passes everything on and keeps what the near side has sent, connection by connection. */
async function recorder(target: number): Promise<{ readonly port: number; readonly sent: () => readonly Buffer[] }> {
  const connections: Buffer[][] = []
  const sockets = new Set<Socket>()
  const server = createServer((near) => {
    const kept: Buffer[] = []
    connections.push(kept)
    const far = connect(target, '127.0.0.1')
    for (const [from, to] of [
      [near, far],
      [far, near],
    ] as const) {
      sockets.add(from)
      from.on('data', (data) => {
        if (from === near) kept.push(data)
        to.write(data)
      })
      from.on('error', () => to.destroy()).on('close', () => to.destroy())
    }
  })
  server.listen(0, '127.0.0.1')
  await once(server, 'listening')
  opened.add(() => {
    for (const socket of sockets) socket.destroy()
    server.close()
  })
  return { port: (server.address() as AddressInfo).port, sent: () => connections.map((kept) => Buffer.concat(kept)) }
}

/** Function codes of every request in a stream: MODBUS Messaging on TCP/IP V1.0b, 3.1.3 (header of 7 bytes, length at byte 4). */
function functionCodes(stream: Buffer): number[] {
  const codes: number[] = []
  for (let at = 0; at + 8 <= stream.length; at += 6 + stream.readUInt16BE(at + 4)) {
    if (stream.readUInt16BE(at + 2) !== 0) throw new Error(`no Modbus at byte ${at}`)
    codes.push(stream.readUInt8(at + 7))
  }
  return codes
}

/**
 * Services asked for in a stream of OPC UA: OPC 10000-6, 7.1.2 (message header of 8 bytes: type, chunk type, size), 6.7.2 (ids of
 * channel and token, sequence header, 8 bytes each) and 5.2.2.9 (a four-byte NodeId: 0x01, namespace, number). Only first chunks begin
 * with a type; the whole is readable since the hall offers a channel without security.
 */
function services(stream: Buffer): number[] {
  const found: number[] = []
  let isFirst = true
  for (let at = 0; at + 8 <= stream.length; at += stream.readUInt32LE(at + 4)) {
    const [type, chunk] = [stream.toString('latin1', at, at + 3), stream.toString('latin1', at + 3, at + 4)]
    if (!['HEL', 'OPN', 'MSG', 'CLO'].includes(type)) throw new Error(`no OPC UA at byte ${at}: ${type}`)
    if (type !== 'MSG') continue
    if (isFirst) {
      if (stream.readUInt8(at + 24) !== 1 || stream.readUInt8(at + 25) !== 0) throw new Error('a service of another form')
      found.push(stream.readUInt16LE(at + 26))
    }
    isFirst = chunk !== 'C'
  }
  return found
}
/** Encoding ids of the requests, OPC 10000-6, NodeIds.csv (…Request_Encoding_DefaultBinary). */
const READING: ReadonlyMap<number, string> = new Map([
  [428, 'GetEndpoints'],
  [461, 'CreateSession'],
  [467, 'ActivateSession'],
  [473, 'CloseSession'],
  [527, 'Browse'],
  [533, 'BrowseNext'],
  [554, 'TranslateBrowsePathsToNodeIds'],
  [631, 'Read'],
  [751, 'CreateMonitoredItems'],
  [781, 'DeleteMonitoredItems'],
  [787, 'CreateSubscription'],
  [826, 'Publish'],
  [832, 'Republish'],
  [847, 'DeleteSubscriptions'],
])
const [WRITE, CALL] = [673, 712]

test('the readers of the records see a write where there is one', () => {
  const write = Buffer.from('000100000006010600010002', 'hex')
  expect(functionCodes(Buffer.concat([Buffer.from('000200000006010300010002', 'hex'), write]))).toEqual([3, 6])
  const message = (service: number): Buffer => {
    const bytes = Buffer.alloc(40)
    bytes.write('MSGF', 'latin1')
    bytes.writeUInt32LE(40, 4)
    bytes.set([1, 0], 24)
    bytes.writeUInt16LE(service, 26)
    return bytes
  }
  expect(services(Buffer.concat([message(631), message(WRITE), message(CALL)]))).toEqual([631, WRITE, CALL])
})

test.skipIf(mosquittoPub === null)(
  'during the whole main job, faults and an acknowledge included, nothing is sent to a unit but requests to read',
  { timeout: 90_000 },
  async () => {
    const hall = await startHall('--seed', '7', '--speed', '8', '--units', 'tenths16/hot:2,tenths16/cool:1,float32swap/hot:1,opcua/cool:1')
    opened.add(hall.stop)
    const ready = hallSchema.parse(hall.ready)
    const modbus = await Promise.all(ready.modbus.map(async (line) => ({ line, ...(await recorder(line.port)) })))
    const opcua = await Promise.all(
      ready.opcua.map(async (server) => {
        const url = new URL(server.endpoint)
        const made = await recorder(Number(url.port))
        url.port = String(made.port)
        return { server, endpoint: url.toString(), ...made }
      }),
    )
    const { folder, remove } = scratch()
    opened.add(remove)
    const file = join(folder, 'site.yaml')
    const through = {
      ...ready,
      modbus: modbus.map(({ line, port }) => ({ ...line, port })),
      opcua: opcua.map(({ server, endpoint }) => ({ ...server, endpoint })),
    }
    writeFileSync(file, demoSite(through, { httpPort: 0, mqttPort: 0, wsPort: 0, folder }))
    const service = startRun(file)
    opened.add(service.kill)
    const { mqtt = '' } = await service.says('mouldtend watches')
    await service.says('the plan is extended')
    await until('OPC UA is subscribed', () =>
      opcua.every(({ sent }) => sent().some((stream) => services(stream).includes(826))) ? true : null,
    )

    const [shared, single] = [ready.modbus[0]?.units ?? [], ready.modbus[1]?.units ?? []]
    const units = { own: shared[0]?.serial ?? '', flow: shared[2]?.serial ?? '', lost: single[0]?.serial ?? '' }
    const faults = [
      { unit: units.own, kind: 'own_error', error: 'heater' },
      { unit: units.flow, kind: 'closed_valve' },
      { unit: units.lost, kind: 'link_down', how: 'silent' },
    ]
    for (const fault of faults) expect((await hall.post('/fault', fault)).body).toMatchObject({ ok: true })
    const journal = () => alarmsOf(readJournal(folder, 'kestrel-hall.db'))
    const raised = (unit: string) =>
      journal().find(({ event }) => event.event === 'raised' && event.unit === unit.toLowerCase() && event.rule !== 'no_reserve')
    for (const unit of Object.values(units)) await until(`${unit} has an alarm`, () => raised(unit) ?? null, 40_000)
    const alarm = raised(units.own)?.event.alarm ?? ''
    const to = ['-h', '127.0.0.1', '-p', new URL(mqtt).port, '-q', '1', '-t', 'mouldtend/kestrel-hall/command/acknowledge']
    execFileSync(mosquittoPub ?? '', [...to, '-m', JSON.stringify({ id: 'c-1', alarm, by: 'shift-2' })])
    await until('it is acknowledged', () => journal().find(({ event }) => event.event === 'acknowledged') ?? null)
    // And back again: a new connection begins as the first did.
    await hall.post('/clear', {})
    await until(
      'contact is back',
      () => journal().find(({ event }) => event.event === 'returned' && event.unit === units.lost.toLowerCase()) ?? null,
      40_000,
    )
    expect(await service.stop()).toBe(0)

    const codes = modbus.flatMap(({ sent }) => sent().flatMap(functionCodes))
    expect(codes.length).toBeGreaterThan(20)
    expect(
      codes.filter((code) => code < 1 || code > 4),
      'function codes other than 1 to 4',
    ).toEqual([])
    // The hall's own count agrees.
    const state = (await hall.get('/state')) as { modbus: { requests: Record<string, number>; refusedCount: number }[] }
    const counted = state.modbus.flatMap(({ requests }) => Object.keys(requests).map(Number))
    expect(counted.length).toBeGreaterThan(0)
    expect(counted.every((code) => code >= 1 && code <= 4)).toBe(true)
    expect(state.modbus.reduce((sum, { refusedCount }) => sum + refusedCount, 0)).toBe(0)

    const asked = opcua.flatMap(({ sent }) => sent().flatMap(services))
    expect(asked).toEqual(expect.arrayContaining([467, 527, 631, 826]))
    expect([asked.includes(WRITE), asked.includes(CALL)]).toEqual([false, false])
    expect(
      asked.filter((service) => !READING.has(service)),
      'services other than those that look',
    ).toEqual([])
  },
)
