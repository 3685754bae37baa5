import pino from 'pino'
import { afterEach, expect, test } from 'vitest'
import { explainAlertFault } from '../../alerts/fault.ts'
import { counter } from '../../collector/figures.ts'
import type { ReadFault } from '../../collector/source.ts'
import { standingFaults } from '../../collector/standing-faults.ts'
import { adapterFaults, alertFaults, standingLog } from '../../service/standing-log.ts'
import { startMosquitto } from '../alerts/mosquitto.ts'
import { virtualClock } from '../collector/plans.ts'
import { startHall } from '../simulator/hall-process.ts'
import { tool } from '../tool.ts'
import { proxyTo } from './proxy.ts'
import { cleanup, scratch, startRun, writeSite } from './stage.ts'

const MINUTE = 60_000
interface Line {
  readonly level: number
  readonly msg: string
  readonly times?: number
  readonly more?: number
  readonly stood_s?: number
}

function bench() {
  const lines: Line[] = []
  const log = pino({ base: null, timestamp: false }, { write: (line: string) => void lines.push(JSON.parse(line) as Line) })
  return { log, clock: virtualClock(), lines, taken: () => lines.splice(0) }
}

test('a fault that stands: its start at once, the count every 10 minutes, its end with duration and count', () => {
  const { log, clock, taken } = bench()
  const faults = standingLog({ log, clock })
  for (let s = 0; s < 25 * 60; s += 10) {
    faults.fault('line', 'north-07: no answer', { unit: 'north-07' })
    clock.advance(10_000)
  }
  faults.over('line', 'north-07: answers again.')
  faults.over('line', 'north-07: answers again.')
  expect(taken()).toMatchObject([
    { level: 40, msg: 'north-07: no answer', unit: 'north-07' },
    { level: 40, unit: 'north-07', times: 60, more: 59, stood_s: 600, msg: 'Stands for 10 min, 59 times more: north-07: no answer' },
    { level: 40, times: 120, more: 60, stood_s: 1200 },
    { level: 30, unit: 'north-07', times: 150, stood_s: 1500, msg: 'north-07: answers again. (It stood for 25 min; counted: 150.)' },
  ])
  clock.advance(60 * MINUTE)
  expect(taken(), 'nothing is counted after the end').toEqual([])
  faults.fault('line', 'north-07: no answer', {})
  expect(taken(), 'the next one is a new one').toMatchObject([{ msg: 'north-07: no answer' }])
  faults.close()
  clock.advance(60 * MINUTE)
  expect(taken()).toEqual([])
})

test('one that was seen once and still stands is counted with nothing more; a passing one is over by itself', () => {
  const { log, clock, taken } = bench()
  const faults = standingLog({ log, clock })
  faults.fault('a', 'register missing', {})
  faults.passing('b', 'client slow', {})
  faults.passing('b', 'client slow', {})
  taken()
  clock.advance(10 * MINUTE)
  expect(taken()).toMatchObject([
    { msg: expect.stringContaining('register missing'), times: 1, more: 0 },
    { msg: expect.stringContaining('client slow'), more: 1 },
  ])
  clock.advance(10 * MINUTE)
  expect(taken().filter(({ msg }) => msg.includes('client slow'))).toMatchObject([{ level: 30, times: 2, stood_s: 1200 }])
  expect(faults.keys()).toEqual(['a'])
})

test('more different faults than are told apart share one line', () => {
  const { log, clock, taken } = bench()
  const faults = standingLog({ log, clock })
  for (let n = 0; n < 10_005; n++) faults.passing(`client ${n}`, `client ${n} denied`, {})
  expect(taken().slice(9_999)).toMatchObject([{ msg: 'client 9999 denied' }, { msg: expect.stringContaining('More than 10000') }])
  expect(faults.keys()).toHaveLength(10_001)
  faults.close()
})

