import { spawn, type ChildProcess } from 'node:child_process'
import { once } from 'node:events'
import { existsSync, mkdtempSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, describe, expect, test } from 'vitest'
import { openModbus } from '../../collector/adapters/modbus.ts'
import { systemClock } from '../../collector/clock.ts'
import type { ModbusSource } from '../../collector/modbus/wire.ts'
import type { Source } from '../../collector/source.ts'
import { pythonWith, tool } from '../tool.ts'
import { device, type Device } from './device.ts'
import { circuit, map, noSecrets, recorder, row, tcp, unit } from './plans.ts'
import { registers, scripted, tcpAnswer } from './wire.ts'

const python = pythonWith('pymodbus')
const socat = tool('socat')
const ends: (() => Promise<void>)[] = []
afterEach(async () => {
  for (const end of ends.splice(0).toReversed()) await end()
})
const opened = (source: Source): void => void ends.push(source.close)

/** Two pseudo terminals joined like the two ends of a cable; it can be pulled out and put back under the same names. */
interface Cable {
  readonly near: string
  readonly far: string
  readonly pull: () => Promise<void>
  readonly plug: () => Promise<void>
}
async function cable(): Promise<Cable> {
  const folder = mkdtempSync(join(tmpdir(), 'line-'))
  const [near, far] = [join(folder, 'near'), join(folder, 'far')]
  let joined: ChildProcess | null = null
  const plug = async (): Promise<void> => {
    joined = spawn(socat ?? '', [`pty,raw,echo=0,link=${near}`, `pty,raw,echo=0,link=${far}`])
    await expect.poll(() => existsSync(near) && existsSync(far)).toBe(true)
  }
  const pull = async (): Promise<void> => {
    const running = joined
    joined = null
    running?.kill()
    if (running !== null && running.exitCode === null && running.signalCode === null) await once(running, 'exit')
  }
  ends.push(async () => {
    await pull()
    rmSync(folder, { recursive: true })
  })
  await plug()
  return { near, far, pull, plug }
}
function started(): Device {
  const made = device(python ?? '')
  ends.push(made.end)
  return made
}
const serial = (path: string, units: readonly string[]): ModbusSource => ({
  kind: 'modbus_serial',
  id: 'line',
  device: path,
  baud: 19_200,
  parity: 'none',
  dataBits: 8,
  stopBits: 1,
  timeout_ms: 500,
  retries: 1,
  units: units.map((id, index) => ({ unit: id, address: index + 1, line: 'site.yaml:1' })),
  line: 'site.yaml:1',
})
const plan = (id: string) =>
  unit(id, [
    circuit(
      id,
      'a',
      map([
        row('temperature.main_line', 0, { decimals: 1 }),
        row('temperature.set_value', 1, { decimals: 1 }),
        row('flow_rate', 10, { type: 'float32', decimals: 2, unit: 'l_min', table: 'holding_register' }),
        row('alarm_contact', 3, { table: 'discrete_input', type: 'bit', unit: 'state', inverted: true }),
        row('pump.running', 4, { table: 'coil', type: 'bit', unit: 'state' }),
      ]),
    ),
  ])
const filled = async (peer: Device, address: number): Promise<void> =>
  peer.put(
    { unit: address, table: 'input_register', address: 0, type: 'int16', value: -5 },
    { unit: address, table: 'input_register', address: 1, type: 'int16', value: 900 + address },
    { unit: address, table: 'holding_register', address: 10, type: 'float32', value: 12.34 },
    { unit: address, table: 'discrete_input', address: 3, type: 'bit', value: false },
    { unit: address, table: 'coil', address: 4, type: 'bit', value: true },
  )

describe.skipIf(python === null)('RTU, an independent device (pymodbus)', () => {
  test.skipIf(socat === null)('two units on a serial line, all four tables', async () => {
    const { near, far } = await cable()
    const peer = started()
    await filled(peer, 1)
    await filled(peer, 2)
    await peer.serve({ kind: 'serial', device: far })
    const seen = recorder()
    opened(openModbus(serial(near, ['north-01', 'north-02']), [plan('north-01'), plan('north-02')], seen.sink, systemClock(), noSecrets))
    const first = await seen.next('the first unit', (each) => each.circuit === 'north-01/a' && each.anyGood)
    const second = await seen.next('the second unit', (each) => each.circuit === 'north-02/a' && each.anyGood)
    expect(first.values).toEqual([-0.5, 90.1, 12.34, 1, 1])
    expect(second.values).toEqual([-0.5, 90.2, 12.34, 1, 1])
    expect(seen.faults).toEqual([])
  })

  test('through TCP', async () => {
    const peer = started()
    await filled(peer, 1)
    const port = await peer.serve({ kind: 'rtu_over_tcp' })
    const seen = recorder()
    opened(openModbus(tcp(port, ['north-01'], { kind: 'modbus_rtu_over_tcp' }), [plan('north-01')], seen.sink, systemClock(), noSecrets))
    expect((await seen.next('a reading', (each) => each.anyGood)).values).toEqual([-0.5, 90.1, 12.34, 1, 1])
    expect(seen.faults).toEqual([])
  })
})

