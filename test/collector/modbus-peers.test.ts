import { spawnSync } from 'node:child_process'
import { afterEach, describe, expect, test } from 'vitest'
import { systemClock } from '../../collector/clock.ts'
import { openModbus } from '../../collector/adapters/modbus.ts'
import type { Source } from '../../collector/source.ts'
import { pythonWith, tool } from '../tool.ts'
import { device, type Device, type Put } from './device.ts'
import { circuit, noSecrets, recorder, shipped, tcp, unit, type Kept } from './plans.ts'

const python = pythonWith('pymodbus')
const mbpoll = tool('mbpoll')

const ends: (() => Promise<void>)[] = []
afterEach(async () => {
  for (const end of ends.splice(0).toReversed()) await end()
})
const opened = (source: Source): Source => {
  ends.push(source.close)
  return source
}
const started = (path: string): Device => {
  const made = device(path)
  ends.push(made.end)
  return made
}

type Row = readonly [address: number, type: string, value: number | null]

/** What the layout's table says, in raw numbers, written down by hand from the head of the profile. */
const TENTHS: readonly Row[] = [
  [0, 'int16', 900],
  [1, 'int16', 897],
  [2, 'int16', -15],
  [3, 'int16', 0x7fff],
  [4, 'int16', 897],
  [5, 'int16', 123],
  [6, 'int16', 412],
  [7, 'int16', -30],
  [8, 'int16', -455],
  [9, 'int16', -33],
  [10, 'int16', 1000],
  [11, 'uint16', 2870],
  [12, 'uint16', 3],
  [13, 'uint16', 0],
  [14, 'uint32', 4_000_000_001],
  [16, 'uint16', 65_535],
  [17, 'uint16', 0b100010],
  [18, 'uint16', 0b01],
  [19, 'int16', 1600],
  [20, 'int16', 700],
  [21, 'int16', 400],
  [22, 'uint16', 0],
  [23, 'uint16', 0],
  [24, 'uint16', 0],
  [25, 'uint16', 0],
  [26, 'uint16', 0],
  [27, 'uint16', 0],
  [28, 'uint16', 0],
  [29, 'uint16', 0],
  [30, 'int16', 155],
  [31, 'uint16', 12],
]
const FLOATS: readonly Row[] = [
  [1000, 'float32', 140],
  [1002, 'float32', 139.87],
  [1004, 'float32', 131.123],
  [1006, 'float32', -9999],
  [1008, 'float32', null],
  [1010, 'float32', 25.1],
  [1012, 'float32', 4.1234],
  [1014, 'float32', 0.05],
  [1016, 'float32', -12.34],
  [1018, 'float32', 7.005],
  [1020, 'float32', 99.95],
  [1022, 'float32', 2869.6],
  [1024, 'float32', 160],
  [1026, 'float32', 70],
  [1028, 'float32', 40],
  [1030, 'float32', 1.5],
  [1032, 'uint16', 2],
  [1033, 'uint16', 1],
  [1034, 'uint32', 123_456],
  [1036, 'uint32', 70_000],
  [1038, 'uint16', 14],
  [1039, 'uint16', 0b11],
]

const put = (address: number, table: Put['table'], rows: readonly Row[], low: boolean): Put[] =>
  rows.map(([at, type, value]) => ({ unit: address, table, address: at, type, value, ...(low ? { words: 'low_first' } : {}) }))

const shown = (reading: Kept, signals: readonly string[]): Record<string, number | string> =>
  Object.fromEntries(
    signals.map((signal, at) => [
      signal,
      reading.quality[at] === 'good' ? (reading.values[at] ?? Number.NaN) : (reading.quality[at] ?? ''),
    ]),
  )

