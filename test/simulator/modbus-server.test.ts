import * as fc from 'fast-check'
import { afterEach, describe, expect, test } from 'vitest'
import { unitBank } from '../../simulator/bank.ts'
import type { Link } from '../../simulator/faults.ts'
import { Hall } from '../../simulator/hall.ts'
import { ModbusServer, type Bank } from '../../simulator/modbus-server.ts'
import { RawModbus, signed } from './raw-modbus.ts'

const open: { close: () => unknown }[] = []
afterEach(async () => {
  for (const each of open.splice(0).toReversed()) await each.close()
})

const UP: Link = { state: 'up', delay_ms: 0 }
/** Ten holding and input registers with their address times 3, ten bits with every third set. */
function bank(link: () => Link = () => UP): Bank {
  return {
    link,
    words: (_table, address, count, into, at) => {
      if (address + count > 200) return false
      for (let i = 0; i < count; i++) into.writeUInt16BE((address + i) * 3, at + 2 * i)
      return true
    },
    bit: (_table, address) => (address >= 10 ? null : address % 3 === 0 ? 1 : 0),
  }
}
async function serve(banks: ReadonlyMap<number, Bank>): Promise<{ server: ModbusServer; port: number }> {
  const server = new ModbusServer(banks)
  open.push(server)
  return { server, port: await server.listen('127.0.0.1', 0) }
}
async function client(port: number): Promise<RawModbus> {
  const raw = await RawModbus.open(port)
  open.push(raw)
  return raw
}

const words = (count: number): string => Array.from({ length: count }, (_, i) => (i * 3).toString(16).padStart(4, '0')).join('')

// Frames as the Modbus Application Protocol and the Messaging on TCP/IP guide lay them out (from memory).
test.each([
  { name: 'holding registers', ask: '0001 0000 0006 01 03 0002 0003', answer: '0001 0000 0009 01 03 06 0006 0009 000c' },
  { name: 'input registers', ask: 'beef 0000 0006 01 04 0000 0001', answer: 'beef 0000 0005 01 04 02 0000' },
  { name: 'coils, low bit first', ask: '0002 0000 0006 01 01 0000 000a', answer: '0002 0000 0005 01 01 02 49 02' },
  { name: 'discrete inputs', ask: '0003 0000 0006 01 02 0003 0001', answer: '0003 0000 0004 01 02 01 01' },
  { name: 'the most registers', ask: '0004 0000 0006 01 03 0000 007d', answer: `0004 0000 00fd 01 03 fa ${words(125)}` },
  { name: 'one too many: illegal value', ask: '0004 0000 0006 01 03 0000 007e', answer: '0004 0000 0003 01 83 03' },
  { name: 'none: illegal value', ask: '0004 0000 0006 01 04 0000 0000', answer: '0004 0000 0003 01 84 03' },
  { name: 'too many bits: illegal value', ask: '0004 0000 0006 01 01 0000 07d1', answer: '0004 0000 0003 01 81 03' },
  { name: 'a request cut short: illegal value', ask: '0004 0000 0004 01 03 0000', answer: '0004 0000 0003 01 83 03' },
  { name: 'beyond the end: illegal address', ask: '0005 0000 0006 01 03 00c7 0002', answer: '0005 0000 0003 01 83 02' },
  { name: 'bits beyond the end', ask: '0005 0000 0006 01 02 0009 0002', answer: '0005 0000 0003 01 82 02' },
  { name: 'a unit that is not behind this port', ask: '0006 0000 0006 09 03 0000 0001', answer: '0006 0000 0003 09 83 0b' },
  { name: 'write single coil', ask: '0007 0000 0006 01 05 0000 ff00', answer: '0007 0000 0003 01 85 01' },
  { name: 'write single register', ask: '0008 0000 0006 01 06 0000 1234', answer: '0008 0000 0003 01 86 01' },
  { name: 'write multiple coils', ask: '0009 0000 0008 01 0f 0000 0001 01 01', answer: '0009 0000 0003 01 8f 01' },
  { name: 'write multiple registers', ask: '000a 0000 0009 01 10 0000 0001 02 1234', answer: '000a 0000 0003 01 90 01' },
  { name: 'read and write registers', ask: '000b 0000 000d 01 17 0000 0001 0000 0001 02 1234', answer: '000b 0000 0003 01 97 01' },
  { name: 'device identification', ask: '000c 0000 0005 01 2b 0e 01 00', answer: '000c 0000 0003 01 ab 01' },
])('$name', async ({ ask, answer }) => {
  const { server, port } = await serve(new Map([[1, bank()]]))
  const got = await (await client(port)).ask(ask)
  expect(got).toBe(answer.replaceAll(' ', ''))
  const code = Number.parseInt(ask.replaceAll(' ', '').slice(14, 16), 16)
  const reads = code >= 1 && code <= 4
  expect(server.traffic().requests).toEqual(new Map([[code, 1]]))
  expect(server.traffic().refused.map(({ unit, functionCode }) => ({ unit, functionCode }))).toEqual(
    reads ? [] : [{ unit: 1, functionCode: code }],
  )
})