test('a serial device that goes away and comes back under the same name', async ({ skip }) => {
  if (socat === null) return skip()
  const line = await cable()
  const seen = recorder()
  const source = openModbus(serial(line.near, ['north-01']), [plan('north-01')], seen.sink, systemClock(), noSecrets)
  opened(source)
  await expect.poll(() => source.figures().connected).toBe(true)
  await line.pull()
  await seen.until('refused', () => seen.kinds().includes('refused'))
  expect(JSON.stringify(seen.faults)).toContain(line.near)
  expect(seen.readings.every((each) => !each.anyGood)).toBe(true)
  await line.plug()
  await expect.poll(() => source.figures().connected, { timeout: 10_000 }).toBe(true)
})

test('closing gives the serial device back', async ({ skip }) => {
  if (socat === null) return skip()
  const { near } = await cable()
  const seen = recorder()
  for (let round = 0; round < 2; round++) {
    const source = openModbus(serial(near, ['north-01']), [plan('north-01')], seen.sink, systemClock(), noSecrets)
    await expect.poll(() => source.figures().connected).toBe(true)
    await source.close()
  }
  // The device is opened for one only: the second round could not have opened it were the first still there.
  expect(seen.kinds()).not.toContain('refused')
})

test('a site without a serial line never loads the serial add-on', async () => {
  const code = `
    import { openModbus } from './collector/adapters/modbus.ts'
    import { systemClock } from './collector/clock.ts'
    const settings = { kind: 'modbus_tcp', id: 'l', host: '127.0.0.1', port: Number(process.argv[1]), timeout_ms: 300, retries: 0, units: [{ unit: 'u', address: 1, line: '' }], line: '' }
    const registers = { profile: '', rows: [{ signal: 'flow_rate', table: 'input_register', address: 0, type: 'int16', bit: 0, width: 1, words: 'high_first', bytes: 'high_first', decimals: null, offset: 0, unit: 'l_min', notAvailable: [], min: null, max: null, enumeration: {}, inverted: false, line: '' }], errors: [], phases: {}, maxRegisters: 125, maxBits: 2000, gap: 8, holes: [] }
    const units = [{ id: 'u', poll_ms: 50, staleAfter_ms: 1000, booting_ms: 0, circuits: [{ key: 'u/a', signals: ['flow_rate'], registers }] }]
    const source = openModbus(settings, units, (batch) => { if (batch.some((item) => item.kind === 'reading' && item.values[0] === 7)) { process.stdout.write(process.report.getReport().sharedObjects.join('\\n')); void source.close() } return true }, systemClock(), new Map())
  `
  const peer = await scripted('tcp', (asked, say) => say(tcpAnswer(asked, registers(7))))
  ends.push(peer.end)
  const run = spawn(process.execPath, ['--input-type=module', '-e', code, String(peer.port)], {
    cwd: new URL('../..', import.meta.url),
    stdio: ['ignore', 'pipe', 'inherit'],
  })
  const chunks: Buffer[] = []
  run.stdout.on('data', (chunk: Buffer) => chunks.push(chunk))
  await once(run, 'exit')
  const loaded = Buffer.concat(chunks).toString()
  expect(loaded).toContain('libc')
  expect(loaded).not.toContain('.node')
})

test('no write function is ever called in the collector: the sources name none', () => {
  const source = readFileSync(new URL('../../collector/modbus/client.ts', import.meta.url), 'utf8')
  expect([...source.matchAll(/modbus\.(write\w+|\w*[wW]rite\w*)\(/g)].map((found) => found[1])).toEqual([
    'writeFC1',
    'writeFC2',
    'writeFC3',
    'writeFC4',
  ])
})