describe.skipIf(python === null)('values of an independent device (pymodbus)', () => {
  test('whole numbers of tenths in input registers', async () => {
    const peer = started(python ?? '')
    await peer.put(...put(1, 'input_register', TENTHS, false))
    const port = await peer.serve({ kind: 'tcp' })
    const plan = circuit('north-01', 'a', shipped('tenths16', 'a'))
    const seen = recorder()
    opened(openModbus(tcp(port, ['north-01']), [unit('north-01', [plan])], seen.sink, systemClock(), noSecrets))
    const reading = await seen.next('a reading', (each) => each.anyGood)
    expect(shown(reading, plan.signals)).toEqual({
      'temperature.set_value': 90,
      'temperature.main_line': 89.7,
      'temperature.return_line': -1.5,
      'temperature.external': 'not_available',
      'temperature.actual': 89.7,
      flow_rate: 12.3,
      'pressure.main_line': 4.12,
      'pressure.return_line': -0.3,
      regulation_ratio: -45.5,
      process_power: -3.3,
      pump_speed: 100,
      pump_speed_rpm: 2870,
      operating_mode: 3,
      control_point: 0,
      hours_of_operation: 400_000_000.1,
      'refill.count': 65_535,
      'pump.running': 1,
      alarm_contact: 1,
      'temperature.limitation': 160,
      'temperature.switching_off': 70,
      'temperature.standby': 40,
      pump_power: 1.55,
      'cycle.count': 12,
    })
    expect(reading.phase).toBe('leak_stop')
    expect(reading.errors.map((error) => error.id)).toEqual(['E-02', 'E-06'])
    expect(seen.faults).toEqual([])
  })

  test('floats with the low word first in holding registers, sentinels, NaN and a hole', async () => {
    const peer = started(python ?? '')
    await peer.put(...put(1, 'holding_register', FLOATS, true))
    const port = await peer.serve({ kind: 'tcp' })
    const plan = circuit('north-02', 'a', shipped('float32swap', 'a'))
    const seen = recorder()
    opened(openModbus(tcp(port, ['north-02']), [unit('north-02', [plan])], seen.sink, systemClock(), noSecrets))
    const reading = await seen.next('a reading', (each) => each.anyGood)
    expect(shown(reading, plan.signals)).toEqual({
      'temperature.set_value': 140,
      'temperature.main_line': 139.87,
      'temperature.return_line': 131.12,
      'temperature.external': 'not_available',
      'temperature.actual': 'not_available',
      flow_rate: 25.1,
      'pressure.main_line': 4.123,
      'pressure.return_line': 0.05,
      regulation_ratio: -12.3,
      process_power: 7.01,
      pump_speed: 99.9, // 99.95 as a float32 is 99.949997
      pump_speed_rpm: 2870,
      'temperature.limitation': 160,
      'temperature.switching_off': 70,
      'temperature.standby': 40,
      pump_power: 1.5,
      operating_mode: 2,
      control_point: 1,
      hours_of_operation: 12_345.6,
      'refill.count': 70_000,
      'pump.running': 1,
      alarm_contact: 1,
    })
    expect(reading.phase).toBeNull()
    expect(reading.errors).toEqual([{ id: '14', severity: 900, text: 'over the temperature limit' }])
  })

  test.skipIf(mbpoll === null)('mbpoll reads the same numbers from the same device', async () => {
    const peer = started(python ?? '')
    await peer.put(...put(1, 'input_register', TENTHS, false), ...put(2, 'holding_register', FLOATS, true))
    const port = await peer.serve({ kind: 'tcp' })
    const plans = [circuit('north-01', 'a', shipped('tenths16', 'a')), circuit('north-02', 'a', shipped('float32swap', 'a'))]
    const seen = recorder()
    opened(
      openModbus(
        tcp(port, ['north-01', 'north-02']),
        [unit('north-01', plans.slice(0, 1)), unit('north-02', plans.slice(1))],
        seen.sink,
        systemClock(),
        noSecrets,
      ),
    )
    await seen.until('both units', () => plans.every((plan) => seen.readings.some((each) => each.circuit === plan.key && each.anyGood)))
    const ours = plans.map((plan) => seen.readings.find((each) => each.circuit === plan.key && each.anyGood))
    const asked = (slave: number, type: string, from: number, count: number): number[] => {
      const args = [
        '-m',
        'tcp',
        '-p',
        String(port),
        '-a',
        String(slave),
        '-t',
        type,
        '-0',
        '-r',
        String(from),
        '-c',
        String(count),
        '-1',
        '-q',
        '127.0.0.1',
      ]
      const out = spawnSync(mbpoll ?? '', args, { encoding: 'utf8' }).stdout
      return [...out.matchAll(/^\[\d+\]:\s+([-+.\deE]+)(?: \((-\d+)\))?/gm)].map((found) => Number(found[2] ?? found[1]))
    }
    // int16 registers come unsigned, with the signed number behind; floats come with the low word first unless -B is given.
    const tenths = asked(1, '3', 0, 3)
    expect(tenths).toEqual(ours[0]?.values.slice(0, 3).map((value) => Math.round(value * 10)))
    const floats = asked(2, '4:float', 1000, 3)
    expect(floats.map((value) => Math.round(value * 100) / 100)).toEqual(ours[1]?.values.slice(0, 3))
    expect(floats).toHaveLength(3)
  })
})