test('every function code but 1 to 4 is refused with exception 1 and kept, writes change nothing', async () => {
  const { server, port } = await serve(new Map([[1, bank()]]))
  const raw = await client(port)
  for (let code = 0; code <= 127; code++) {
    const hex = code.toString(16).padStart(2, '0')
    const got = await raw.ask(`0001 0000 0006 01 ${hex} 0000 0001`)
    const reads = code >= 1 && code <= 4
    expect(reads ? got.slice(14, 16) : got.slice(14)).toBe(reads ? hex : `${(code | 0x80).toString(16)}01`)
  }
  const { refused, refusedCount } = server.traffic()
  expect(refusedCount).toBe(124)
  expect(new Set(refused.map((each) => each.functionCode)).size).toBe(124)
})

test('requests cut anywhere and glued together are answered whole and in order', async () => {
  const { port } = await serve(new Map([[1, bank()]]))
  await fc.assert(
    fc.asyncProperty(
      fc.array(fc.integer({ min: 0, max: 190 }), { minLength: 1, maxLength: 8 }),
      fc.array(fc.nat(90)),
      async (asked, cuts) => {
        const raw = await RawModbus.open(port)
        const bytes = Buffer.concat(
          asked.map((address, i) => {
            const frame = Buffer.from('000000000006010300000001', 'hex')
            frame.writeUInt16BE(i, 0)
            frame.writeUInt16BE(address, 8)
            return frame
          }),
        )
        const at = [0, ...cuts.filter((cut) => cut < bytes.length).sort((a, b) => a - b), bytes.length]
        for (let i = 1; i < at.length; i++) {
          raw.send(bytes.subarray(at[i - 1], at[i]).toString('hex'))
          // Let each piece leave as its own segment.
          await new Promise((resolve) => setImmediate(resolve))
        }
        for (const [i, address] of asked.entries()) {
          const answer = Buffer.from(await raw.answer(), 'hex')
          expect([answer.readUInt16BE(0), answer.readUInt16BE(9)]).toEqual([i, address * 3])
        }
        raw.close()
      },
    ),
    { numRuns: 60 },
  )
})

test.each([
  { name: 'another protocol', ask: '0001 0001 0006 01 03 0000 0001' },
  { name: 'a length that no request has', ask: '0001 0000 0200 01 03 0000 0001' },
  { name: 'a length without a function code', ask: '0001 0000 0001 01' },
])('$name ends the connection, and the next one is served', async ({ ask }) => {
  const { port } = await serve(new Map([[1, bank()]]))
  expect(await (await client(port)).ask(ask)).toBe('closed')
  expect(await (await client(port)).ask('0001 0000 0006 01 03 0001 0001')).toBe('0001000000050103020003')
})

describe('the line', () => {
  const down = (state: Link['state']): Link => ({ state, delay_ms: 0 })

  test('one silent unit answers nothing, its neighbour behind the same port goes on', async () => {
    let link = down('silent')
    const { server, port } = await serve(
      new Map([
        [1, bank(() => link)],
        [2, bank()],
      ]),
    )
    const raw = await client(port)
    raw.send('0001 0000 0006 01 03 0000 0001')
    // The answer of the neighbour overtakes the one that never comes.
    expect(await raw.ask('0002 0000 0006 02 03 0001 0001')).toBe('0002000000050203020003')
    expect(server.traffic().requests.get(3)).toBe(2)
    link = UP
    expect(await raw.ask('0003 0000 0006 01 03 0001 0001')).toBe('0003000000050103020003')
  })

  test.each([
    { state: 'gateway', code: '0b' },
    { state: 'device_failure', code: '04' },
  ] as const)('$state is exception $code', async ({ state, code }) => {
    const { port } = await serve(new Map([[1, bank(() => down(state))]]))
    expect(await (await client(port)).ask('0001 0000 0006 01 03 0000 0001')).toBe(`0001000000030183${code}`)
  })

  test('closed: connections end, new ones are refused, and later the same port is back', async () => {
    let link = UP
    const { port } = await serve(new Map([[1, bank(() => link)]]))
    const raw = await client(port)
    link = down('closed')
    expect(await raw.answer()).toBe('closed')
    await expect(RawModbus.open(port)).rejects.toMatchObject({ code: 'ECONNREFUSED' })
    link = UP
    const again = await until(() => RawModbus.open(port).catch(() => null))
    open.push(again)
    expect(await again.ask('0001 0000 0006 01 03 0001 0001')).toBe('0001000000050103020003')
  })

  test('slow: the answer comes late, and answers keep their order', async () => {
    const { port } = await serve(
      new Map([
        [1, bank(() => ({ state: 'up', delay_ms: 80 }))],
        [2, bank()],
      ]),
    )
    const raw = await client(port)
    const start = performance.now()
    raw.send('0001 0000 0006 01 03 0001 0001 0002 0000 0006 02 03 0001 0001')
    expect((await raw.answer()).slice(0, 4)).toBe('0001')
    expect(performance.now() - start).toBeGreaterThan(75)
    expect((await raw.answer()).slice(0, 4)).toBe('0002')
  })

  test('a flood of requests to a slow unit is all answered', async () => {
    const { port } = await serve(new Map([[1, bank(() => ({ state: 'up', delay_ms: 1 }))]]))
    const raw = await client(port)
    const frame = '0001 0000 0006 01 03 0001 0001'
    raw.send(Array.from({ length: 300 }, () => frame).join(''))
    for (let i = 0; i < 300; i++) expect(await raw.answer()).toBe('0001000000050103020003')
  })
})