test("the adapters' own standing faults: each register on its own, counts from the adapter, over when the adapter says so", () => {
  const { log, clock, taken } = bench()
  const standing = standingFaults(counter())
  const told = adapterFaults({ log, clock, standing: standing.standing })
  const happen = (subject: string, fault: ReadFault): void => {
    standing.happened(subject, fault, clock.now_ms())
    for (const report of standing.take()) told.started(report.fault, `${report.fault.kind} starts`)
  }
  const silent: ReadFault = { kind: 'timeout', unit: 'north-07', waited_ms: 500 }
  const missing = (register: number): ReadFault => ({
    kind: 'no_such_register',
    unit: 'north-07',
    register,
    signal: 'flow_rate',
    line: 'p:1',
  })
  happen('register 4', missing(4))
  happen('register 5', missing(5))
  for (let n = 0; n < 700; n++) {
    happen('unit', silent)
    clock.advance(1000)
  }
  standing.over('unit')
  clock.advance(1000)
  const lines = taken()
  expect(lines.map(({ msg }) => msg.replace(/^Stands.*: /, 'count: '))).toEqual([
    'no_such_register starts',
    'no_such_register starts',
    'timeout starts',
    'count: no_such_register starts',
    'count: no_such_register starts',
    'count: timeout starts',
    'north-07: timeout is over. (It stood for 12 min; counted: 700.)',
  ])
  told.started({ kind: 'sink_full', unit: 'north-07' }, 'no room')
  told.started({ kind: 'sink_full', unit: 'north-07' }, 'no room')
  expect(taken(), 'what does not stand is told each time').toMatchObject([{ msg: 'no room' }, { msg: 'no room' }])
  told.close()
})

test('a broker that is away gives one line and not one per try; it is over with a connection that lasts', () => {
  const { log, clock, taken } = bench()
  const faults = alertFaults({ log, clock, explain: explainAlertFault })
  const url = 'mqtt://broker.kestrel.example'
  for (let n = 0; n < 100; n++) {
    faults.happened({ kind: 'broker_unreachable', url, why: 'ECONNREFUSED' })
    clock.advance(1000)
  }
  expect(taken()).toHaveLength(1)
  faults.connected()
  clock.advance(1000)
  faults.happened({ kind: 'broker_lost', url, why: 'closed' })
  clock.advance(10_000)
  expect(
    taken().map(({ level }) => level),
    'it did not last: nothing is over',
  ).toEqual([40])
  faults.connected()
  faults.happened({ kind: 'subscribe_refused', url, topic: 'a/b', why: 'not authorised' })
  clock.advance(5000)
  expect(taken().map(({ msg }) => msg)).toEqual([
    expect.stringContaining('refuses the subscription'),
    expect.stringContaining('broker_unreachable is over'),
    expect.stringContaining('broker_lost is over'),
  ])
  faults.connected()
  clock.advance(5000)
  expect(
    taken().map(({ msg }) => msg),
    'this connection did not bring it up',
  ).toEqual([expect.stringContaining('subscribe_refused is over')])
  faults.close()
})

const opened = cleanup()
afterEach(opened.all)
const mosquitto = tool('mosquitto')

test.skipIf(mosquitto === null)(
  'the service as it runs: unit and broker go away and come back, each with one line at the start and one at the end',
  { timeout: 60_000 },
  async () => {
    const hall = await startHall('--fleet', '1', '--ports', '1')
    opened.add(hall.stop)
    const way = await proxyTo(() => hall.ready.modbus[0]?.port ?? 0)
    opened.add(way.close)
    const broker = await startMosquitto(mosquitto ?? '')
    opened.add(broker.close)
    const { folder, remove } = scratch()
    opened.add(remove)
    const service = startRun(writeSite(folder, { lines: [{ port: way.port, units: 1 }], mqtt: `  url: mqtt://127.0.0.1:${broker.port}` }))
    opened.add(service.stop)
    await service.http()
    const of = (fault: string) => service.log.filter((line) => line['fault'] === fault)
    await way.cut()
    await broker.stop()
    // Lost, then tried again in vain several times.
    await service.says('no connection to the MQTT broker')
    await expect.poll(() => of('refused').length + of('link_lost').length, { timeout: 20_000 }).toBeGreaterThan(0)
    await way.mend()
    await broker.start()
    await service.says('broker_unreachable is over')
    await service.says('broker_lost is over')
    await service.says('is over. (It stood')
    for (const fault of ['broker_lost', 'broker_unreachable']) expect(of(fault).map(({ level }) => level)).toEqual([40, 30])
    const unitFaults = (at: number) =>
      service.log
        .filter(({ unit, level }) => unit === 'kh-01' && level === at)
        .map((line) => String(line['fault']))
        .toSorted()
    expect(unitFaults(40).length).toBeGreaterThan(0)
    await expect.poll(() => unitFaults(30)).toEqual(unitFaults(40))
    expect(new Set(unitFaults(40)).size, 'each kind once').toBe(unitFaults(40).length)
  },
)
