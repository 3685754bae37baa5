import { afterEach, describe, expect, test } from 'vitest'
import { openModbus, openModbusWith } from '../../collector/adapters/modbus.ts'
import { systemClock } from '../../collector/clock.ts'
import type { ModbusSource } from '../../collector/modbus/wire.ts'
import type { Clock, Source } from '../../collector/source.ts'
import type { CircuitPlan, UnitPlan } from '../../config/plan.ts'
import { circuit, map, noSecrets, recorder, row, tcp, unit, type Kept, type Recorder } from './plans.ts'
import { registers, rtuAnswer, rtuException, scripted, tcpAnswer, tcpException, type Asked, type Scripted } from './wire.ts'

const ends: (() => Promise<void>)[] = []
/** Everything that any device in this file was ever sent. */
const everything: { readonly framing: 'tcp' | 'rtu'; readonly bytes: () => Buffer }[] = []
afterEach(async () => {
  for (const end of ends.splice(0).toReversed()) await end()
})

async function serve(framing: 'tcp' | 'rtu', answer: Scripted['answer'], port = 0): Promise<Scripted> {
  const made = await scripted(framing, answer, port)
  ends.push(made.end)
  everything.push({ framing, bytes: made.received })
  return made
}
function open(settings: ModbusSource, units: readonly UnitPlan[], seen: Recorder): Source {
  const source = openModbusWith(() => 0)(settings, units, seen.sink, systemClock(), noSecrets)
  ends.push(source.close)
  return source
}

const plain = (id: string): CircuitPlan =>
  circuit(id, 'a', map([row('temperature.main_line', 0), row('temperature.set_value', 1), row('flow_rate', 2, { unit: 'l_min' })]))
const numbers = (asked: Asked): Buffer => registers(...Array.from({ length: asked.count }, (_, at) => asked.address + at + 100))
const fine: Scripted['answer'] = (asked, say) => say(tcpAnswer(asked, numbers(asked)))
const rtu = { kind: 'modbus_rtu_over_tcp' } as const
const isGood = (each: Kept): boolean => each.allGood
const isLost = (each: Kept): boolean => !each.anyGood