async function until<T>(ask: () => Promise<T | null>): Promise<T> {
  for (;;) {
    const got = await ask()
    if (got !== null) return got
    await new Promise((resolve) => setImmediate(resolve))
  }
}

describe('units of a hall', () => {
  const hall = new Hall({
    seed: 9,
    units: [
      { layout: 'tenths16', duty: 'hot', zones: 2 },
      { layout: 'float32swap', duty: 'cool', zones: 2 },
    ],
  })
  const banks = new Map(hall.units.map((unit, i) => [i + 1, unitBank(hall, unit)] as const))

  test('both circuits of the first layout, at 0 and at 100, as they are in the hall', async () => {
    const { port } = await serve(banks)
    const raw = await client(port)
    hall.advance(5000)
    for (const [zone, base] of [
      [0, 0],
      [1, 100],
    ] as const) {
      const words = await raw.read(1, 4, base, 40)
      const values = hall.units[0]?.zones[zone]?.values()
      expect(signed(words[1]) / 10).toBe(values?.mainLine_degC)
      expect(signed(words[9]) / 10).toBe(values?.process_kW)
      expect(((words[14] ?? 0) * 65_536 + (words[15] ?? 0)) / 10).toBe(values?.hoursOfOperation_h)
    }
    // The same registers a second later are of a second later.
    const before = await raw.read(1, 4, 0, 40)
    hall.advance(60_000)
    expect(await raw.read(1, 4, 0, 40)).not.toEqual(before)
  })

  test('both circuits of the second layout, at 1000 and at 1200', async () => {
    const { port } = await serve(banks)
    const raw = await client(port)
    for (const [zone, base] of [
      [0, 1000],
      [1, 1200],
    ] as const) {
      const [low, high] = await raw.read(2, 3, base + 10, 2)
      const view = new DataView(new ArrayBuffer(4))
      view.setUint32(0, (high ?? 0) * 65_536 + (low ?? 0))
      expect(view.getFloat32(0)).toBeCloseTo(hall.units[1]?.zones[zone]?.values().flow_l_min ?? 0, 4)
    }
  })

  test.each([
    { name: 'the end of a circuit', unit: 1, code: '04', address: 39, count: 1, ok: true },
    { name: 'over the end of a circuit', unit: 1, code: '04', address: 39, count: 2, ok: false },
    { name: 'between the circuits', unit: 1, code: '04', address: 60, count: 1, ok: false },
    { name: 'behind the last circuit', unit: 1, code: '04', address: 200, count: 1, ok: false },
    { name: 'the wrong table', unit: 1, code: '03', address: 0, count: 1, ok: false },
    { name: 'the second layout from 40 on', unit: 2, code: '03', address: 1040, count: 1, ok: false },
    { name: 'the second layout at 59', unit: 2, code: '03', address: 1059, count: 1, ok: false },
    { name: 'before the second layout', unit: 2, code: '03', address: 999, count: 1, ok: false },
    { name: 'status bits of the first layout', unit: 1, code: '02', address: 100, count: 2, ok: true },
    { name: 'a third bit', unit: 1, code: '02', address: 2, count: 1, ok: false },
    { name: 'bits of the second layout', unit: 2, code: '02', address: 0, count: 1, ok: false },
  ])('$name', async ({ unit, code, address, count, ok }) => {
    const { port } = await serve(banks)
    const word = (n: number): string => n.toString(16).padStart(4, '0')
    const got = await (await client(port)).ask(`0001 0000 0006 0${unit} ${code} ${word(address)} ${word(count)}`)
    expect(got.slice(14, ok ? 16 : 18)).toBe(ok ? code : `8${code[1]}02`)
  })
})
