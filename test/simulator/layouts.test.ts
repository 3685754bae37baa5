import * as fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { FLOAT32SWAP, REGISTERS, TENTHS16, type RegisterLayout } from '../../simulator/layouts.ts'
import type { ZoneValues } from '../../simulator/zone.ts'

const VALUES: ZoneValues = {
  setValue_degC: 140,
  mainLine_degC: 139.8,
  returnLine_degC: 138.2,
  external_degC: Number.NaN,
  actual_degC: 139.8,
  flow_l_min: 22.5,
  mainLine_bar: 9.44,
  returnLine_bar: 5.5,
  regulation_percent: -12.5,
  process_kW: -1.2,
  pumpSpeed_percent: 100,
  pumpSpeed_rpm: 2850,
  operatingMode: 2,
  controlPoint: 0,
  hoursOfOperation_h: 17_603.9,
  refills: 94,
  errors: [],
  pumpRunning: true,
  alarmContact: false,
  limitation_degC: 165,
  switchingOff_degC: 70,
  standby_degC: 98,
  pump_kW: 0.43,
  tolerance_K: 3,
}
const error = (id: string, severity: number): ZoneValues['errors'][number] => ({ id, severity, text: 'x' })

function encode(layout: RegisterLayout, changes: Partial<ZoneValues> = {}, cycles = 0): string[] {
  const into = new Uint16Array(REGISTERS).fill(0xaaaa)
  layout.encode({ ...VALUES, ...changes }, cycles, into)
  return [...into].map((word) => word.toString(16).padStart(4, '0'))
}

describe('tenths16', () => {
  test('all 40 registers, word for word', () => {
    // 1400, 1398, 1382, not available, 1398, 225; 944, 550; -125, -12; 1000, 2850; 2, 0; 176039 = 0x2AFA7; 94; no error; pump on, contact not alarmed
    expect(encode(TENTHS16, {}, 64).join(' ')).toBe(
      '0578 0576 0566 7fff 0576 00e1 03b0 0226 ff83 fff4 03e8 0b22 0002 0000 0002 afa7 005e 0000 0003 0672 02bc 03d4 ' +
        '0000 0000 0000 0000 0000 0000 0000 0000 002b 0040 0000 0000 0000 0000 0000 0000 0000 0000',
    )
  })

  test.each([
    { name: 'the alarm contact is closed while all is well', changes: { alarmContact: true }, at: 18, word: '0001' },
    { name: 'pump off', changes: { pumpRunning: false }, at: 18, word: '0002' },
    { name: 'a bit per error', changes: { errors: [error('E-01', 700), error('E-06', 500)] }, at: 17, word: '0021' },
    { name: 'a broken main line', changes: { mainLine_degC: Number.NaN }, at: 1, word: '7fff' },
    { name: 'no number is ever the sentinel', changes: { mainLine_degC: 3276.7 }, at: 1, word: '7ffe' },
    { name: 'below zero', changes: { returnLine_bar: -0.35 }, at: 7, word: 'ffdd' },
    { name: 'a counter rolls over', changes: { refills: 65_537 }, at: 16, word: '0001' },
  ])('$name', ({ changes, at, word }) => expect(encode(TENTHS16, changes)[at]).toBe(word))
})

describe('float32swap', () => {
  test('all 40 registers, word for word', () => {
    // IEEE 754 singles, low word first: 140 = 430C0000, 139.8 = 430BCCCD, 138.2 = 430A3333, -9999 = C61C3C00, 22.5 = 41B40000,
    // 9.44 = 41170A3D, 5.5 = 40B00000, -12.5 = C1480000, -1.2 = BF99999A, 100 = 42C80000, 2850 = 45322000,
    // 165 = 43250000, 70 = 428C0000, 98 = 42C40000, 0.43 = 3EDC28F6
    expect(encode(FLOAT32SWAP).join(' ')).toBe(
      '0000 430c cccd 430b 3333 430a 3c00 c61c cccd 430b 0000 41b4 0a3d 4117 0000 40b0 0000 c148 999a bf99 0000 42c8 2000 4532 ' +
        '0000 4325 0000 428c 0000 42c4 28f6 3edc 0002 0000 afa7 0002 005e 0000 0000 0001',
    )
  })

  test.each([
    { name: 'alarm contact: 1 is alarm here', changes: { alarmContact: true }, at: 39, word: '0003' },
    { name: 'no error', changes: {}, at: 38, word: '0000' },
    { name: 'the worst error has the code', changes: { errors: [error('E-01', 700), error('E-04', 900)] }, at: 38, word: '000e' },
    { name: 'flow', changes: { errors: [error('E-06', 500)] }, at: 38, word: '0010' },
    { name: 'a broken main line is NaN', changes: { mainLine_degC: Number.NaN }, at: 3, word: '7fc0' },
    { name: 'many refills, low word first', changes: { refills: 0x2_0005 }, at: 37, word: '0002' },
  ])('$name', ({ changes, at, word }) => expect(encode(FLOAT32SWAP, changes)[at]).toBe(word))

  test('a broken external sensor is -9999, as one that is not there', () => {
    const into = new DataView(new ArrayBuffer(4))
    const words = encode(FLOAT32SWAP)
    into.setUint16(0, Number.parseInt(words[7] ?? '', 16))
    into.setUint16(2, Number.parseInt(words[6] ?? '', 16))
    expect(into.getFloat32(0)).toBe(-9999)
  })
})

test('every tenth comes back as it went, in both layouts', () => {
  let below = 0
  fc.assert(
    fc.property(fc.integer({ min: -3000, max: 3276 }), (tenths) => {
      const value = tenths / 10
      if (value < 0) below += 1
      const [sixteen] = encode(TENTHS16, { setValue_degC: value })
      expect((Number.parseInt(sixteen ?? '', 16) << 16) >> 16).toBe(tenths)
      const [low, high] = encode(FLOAT32SWAP, { setValue_degC: value })
      const view = new DataView(new ArrayBuffer(4))
      view.setUint32(0, Number.parseInt(`${high}${low}`, 16))
      expect(Math.round(view.getFloat32(0) * 10)).toBe(tenths)
    }),
  )
  expect(below).toBeGreaterThan(10)
})