describe('answers as they come over a bad network', () => {
  test.each([
    { framing: 'tcp', more: {} },
    { framing: 'rtu', more: rtu },
  ] as const)('$framing: byte by byte', async ({ framing, more }) => {
    const device = await serve(framing, (asked, say) => {
      const bytes = framing === 'tcp' ? tcpAnswer(asked, numbers(asked)) : rtuAnswer(asked, numbers(asked))
      for (let at = 0; at < bytes.length; at++) setTimeout(() => say(bytes.subarray(at, at + 1)), at * 2)
    })
    const seen = recorder()
    open(tcp(device.port, ['north-01'], more), [unit('north-01', [plain('north-01')])], seen)
    expect((await seen.next('a good reading', isGood)).values).toEqual([100, 101, 102])
    expect(seen.faults).toEqual([])
  })

  test('two answers in one piece, the first with a transaction number of nobody', async () => {
    const device = await serve('tcp', (asked, say) =>
      say(Buffer.concat([tcpAnswer(asked, registers(1, 2, 3), { id: (asked.id + 1000) & 0xffff }), tcpAnswer(asked, numbers(asked))])),
    )
    const seen = recorder()
    open(tcp(device.port, ['north-01']), [unit('north-01', [plain('north-01')])], seen)
    await seen.until('five readings', () => seen.readings.length >= 5)
    expect(new Set(seen.readings.map((each) => each.values.join()))).toEqual(new Set(['100,101,102']))
    expect(seen.faults).toEqual([])
  })

  test('only answers with a foreign transaction number: as if none had come', async () => {
    const device = await serve('tcp', (asked, say) => say(tcpAnswer(asked, numbers(asked), { id: asked.id ^ 0x8000 })))
    const seen = recorder()
    open(tcp(device.port, ['north-01']), [unit('north-01', [plain('north-01')])], seen)
    await seen.until('a fault', () => seen.faults.length > 0)
    expect(seen.kinds()).toEqual(['timeout'])
    expect(seen.readings.some((each) => each.anyGood)).toBe(false)
  })

  test('garbage instead of Modbus TCP: the connection is given up and opened again', async () => {
    let garbage = true
    const device = await serve('tcp', (asked, say) => {
      if (garbage) say(Buffer.from('HTTP/1.1 400 Bad Request\r\n\r\n'))
      else say(tcpAnswer(asked, numbers(asked)))
    })
    const seen = recorder()
    const source = open(tcp(device.port, ['north-01']), [unit('north-01', [plain('north-01')])], seen)
    await seen.until('a fault', () => seen.faults.length > 0)
    expect(seen.kinds()).toEqual(['link_lost'])
    garbage = false
    await seen.next('a good reading', isGood)
    expect(source.figures().reconnects).toBeGreaterThan(0)
  })

  test('noise around RTU answers is passed over', async () => {
    const device = await serve('rtu', (asked, say) => {
      say(Buffer.concat([Buffer.from([0xff, asked.unit, 4, 6, 0, 1]), rtuAnswer(asked, numbers(asked)), Buffer.from([0, 0])]))
    })
    const seen = recorder()
    open(tcp(device.port, ['north-01'], rtu), [unit('north-01', [plain('north-01')])], seen)
    await seen.until('five readings', () => seen.readings.length >= 5)
    expect(new Set(seen.readings.map((each) => each.values.join()))).toEqual(new Set(['100,101,102']))
  })

  test('nothing but noise on RTU is a fault of its own, and passes', async () => {
    let noise = true
    const device = await serve('rtu', (asked, say) => say(noise ? Buffer.from([0x55, 0xaa, 0x55]) : rtuAnswer(asked, numbers(asked))))
    const seen = recorder()
    open(tcp(device.port, ['north-01'], rtu), [unit('north-01', [plain('north-01')])], seen)
    const reading = await seen.next('a reading', isLost)
    expect(reading.quality).toEqual(['decode_error', 'decode_error', 'decode_error'])
    expect(seen.kinds()).toEqual(['malformed'])
    noise = false
    await seen.next('a good reading', isGood)
  })

  test.each([
    { name: 'fewer registers than asked for', answer: (asked: Asked) => tcpAnswer(asked, registers(1)) },
    { name: 'another unit', answer: (asked: Asked) => tcpAnswer(asked, numbers(asked), { unit: 9 }) },
    { name: 'another function', answer: (asked: Asked) => tcpAnswer(asked, numbers(asked), { code: 3 }) },
    { name: 'an exception for another unit', answer: (asked: Asked) => tcpException({ ...asked, unit: 9 }, 2) },
    { name: 'a count that is not the length', answer: (asked: Asked) => Buffer.concat([tcpAnswer(asked, numbers(asked)).fill(4, 8, 9)]) },
  ])('$name: no value, no crash, a malformed answer', async ({ answer }) => {
    let bad = true
    const device = await serve('tcp', (asked, say) => say(bad ? answer(asked) : tcpAnswer(asked, numbers(asked))))
    const seen = recorder()
    open(tcp(device.port, ['north-01']), [unit('north-01', [plain('north-01')])], seen)
    const reading = await seen.next('a reading', isLost)
    expect(reading.quality).toEqual(['decode_error', 'decode_error', 'decode_error'])
    expect(seen.kinds()).toEqual(['malformed'])
    bad = false
    await seen.next('a good reading', isGood)
  })
})

