import { spawnSync } from 'node:child_process'
import { once } from 'node:events'
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, expect, test } from 'vitest'
import { readArguments } from '../../simulator/arguments.ts'
import { CODES } from '../../simulator/control-port.ts'
import { MAIN, startHall, type HallProcess } from './hall-process.ts'
import { RawModbus, signed } from './raw-modbus.ts'

const halls: HallProcess[] = []
const folders: string[] = []
afterEach(async () => {
  for (const hall of halls.splice(0)) await hall.stop()
  for (const folder of folders.splice(0)) rmSync(folder, { recursive: true, force: true })
})
async function hallOf(...args: string[]): Promise<HallProcess> {
  const hall = await startHall(...args)
  halls.push(hall)
  return hall
}
interface State {
  now_s: number
  units: {
    serial: string
    link: string
    zones: { id: string; values: { setValue_degC: number; flow_l_min: number; operatingMode: number } }[]
  }[]
  faults: { id: string }[]
  modbus: { port: number; requests: Record<string, number>; refusedCount: number; refused: { unit: number; functionCode: number }[] }[]
}
const state = async (hall: HallProcess): Promise<State> => (await hall.get('/state')) as State
/** Asks again until it is so; the test's own time limit ends a wait in vain. */
async function until(ask: () => Promise<boolean>): Promise<void> {
  while (!(await ask())) await new Promise((resolve) => setTimeout(resolve, 20))
}
function first<T>(list: readonly T[]): T {
  const [head] = list
  if (head === undefined) throw new Error('an empty list')
  return head
}

test('says in one line what it serves, and serves it', async () => {
  const hall = await hallOf('--seed', '7', '--units', 'tenths16:5,float32swap/oil:1', '--per-port', '4')
  expect(hall.ready.modbus.map((line) => line.units.map((unit) => [unit.address, unit.serial, unit.layout]))).toEqual([
    [
      [1, 'KH-0001', 'tenths16'],
      [2, 'KH-0002', 'tenths16'],
      [3, 'KH-0003', 'tenths16'],
      [4, 'KH-0004', 'tenths16'],
    ],
    [[1, 'KH-0005', 'tenths16']],
    [[1, 'KH-0006', 'float32swap']],
  ])
  expect(hall.ready.opcua).toEqual([])
  expect(hall.ready.modbus[2]?.units[0]).toMatchObject({ medium: 'oil', place: 'Kestrel Hall, press 3, moving half' })
  for (const { port, units } of hall.ready.modbus) {
    const raw = await RawModbus.open(port)
    for (const unit of units) {
      const [table, base] = unit.layout === 'tenths16' ? ([4, 0] as const) : ([3, 1000] as const)
      expect(await raw.read(unit.address, table, base, 40)).toHaveLength(40)
    }
    raw.close()
  }
})

test('a fault ordered while it runs reaches the wire; clearing takes it away; time runs at the ordered speed', async () => {
  const hall = await hallOf('--seed', '3', '--speed', '100', '--units', 'tenths16/hot:1')
  const raw = await RawModbus.open(first(hall.ready.modbus).port)
  const flow = async (): Promise<number> => signed((await raw.read(1, 4, 5, 1))[0]) / 10
  const before = await flow()
  expect(await hall.post('/fault', { unit: 'KH-0001', kind: 'constriction', factor: 9, for_s: 1e6 })).toMatchObject({
    status: 200,
    body: { ok: true, value: { id: 'F1', fault: { kind: 'constriction', factor: 9 } } },
  })
  await until(async () => (await flow()) < 0.5 * before)
  expect(await hall.post('/clear', { id: 'F1' })).toMatchObject({ body: { ok: true, value: { cleared: 1 } } })
  await until(async () => (await flow()) > 0.9 * before)

  expect(await hall.post('/set-value', { unit: 'KH-0001', zone: 'A', value: 111 })).toMatchObject({ status: 200 })
  await until(async () => signed((await raw.read(1, 4, 0, 1))[0]) === 1110)
  await hall.post('/mode', { unit: 'KH-0001', mode: 'standby' })
  await until(async () => (await raw.read(1, 4, 12, 1))[0] === 8)
  raw.close()

  const a = await state(hall)
  const start = performance.now()
  await until(async () => (await state(hall)).now_s > a.now_s + 50)
  const took_s = (performance.now() - start) / 1000
  expect(took_s).toBeGreaterThan(0.4)
  await hall.post('/speed', { speed: 0 })
  const frozen = await state(hall)
  expect((await state(hall)).now_s).toBe(frozen.now_s)
})

