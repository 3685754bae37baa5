import ModbusRTU from 'modbus-serial'
import { afterAll, beforeAll, expect, test } from 'vitest'
import { unitBank } from '../../simulator/bank.ts'
import type { CircuitValues } from '../../simulator/circuit.ts'
import { Hall } from '../../simulator/hall.ts'
import { ModbusServer } from '../../simulator/modbus-server.ts'

/** The published library modbus-serial as a peer that shares no code with the server. */
const hall = new Hall({
  seed: 31,
  units: [
    { layout: 'tenths16', duty: 'oil', zones: 1 },
    { layout: 'float32swap', duty: 'hot', zones: 1 },
  ],
})
const server = new ModbusServer(new Map(hall.units.map((unit, i) => [i + 1, unitBank(hall, unit)] as const)))
const client = new ModbusRTU.default()
beforeAll(async () => {
  const port = await server.listen('127.0.0.1', 0)
  await client.connectTCP('127.0.0.1', { port })
  hall.advance(30_000)
})
afterAll(async () => {
  client.destroy(() => undefined)
  await server.close()
})
const values = (index: number): CircuitValues | undefined => hall.units[index]?.zones[0]?.values()

test('input registers of the first layout', async () => {
  client.setID(1)
  const { data } = await client.readInputRegisters(0, 40)
  expect(data.slice(0, 3).map((word) => word / 10)).toEqual([
    values(0)?.setValue_degC,
    values(0)?.mainLine_degC,
    values(0)?.returnLine_degC,
  ])
  expect((data[6] ?? 0) / 100).toBe(values(0)?.mainLine_bar)
})

test('discrete inputs and coils: pump on, contact closed', async () => {
  client.setID(1)
  expect((await client.readDiscreteInputs(0, 2)).data.slice(0, 2)).toEqual([true, true])
  expect((await client.readCoils(0, 2)).data.slice(0, 2)).toEqual([true, true])
})

test('word-swapped floats of the second layout', async () => {
  client.setID(2)
  const { buffer } = await client.readHoldingRegisters(1000, 40)
  const plain = (register: number): number => {
    const view = new DataView(new ArrayBuffer(4))
    view.setUint16(0, buffer.readUInt16BE(register * 2 + 2))
    view.setUint16(2, buffer.readUInt16BE(register * 2))
    return view.getFloat32(0)
  }
  expect(plain(2)).toBe(Math.fround(values(1)?.mainLine_degC ?? 0))
  expect(plain(10)).toBe(Math.fround(values(1)?.flow_l_min ?? 0))
})

test.each([
  { name: 'a hole', ask: () => client.readHoldingRegisters(1040, 2), code: 2 },
  { name: 'a write', ask: () => client.writeRegister(0, 1), code: 1 },
])('$name is exception $code', async ({ ask, code }) => {
  client.setID(2)
  await expect(ask()).rejects.toMatchObject({ modbusCode: code })
})