describe('late answers', () => {
  /** Every request gets its own number as value, so that a reading shows whose answer it is. */
  const serial = (count: number, number: number): Buffer => registers(...Array.from({ length: count }, () => number))

  test.each([
    { framing: 'tcp', more: {}, count: 3, waits: [80, 150, 170, 190] },
    { framing: 'rtu', more: rtu, count: 3, waits: [80, 150, 170, 190] },
    // One register alone leaves no other question to ask: only the quiet time of one more time-out divides the answers.
    { framing: 'rtu', more: rtu, count: 1, waits: [80, 95, 70] },
  ] as const)(
    '$framing, $count registers: an answer after the time-out is never taken for the next one',
    async ({ framing, more, count, waits }) => {
      let late_ms = 0
      let number = 0
      const newest = new Map<number, number>()
      const device = await serve(framing, (asked, say) => {
        number++
        newest.set(asked.address, number)
        const bytes = framing === 'tcp' ? tcpAnswer(asked, serial(asked.count, number)) : rtuAnswer(asked, serial(asked.count, number))
        setTimeout(() => say(bytes), late_ms)
      })
      const rows = [row('temperature.main_line', 0), row('temperature.set_value', 1), row('flow_rate', 2, { unit: 'l_min' })].slice(
        0,
        count,
      )
      const seen = recorder()
      const stale: string[] = []
      const check: Recorder = {
        ...seen,
        sink: (batch) => {
          for (const item of batch) {
            if (item.kind !== 'reading' || item.quality[0] !== 0) continue
            if (item.values[0] !== number) stale.push(`request ${number} was given the answer of ${item.values[0]}`)
          }
          return seen.sink(batch)
        },
      }
      open(
        tcp(device.port, ['north-01'], { timeout_ms: 60, ...more }),
        [unit('north-01', [circuit('north-01', 'a', map(rows))], { poll_ms: 40 })],
        check,
      )
      await seen.next('a good reading', isGood)
      for (const wait of waits) {
        late_ms = wait
        const before = seen.readings.length
        await seen.until('late for a while', () => seen.readings.length >= before + 8)
        late_ms = 0
        await seen.next('in step again', isGood)
      }
      expect(stale).toEqual([])
      expect(seen.kinds()).toContain('timeout')
    },
  )
})

describe('exceptions', () => {
  test('a register that the unit does not have: found by cutting, alone bad, named with its line, not asked for again', async () => {
    const missing = 5
    const device = await serve('tcp', (asked, say) =>
      say(asked.address <= missing && missing < asked.address + asked.count ? tcpException(asked, 2) : tcpAnswer(asked, numbers(asked))),
    )
    const signals = [
      'temperature.main_line',
      'temperature.return_line',
      'temperature.set_value',
      'flow_rate',
      'pump_speed',
      'tank_level',
      'cycle.count',
      'process_power',
    ] as const
    const units = { flow_rate: 'l_min', pump_speed: '%', tank_level: '%', process_power: 'kW' } as Record<string, string>
    const rows = signals.map((signal, at) => row(signal, at, { unit: units[signal] ?? 'degC' }))
    const plan = circuit('north-01', 'a', map(rows))
    const seen = recorder()
    open(tcp(device.port, ['north-01']), [unit('north-01', [plan])], seen)
    const reading = await seen.next('a reading', (each) => each.anyGood)
    expect(reading.quality).toEqual(['good', 'good', 'good', 'good', 'good', 'no_such_register', 'good', 'good'])
    expect(reading.values.filter((_, at) => at !== missing)).toEqual([100, 101, 102, 103, 104, 106, 107])
    expect(seen.faults.map((each) => each.fault)).toEqual([
      { kind: 'no_such_register', unit: 'north-01', register: 5, signal: 'tank_level', line: 'profile.yaml:6' },
    ])
    const asked = device.asked.length
    await seen.until('three polls more', () => device.asked.length >= asked + 6)
    // Two requests a poll from now on: one on each side of the missing register.
    expect(device.asked.slice(asked, asked + 6).map((each) => `${each.address}+${each.count}`)).toEqual([
      '0+5',
      '6+2',
      '0+5',
      '6+2',
      '0+5',
      '6+2',
    ])
    expect(seen.faults).toHaveLength(1)
  })

  test('a gap that may not be read is found and left out; every signal is good', async () => {
    const device = await serve('tcp', (asked, say) =>
      say(asked.address <= 3 && 3 < asked.address + asked.count ? tcpException(asked, 2) : tcpAnswer(asked, numbers(asked))),
    )
    const plan = circuit(
      'north-01',
      'a',
      map([row('temperature.main_line', 0), row('temperature.set_value', 2), row('flow_rate', 5, { unit: 'l_min' })]),
    )
    const seen = recorder()
    open(tcp(device.port, ['north-01']), [unit('north-01', [plan])], seen)
    expect((await seen.next('a good reading', isGood)).values).toEqual([100, 102, 105])
    expect(seen.faults).toEqual([])
  })

  test.each([
    { code: 1, quality: 'no_such_register' },
    { code: 4, quality: 'device_failure' },
    { code: 6, quality: 'not_available' },
  ])('exception $code: $quality for that block, the others go on', async ({ code, quality }) => {
    const device = await serve('tcp', (asked, say) =>
      say(asked.address === 200 ? tcpException(asked, code) : tcpAnswer(asked, numbers(asked))),
    )
    const plan = circuit('north-01', 'a', map([row('temperature.main_line', 0), row('temperature.set_value', 200)]))
    const seen = recorder()
    open(tcp(device.port, ['north-01']), [unit('north-01', [plan])], seen)
    await seen.until('four readings', () => seen.readings.length >= 4)
    for (const reading of seen.readings) expect(reading.quality).toEqual(['good', quality])
    expect(seen.faults.map((each) => each.fault)).toEqual([
      { kind: 'exception', unit: 'north-01', code, register: 200, line: 'profile.yaml:201' },
    ])
  })

  test('exception 11: the gateway speaks for a unit that it cannot reach', async () => {
    const device = await serve('tcp', (asked, say) => say(asked.unit === 2 ? tcpException(asked, 11) : tcpAnswer(asked, numbers(asked))))
    const seen = recorder()
    open(tcp(device.port, ['north-01', 'north-02']), [unit('north-01', [plain('north-01')]), unit('north-02', [plain('north-02')])], seen)
    const reading = await seen.next('a reading', (each) => each.circuit === 'north-02/a')
    expect(reading.quality).toEqual(['no_communication', 'no_communication', 'no_communication'])
    await seen.next('the other one', (each) => each.circuit === 'north-01/a' && each.allGood)
    expect(seen.faults.map((each) => each.fault)).toEqual([
      { kind: 'exception', unit: 'north-02', code: 11, register: 0, line: 'profile.yaml:1' },
    ])
  })
})