test('commands come in on stdin too, a line each, and each has its answer', async () => {
  const hall = await hallOf('--seed', '3', '--units', 'tenths16:1')
  const ask = async (line: string): Promise<unknown> => {
    hall.child.stdin?.write(`${line}\n`)
    return hall.nextLine()
  }
  expect(await ask('{"do":"fault","unit":"KH-0001","kind":"link_down","how":"gateway"}')).toMatchObject({ ok: true, value: { id: 'F1' } })
  expect(await ask('{"do":"state"}')).toMatchObject({ ok: true, value: { units: [{ link: 'gateway' }], faults: [{ id: 'F1' }] } })
  expect(await ask('{"do":"clear"}')).toMatchObject({ ok: true, value: { cleared: 1 } })
  expect(await ask('{"do":"dance"}')).toMatchObject({ ok: false, error: 'unknown_command' })
  expect(await ask('{"do":"__proto__"}')).toMatchObject({ ok: false, error: 'unknown_command' })
  expect(await ask('no json')).toMatchObject({ ok: false, error: 'bad_command' })
  expect(await ask('7')).toMatchObject({ ok: false, error: 'bad_command' })
})

test.each([
  { name: 'a unit that is not there', path: '/fault', body: { unit: 'X', kind: 'closed_valve' }, error: 'unknown_unit' },
  { name: 'a zone that is not there', path: '/set-value', body: { unit: 'KH-0001', zone: 'Q', value: 40 }, error: 'unknown_zone' },
  { name: 'a misspelt key', path: '/fault', body: { unit: 'KH-0001', kind: 'closed_valve', rampe_s: 3 }, error: 'bad_command' },
  { name: 'an unknown fault', path: '/fault', body: { unit: 'KH-0001', kind: 'gremlins' }, error: 'bad_command' },
  { name: 'two ends', path: '/fault', body: { unit: 'KH-0001', kind: 'closed_valve', end_s: 3, for_s: 3 }, error: 'bad_command' },
  { name: 'a number out of its range', path: '/fault', body: { unit: 'KH-0001', kind: 'pump_wear', loss: 3 }, error: 'bad_command' },
  { name: 'no such command', path: '/explode', body: {}, error: 'unknown_command' },
  { name: 'too long', path: '/fault', body: { unit: 'x'.repeat(70_000) }, error: 'bad_command' },
])('refused, with the reason: $name', async ({ path, body, error }) => {
  const hall = await hallOf('--units', 'tenths16:1')
  const reply = await hall.post(path, body)
  expect(reply).toMatchObject({ status: 400, body: { ok: false, error } })
  expect((await state(hall)).faults).toEqual([])
})

test('a web page cannot drive the hall', async () => {
  const hall = await hallOf('--units', 'tenths16:1')
  expect((await hall.post('/clear', {}, { origin: 'http://example.org' })).status).toBe(403)
})

test('what is not a read is refused and can be counted from outside', async () => {
  const hall = await hallOf('--units', 'tenths16:1')
  const { port } = first(hall.ready.modbus)
  const raw = await RawModbus.open(port)
  await raw.read(1, 4, 0, 2)
  expect(await raw.ask('0009 0000 0006 01 06 0000 0001')).toBe('000900000003018601')
  raw.close()
  expect((await state(hall)).modbus).toMatchObject([
    { port, requests: { 4: 1, 6: 1 }, refusedCount: 1, refused: [{ unit: 1, functionCode: 6 }] },
  ])
})

test('the demo story happens as told: heater, flow, line, main switch', async () => {
  const hall = await hallOf('--seed', '7', '--speed', '20', '--story', 'demo')
  const { story } = hall.ready
  expect(story.map((point) => point.at_s)).toEqual([8, 15, 25, 40])
  expect(new Set(story.map((point) => point.unit)).size).toBe(4)
  const [heater, constriction, line, switched] = story.map((point) => point.unit)
  const of = (s: State, serial: string | undefined): State['units'][number] => first(s.units.filter((u) => u.serial === serial))
  const designFlow =
    hall.ready.modbus.flatMap((port) => port.units).find((unit) => unit.serial === constriction)?.zones[0]?.designFlow_l_min ?? Number.NaN
  expect(first(of(await state(hall), constriction).zones).values.flow_l_min).toBeGreaterThan(0.8 * designFlow)
  // The story is told in seconds of the wall clock; more speed makes more happen in them, not sooner. So it is jumped over here.
  await hall.post('/speed', { speed: 1000 })
  const seen = new Set<string>()
  await until(async () => {
    const s = await state(hall)
    const faulty = first(of(s, heater).zones).values as unknown as { errors: unknown[]; actual_degC: number; setValue_degC: number }
    if (faulty.errors.length > 0 && faulty.actual_degC < faulty.setValue_degC - 3) seen.add('cold')
    const narrow = first(of(s, constriction).zones).values
    if (narrow.flow_l_min < 0.5 * designFlow) seen.add('narrow')
    if (of(s, line).link === 'silent') seen.add('silent')
    if (first(of(s, switched).zones).values.operatingMode === 1) seen.add('off')
    return seen.size === 4
  })
  await until(async () => (await state(hall)).now_s > 130 * 20)
  expect(of(await state(hall), line).link).toBe('up')
})

