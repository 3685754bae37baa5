import { afterAll, beforeAll, expect, test } from 'vitest'
import { startHall, type HallProcess } from './hall-process.ts'
import { RawModbus, signed } from './raw-modbus.ts'

let hall: HallProcess
beforeAll(async () => {
  hall = await startHall('--fleet', '200', '--ports', '8')
})
afterAll(async () => {
  await hall.stop()
})
interface Port {
  port: number
  units: { unit: number; address: number }[]
}
const ports = (): Port[] => hall.ready.modbus as unknown as Port[]
interface Change {
  unit: number
  value: number
  asked_ms: number
  sent_ms: number
}
const changes = async (): Promise<Change[]> => (await hall.get('/changes')) as Change[]

test('200 units behind 8 ports, each with its 40 registers', async () => {
  const list = ports()
  expect(list).toHaveLength(8)
  expect(list.flatMap((p) => p.units.map((u) => u.unit))).toEqual(Array.from({ length: 200 }, (_, i) => i + 1))
  for (const { port, units } of list) {
    const raw = await RawModbus.open(port)
    for (const { address } of units) {
      const words = await raw.read(address, 4, 0, 40)
      expect([signed(words[0]), signed(words[1]), signed(words[4])]).toEqual([800, 800, 800])
    }
    raw.close()
  }
})

test('a step shows in the next answer that covers it, whose leaving is timed', async () => {
  const [, , , line = { port: 0, units: [] }] = ports()
  const [{ unit, address } = { unit: 0, address: 0 }] = line.units.slice(5)
  const raw = await RawModbus.open(line.port)
  const before = performance.timeOrigin + performance.now()
  await hall.post('/step', { unit, value: 92.5 })
  await raw.read(address, 4, 5, 10)
  expect(await changes()).toEqual([])
  const words = await raw.read(address, 4, 0, 40)
  const after = performance.timeOrigin + performance.now()
  expect([signed(words[1]), signed(words[4])]).toEqual([925, 925])
  await raw.read(address, 4, 0, 40)
  const [change, ...rest] = await changes()
  expect(rest).toEqual([])
  expect(change).toMatchObject({ unit, value: 92.5 })
  expect(change?.sent_ms).toBeGreaterThan(before - 5)
  expect(change?.sent_ms).toBeLessThan(after + 5)
  expect(change?.sent_ms).toBeGreaterThan(change?.asked_ms ?? Number.NaN)
  raw.close()
})

test('a step overtaken by the next is counted, and what is not there is refused', async () => {
  await hall.post('/step', { unit: 1, value: 70 })
  await hall.post('/step', { unit: 1, value: 71 })
  expect(await hall.get('/state')).toMatchObject({ units: 200, waiting: 1, overtaken: 1 })
  expect(await hall.post('/step', { unit: 201, value: 70 })).toMatchObject({ status: 400, body: { error: 'unknown_unit' } })
  expect(await hall.post('/step', { unit: 1, value: 'hot' })).toMatchObject({ status: 400, body: { error: 'bad_command' } })
})