describe('connections', () => {
  test('a unit that hangs up after every answer is read all the same', async () => {
    const device = await serve('tcp', (asked, _, socket) => socket.end(tcpAnswer(asked, numbers(asked))))
    const seen = recorder()
    open(tcp(device.port, ['north-01']), [unit('north-01', [plain('north-01')])], seen)
    await seen.until('ten readings', () => seen.readings.length >= 10)
    expect(seen.readings.slice(1).every(isGood)).toBe(true)
    expect(seen.faults).toEqual([])
  })

  test('a unit switched off and on again: refused, then back, booting for its time', async () => {
    const first = await serve('tcp', fine)
    const seen = recorder()
    const plan = unit('north-01', [plain('north-01')], { staleAfter_ms: 300, booting_ms: 60_000 })
    open(tcp(first.port, ['north-01']), [plan], seen)
    const before = await seen.next('a good reading', isGood)
    expect(before.quality).toEqual(['good', 'good', 'good'])
    await first.end()
    await seen.until('refused', () => seen.kinds().includes('refused'))
    const readings = seen.readings.length
    await seen.until('off for long enough', () => seen.readings.length >= readings + 5)
    const again = await serve('tcp', fine, first.port)
    const after = await seen.next('a reading again', (each) => each.anyGood)
    expect(after.quality).toEqual(['uncertain', 'uncertain', 'uncertain'])
    expect(after.values).toEqual([100, 101, 102])
    expect(again.asked.length).toBeGreaterThan(0)
  })

  test('the waits between attempts grow', async () => {
    const gone = await serve('tcp', fine)
    await gone.end()
    const seen = recorder()
    const source = open(tcp(gone.port, ['north-01']), [unit('north-01', [plain('north-01')])], seen)
    await seen.until('two seconds of polls', () => seen.readings.length >= 20)
    // At 250, 750 and 1750 ms (half of 0.5, 1 and 2 s: the lowest that chance can make it).
    expect(source.figures().reconnects).toBeLessThanOrEqual(4)
    expect(source.figures().reconnects).toBeGreaterThanOrEqual(2)
    expect(seen.kinds()).toEqual(['refused'])
  })
})