test('a script of faults is taken from a file, and a bad one is refused with its place', async () => {
  const folder = mkdtempSync(join(tmpdir(), 'kestrel-script-'))
  folders.push(folder)
  const file = join(folder, 'faults.json')
  writeFileSync(file, JSON.stringify([{ unit: 'KH-0001', kind: 'leak', l_h: 5, start_s: 20, ramp_s: 10, end_s: 90 }]))
  const hall = await hallOf('--units', 'tenths16:1', '--script', file)
  expect((await state(hall)).faults).toEqual([
    { id: 'F1', unit: 'KH-0001', zone: null, start_s: 20, ramp_s: 10, end_s: 90, fault: { kind: 'leak', l_h: 5 } },
  ])
  writeFileSync(
    file,
    JSON.stringify([
      { unit: 'KH-0001', kind: 'closed_valve' },
      { unit: 'KH-0009', kind: 'closed_valve' },
    ]),
  )
  const bad = spawnSync(process.execPath, [MAIN, '--units', 'tenths16:1', '--script', file], { encoding: 'utf8', input: '' })
  expect(bad.status).toBe(2)
  expect(bad.stderr).toContain('fault 2: unknown_unit (KH-0009)')
})

test('ends when whoever started it is gone, and on SIGTERM', async () => {
  const [piped, signalled] = [await hallOf('--units', 'tenths16:1'), await hallOf('--units', 'float32swap:1')]
  piped.child.stdin?.end()
  if (piped.child.exitCode === null) await once(piped.child, 'exit')
  expect(piped.child.exitCode).toBe(0)
  expect(await signalled.stop()).toBe(0)
})

test.each([
  { args: ['--sped', '3'], message: '--sped' },
  { args: ['--speed', 'fast'], message: '--speed' },
  { args: ['--units', 'abacus:3'], message: 'abacus:3' },
  { args: ['--units', 'tenths16:2000'], message: '--units' },
  { args: ['--story', 'tragedy'], message: '--story' },
  { args: ['--fleet', '500', '--ports', '1'], message: '247' },
])('bad arguments: $args', ({ args, message }) => {
  const parsed = readArguments(args)
  expect(parsed.kind).toBe('bad')
  expect(parsed.kind === 'bad' && parsed.message).toContain(message)
})

test('orders of units', () => {
  const parsed = readArguments(['--units', 'tenths16:1,float32swap/oil:2'])
  expect(parsed.kind === 'settings' && parsed.settings.units).toEqual([
    { layout: 'tenths16' },
    { layout: 'float32swap', duty: 'oil' },
    { layout: 'float32swap', duty: 'oil' },
  ])
})

test('an OPC UA unit is served, falls away with its line and comes back on the same endpoint', { timeout: 120_000 }, async () => {
  const hall = await hallOf('--units', 'opcua/hot:1')
  const endpoint = new URL(first(hall.ready.opcua).endpoint.replace('opc.tcp', 'http'))
  const reachable = (): Promise<boolean> =>
    RawModbus.open(Number(endpoint.port)).then(
      (raw) => {
        raw.close()
        return true
      },
      () => false,
    )
  expect(await reachable()).toBe(true)
  await hall.post('/fault', { unit: 'KH-0001', kind: 'link_down', how: 'closed' })
  await until(async () => !(await reachable()))
  await hall.post('/clear', {})
  await until(reachable)
})

test('every code that the hall answers with has its place in docs/errors.md, and no other stands there', () => {
  const page = readFileSync(new URL('../../docs/errors.md', import.meta.url), 'utf8')
  const section = /\n## simulator\n([\s\S]*?)(?=\n## |$)/.exec(page)?.[1] ?? ''
  const listed = [...section.matchAll(/^### `([a-z_]+)`$/gm)].map((match) => match[1])
  expect(listed).toHaveLength(CODES.length)
  expect(new Set(listed)).toEqual(new Set(CODES))
})