describe('one silent unit delays nobody', () => {
  const units = ['north-01', 'north-02', 'north-03', 'north-04', 'north-05']
  const plans = units.map((id) => unit(id, [plain(id)], { poll_ms: 200 }))

  test.each([
    { name: 'Modbus TCP, from the first moment', framing: 'tcp', more: { timeout_ms: 1000 }, known: false },
    { name: 'RTU, once it is known', framing: 'rtu', more: { ...rtu, timeout_ms: 1000 }, known: true },
  ] as const)('$name', async ({ framing, more, known }) => {
    let silent = false
    let tried = 0
    const answer = framing === 'tcp' ? tcpAnswer : rtuAnswer
    const device = await serve(framing, (asked, say) => {
      if (asked.unit === 3 && silent) tried++
      else say(answer(asked, numbers(asked)))
    })
    const seen = recorder()
    const source = open(tcp(device.port, units, more), plans, seen)
    await seen.until('everybody', () => units.every((id) => seen.readings.some((each) => each.circuit === `${id}/a` && each.allGood)))
    source.figures()
    silent = true
    if (known) {
      await seen.until('silence is noticed', () => seen.kinds().includes('timeout'))
      await seen.next('the queue is worked off', (each) => each.circuit === 'north-01/a')
      await seen.next('the queue is worked off', (each) => each.circuit === 'north-01/a')
      source.figures()
    }
    const from = seen.readings.length
    const tries = tried
    await seen.until('three seconds', () => seen.readings.length >= from + 75 && tried > tries)
    expect(source.figures().start_lag_max_ms).toBeLessThanOrEqual(100)
    const others = seen.readings.slice(from).filter((each) => each.circuit !== 'north-03/a')
    expect(others.every(isGood)).toBe(true)
    expect(seen.kinds()).toEqual(['timeout'])
    silent = false
    await seen.next('it is back', (each) => each.circuit === 'north-03/a' && each.allGood)
  })

  test('a block that the unit passes over in silence is left out; the rest of the unit goes on', async () => {
    const device = await serve('tcp', (asked, say) => {
      if (asked.address !== 0) say(tcpAnswer(asked, numbers(asked)))
    })
    const plan = circuit('north-01', 'a', map([row('temperature.main_line', 0), row('temperature.set_value', 200)]))
    const seen = recorder()
    open(tcp(device.port, ['north-01'], { timeout_ms: 60 }), [unit('north-01', [plan])], seen)
    const reading = await seen.next('the other block', (each) => each.anyGood)
    expect(reading.quality).toEqual(['no_communication', 'good'])
    await seen.until('it is left out', () => device.asked.slice(-6).every((each) => each.address === 200))
  })
})

test('polls stay on their grid, though every timer comes 7 ms late', async () => {
  const system = systemClock()
  const sluggish: Clock = { now_ms: system.now_ms, after: (delay_ms, call) => system.after(delay_ms + 7, call) }
  const times: number[] = []
  const device = await serve('tcp', (asked, say) => {
    times.push(performance.now())
    say(tcpAnswer(asked, numbers(asked)))
  })
  const seen = recorder()
  const source = openModbus(
    tcp(device.port, ['north-01']),
    [unit('north-01', [plain('north-01')], { poll_ms: 30 })],
    seen.sink,
    sluggish,
    noSecrets,
  )
  ends.push(source.close)
  await seen.until('a hundred polls', () => times.length >= 101)
  const { polls_late: late } = source.figures()
  expect(Math.abs((times[100] ?? 0) - (times[0] ?? 0) - 3000 - late * 30)).toBeLessThan(60)
})

test('no byte sequence but reads ever left: function codes 1 to 4, over all of the above', () => {
  let requests = 0
  for (const { framing, bytes } of everything) {
    const all = bytes()
    const length = framing === 'tcp' ? 12 : 8
    expect(all.length % length).toBe(0)
    for (let at = 0; at < all.length; at += length) {
      requests++
      const head = framing === 'tcp' ? 6 : 0
      expect(all[at + head + 1]).toBeGreaterThanOrEqual(1)
      expect(all[at + head + 1]).toBeLessThanOrEqual(4)
      expect(framing === 'tcp' ? all.readUInt32BE(at + 2) : 6).toBe(6)
    }
  }
  expect(requests).toBeGreaterThan(300)
})

test('an RTU exception reaches the block that it is for', async () => {
  const device = await serve('rtu', (asked, say) => say(asked.address === 200 ? rtuException(asked, 4) : rtuAnswer(asked, numbers(asked))))
  const plan = circuit('north-01', 'a', map([row('temperature.main_line', 0), row('temperature.set_value', 200)]))
  const seen = recorder()
  open(tcp(device.port, ['north-01'], rtu), [unit('north-01', [plan])], seen)
  expect((await seen.next('a reading', (each) => each.anyGood)).quality).toEqual(['good', 'device_failure'])
})
