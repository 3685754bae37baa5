import * as fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import type { Circuit, CircuitValues } from '../../simulator/circuit.ts'
import { resistanceAt, type Duty } from '../../simulator/draw.ts'
import { strength, type CircuitFault } from '../../simulator/faults.ts'
import { Hall, type UnitOrder } from '../../simulator/hall.ts'
import { random } from '../../simulator/noise.ts'

const units = (count: number, duty?: Duty): UnitOrder[] =>
  Array.from({ length: count }, () => (duty === undefined ? { layout: 'tenths16' } : { layout: 'tenths16', duty, zones: 1 }))

/** The only circuit of a hall of one. */
function only(hall: Hall): Circuit {
  const circuit = hall.units[0]?.zones[0]
  if (circuit === undefined) throw new Error('one unit with one circuit')
  return circuit
}
const one = (hall: Hall): CircuitValues => only(hall).values()

/** Mean over so many seconds: melt pulses and noise are not what is asked here. */
function mean(hall: Hall, seconds: number, read: (values: CircuitValues) => number): number {
  let sum = 0
  for (let s = 0; s < seconds; s++) {
    hall.advance(1000)
    sum += read(one(hall))
  }
  return sum / seconds
}

describe('a seed decides all', () => {
  const day = (seed: number): string => {
    const hall = new Hall({ seed, units: units(6) })
    hall.inject({ unit: 'KH-0002', start_s: 40, ramp_s: 30, fault: { kind: 'constriction', factor: 5 } })
    const rows: string[] = []
    for (let i = 0; i < 120; i++) {
      hall.advance(1000)
      rows.push(JSON.stringify(hall.units.map((unit) => unit.zones.map((zone) => zone.values()))))
    }
    return rows.join('\n')
  }
  test('the same seed gives the same values, another seed others', () => {
    expect(day(7)).toBe(day(7))
    expect(day(8)).not.toBe(day(7))
  })

  test('one more unit, a fault elsewhere, and how often somebody looks change nothing', () => {
    const [few, many] = [new Hall({ seed: 3, units: units(2) }), new Hall({ seed: 3, units: units(5) })]
    many.inject({ unit: 'KH-0005', fault: { kind: 'burst_hose' } })
    for (let i = 0; i < 50; i++) {
      few.advance(1000)
      many.advance(1000)
      for (const unit of many.units) unit.zones[0]?.values()
    }
    expect(many.units.slice(0, 2).map((u) => u.zones.map((z) => z.values()))).toEqual(few.units.map((u) => u.zones.map((z) => z.values())))
  })

  test('however the time is cut, the hall is the same', () => {
    fc.assert(
      fc.property(fc.array(fc.integer({ min: 1, max: 700 }), { minLength: 5, maxLength: 60 }), (pieces) => {
        const [whole, cut] = [new Hall({ seed: 5, units: units(1, 'hot') }), new Hall({ seed: 5, units: units(1, 'hot') })]
        for (const piece of pieces) cut.advance(piece)
        whole.advance(pieces.reduce((a, b) => a + b, 0))
        expect(one(cut)).toEqual(one(whole))
        expect(cut.tick).toBe(whole.tick)
      }),
    )
  })

  test('the generator is even and its normal numbers are normal', () => {
    const dice = random(1)
    const even = Array.from({ length: 20_000 }, () => dice.next())
    expect(Math.min(...even)).toBeGreaterThanOrEqual(0)
    expect(Math.max(...even)).toBeLessThan(1)
    expect(even.reduce((a, b) => a + b, 0) / even.length).toBeCloseTo(0.5, 1)
    const normal = Array.from({ length: 20_000 }, () => dice.gauss())
    expect(normal.reduce((a, b) => a + b, 0) / normal.length).toBeCloseTo(0, 1)
    expect(normal.reduce((a, b) => a + b * b, 0) / normal.length).toBeCloseTo(1, 1)
    expect(random(1).next()).not.toBe(random(1, 1).next())
  })
})

test('60 circuits start warm and stay in tolerance for half an hour, without an error and without a fault', () => {
  const hall = new Hall({ seed: 21, units: units(60) })
  for (let i = 0; i < 1800; i++) {
    hall.advance(1000)
    for (const unit of hall.units) {
      for (const zone of unit.zones) {
        const v = zone.values()
        expect(Math.abs(v.actual_degC - v.setValue_degC)).toBeLessThan(0.6 * v.tolerance_K)
        expect(v.errors).toEqual([])
      }
    }
  }
  expect(new Set(hall.units.map((unit) => unit.medium))).toEqual(new Set(['water', 'oil']))
})

test('heat balance: what goes into the mould is what it loses less what the melt brings', () => {
  for (const duty of ['cool', 'hot', 'oil'] as const) {
    const hall = new Hall({ seed: 4, units: units(1, duty) })
    const { thermal } = only(hall).design
    // Whole cycles, so that the melt's pulses even out.
    const process = mean(hall, Math.round(thermal.cycle_s * 100), (v) => v.process_kW)
    const v = one(hall)
    const lost = thermal.mouldLoss_kW_K * ((v.mainLine_degC + v.returnLine_degC) / 2 - thermal.ambient_degC)
    // Fixed errors of two temperature sensors of 0.1 K each: 3 deviations of their difference, times what a kelvin carries.
    const kelvin = (duty === 'oil' ? 1.8 : 4) * (v.flow_l_min / 60)
    expect(Math.abs(process - (lost - thermal.load_kW))).toBeLessThan(3 * 0.1 * Math.SQRT2 * kelvin + 0.2)
  }
})

test('the flow sits at its design point, and the pressures say so', () => {
  const hall = new Hall({ seed: 12, units: units(1, 'hot') })
  const { design } = only(hall)
  const flow = mean(hall, 60, (v) => v.flow_l_min)
  const dp = mean(hall, 60, (v) => v.mainLine_bar - v.returnLine_bar)
  expect(Math.abs(flow / design.designFlow_l_min - 1)).toBeLessThan(0.03)
  expect(Math.abs(dp / (resistanceAt(design, design.setValue_degC) * Math.pow(flow, design.n)) - 1)).toBeLessThan(0.05)
})

type Sign = 'up' | 'down' | 'same' | 'none'
interface Row {
  readonly fault: CircuitFault
  readonly duty: Duty
  /** Seconds from the fault to the look. */
  readonly after_s: number
  readonly main?: Sign
  readonly back?: Sign
  readonly spread?: Sign
  readonly flow?: Sign
  readonly outlet?: Sign
  readonly system?: Sign
  readonly dp?: Sign
  readonly ratio?: Sign
  readonly refills?: Sign
  readonly pump?: Sign
  readonly error?: string
}

/** Signals as functions of the values, with what counts as a change. */
const SIGNALS = {
  main: { read: (v: CircuitValues) => v.mainLine_degC, least: 0.7 },
  back: { read: (v: CircuitValues) => v.returnLine_degC, least: 0.7 },
  spread: { read: (v: CircuitValues) => Math.abs(v.mainLine_degC - v.returnLine_degC), least: 0.3 },
  flow: { read: (v: CircuitValues) => v.flow_l_min, least: 0.5 },
  outlet: { read: (v: CircuitValues) => v.mainLine_bar, least: 0.1 },
  system: { read: (v: CircuitValues) => v.returnLine_bar, least: 0.1 },
  dp: { read: (v: CircuitValues) => v.mainLine_bar - v.returnLine_bar, least: 0.06 },
  ratio: { read: (v: CircuitValues) => v.regulation_percent, least: 4 },
  refills: { read: (v: CircuitValues) => v.refills, least: 0.5 },
  pump: { read: (v: CircuitValues) => v.pump_kW, least: 0.01 },
} as const

// Signs of faults in a closed loop: common practice in tempering and in pumps, no single source.
const TABLE: readonly Row[] = [
  {
    fault: { kind: 'constriction', factor: 4 },
    duty: 'hot',
    after_s: 600,
    flow: 'down',
    dp: 'up',
    outlet: 'up',
    system: 'same',
    spread: 'up',
    refills: 'same',
  },
  { fault: { kind: 'closed_valve' }, duty: 'hot', after_s: 120, flow: 'none', dp: 'up', outlet: 'up', error: 'E-06' },
  {
    fault: { kind: 'pump_wear', loss: 0.2 },
    duty: 'hot',
    after_s: 300,
    flow: 'down',
    dp: 'down',
    outlet: 'down',
    system: 'same',
    pump: 'down',
  },
  { fault: { kind: 'pump_stopped' }, duty: 'hot', after_s: 120, flow: 'none', dp: 'none', outlet: 'down', pump: 'none', error: 'E-02' },
  { fault: { kind: 'leak', l_h: 3 }, duty: 'hot', after_s: 900, flow: 'same', main: 'same', refills: 'up' },
  { fault: { kind: 'burst_hose' }, duty: 'hot', after_s: 4, flow: 'up', dp: 'down', outlet: 'down', system: 'down' },
  { fault: { kind: 'burst_hose' }, duty: 'hot', after_s: 120, flow: 'none', outlet: 'none', system: 'none', error: 'E-03' },
  { fault: { kind: 'heater_phase_lost', phases: 1 }, duty: 'hot', after_s: 600, main: 'same', ratio: 'up', flow: 'same', error: 'E-01' },
  { fault: { kind: 'heater_phase_lost', phases: 3 }, duty: 'hot', after_s: 600, main: 'down', ratio: 'up', error: 'E-01' },
  { fault: { kind: 'cooling_valve_stuck_open' }, duty: 'hot', after_s: 300, main: 'down', ratio: 'up', flow: 'same' },
  { fault: { kind: 'cooling_valve_stuck_shut' }, duty: 'cool', after_s: 600, main: 'up', back: 'up', ratio: 'down', flow: 'same' },
  { fault: { kind: 'strainer_clogging', bar: 1.5 }, duty: 'hot', after_s: 300, flow: 'down', dp: 'down', outlet: 'down', system: 'same' },
  { fault: { kind: 'main_switch_off' }, duty: 'oil', after_s: 300, main: 'down', flow: 'none', dp: 'none', pump: 'none' },
  { fault: { kind: 'moving_set_value', by_K: 12 }, duty: 'cool', after_s: 900, main: 'up', back: 'up', flow: 'same' },
  {
    fault: { kind: 'sensor_drift', sensor: 'return_line', by: 4 },
    duty: 'hot',
    after_s: 300,
    back: 'up',
    main: 'same',
    flow: 'same',
    dp: 'same',
  },
  // The controller believes its sensor, so the reading stays and the true temperature goes the other way.
  { fault: { kind: 'sensor_drift', sensor: 'main_line', by: 4 }, duty: 'hot', after_s: 900, main: 'same', back: 'down', flow: 'same' },
  { fault: { kind: 'sensor_drift', sensor: 'flow', by: -4 }, duty: 'hot', after_s: 300, flow: 'down', dp: 'same', spread: 'same' },
  {
    fault: { kind: 'sensor_drift', sensor: 'main_pressure', by: -0.5 },
    duty: 'hot',
    after_s: 60,
    outlet: 'down',
    dp: 'down',
    flow: 'same',
  },
  { fault: { kind: 'sensor_drift', sensor: 'return_pressure', by: 0.5 }, duty: 'hot', after_s: 60, system: 'up', dp: 'down', flow: 'same' },
  { fault: { kind: 'own_error', error: 'heater' }, duty: 'hot', after_s: 60, main: 'same', flow: 'same', error: 'E-01' },
  { fault: { kind: 'own_error', error: 'pump' }, duty: 'hot', after_s: 60, flow: 'none', error: 'E-02' },
  { fault: { kind: 'sensor_break', sensor: 'return_line' }, duty: 'hot', after_s: 60, main: 'same', flow: 'same', error: 'E-05' },
]

/** A hall of one unit that is controlled at its main line: the table is written for that. */
function atMainLine(duty: Duty): Hall {
  for (let seed = 1; ; seed++) {
    const hall = new Hall({ seed, units: units(1, duty) })
    if (only(hall).design.controlPoint === 0) return hall
  }
}

describe('every fault shows itself as it should', () => {
  test.each(TABLE.map((row) => ({ ...row, name: `${JSON.stringify(row.fault)} after ${row.after_s} s` })))('$name', (row) => {
    const hall = atMainLine(row.duty)
    const look = (): Record<string, number> => {
      // A burst is over in seconds; anything else is judged on a mean.
      const seconds = row.after_s < 10 ? 1 : 60
      const sums: Record<string, number> = {}
      for (let s = 0; s < seconds; s++) {
        hall.advance(1000)
        for (const [name, { read }] of Object.entries(SIGNALS)) sums[name] = (sums[name] ?? 0) + read(one(hall)) / seconds
      }
      return sums
    }
    hall.advance(300_000)
    const before = look()
    const outcome = hall.inject({ unit: 'KH-0001', fault: row.fault })
    expect(outcome.ok).toBe(true)
    hall.advance(row.after_s * 1000 - (row.after_s < 10 ? 1000 : 60_000))
    const after = look()
    for (const name of Object.keys(SIGNALS) as (keyof typeof SIGNALS)[]) {
      const wanted = row[name]
      if (wanted === undefined) continue
      const [was, is] = [before[name] ?? Number.NaN, after[name] ?? Number.NaN]
      const change = is - was
      const { least } = SIGNALS[name]
      const shown = wanted === 'none' ? (is < least ? 'none' : 'some') : Math.abs(change) < least ? 'same' : change > 0 ? 'up' : 'down'
      expect(`${name} ${shown}`, `${was.toFixed(2)} -> ${is.toFixed(2)}`).toBe(`${name} ${wanted}`)
    }
    expect(one(hall).errors.map((error) => error.id)).toEqual(row.error === undefined ? [] : [row.error])
    expect(one(hall).alarmContact).toBe(row.error !== undefined)
    // And all of it goes when the fault goes.
    hall.clear({})
    hall.advance(3 * 3_600_000)
    expect(one(hall).errors).toEqual([])
    expect(Math.abs(one(hall).actual_degC - one(hall).setValue_degC)).toBeLessThan(one(hall).tolerance_K)
  })

  test('a periodic set value goes up and down again, and the circuit after it', () => {
    const hall = atMainLine('cool')
    const base = one(hall).setValue_degC
    hall.inject({ unit: 'KH-0001', fault: { kind: 'periodic_set_value', amplitude_K: 10, period_s: 1200 } })
    const seen = new Set<number>()
    for (let i = 0; i < 4; i++) {
      hall.advance(590_000)
      const upper = i % 2 === 0
      const off_K = one(hall).mainLine_degC - base
      expect(upper ? 10 - off_K : off_K, `half period ${i}`).toBeLessThan(3)
      seen.add(one(hall).setValue_degC)
      hall.advance(10_000)
    }
    expect(seen).toEqual(new Set([base, base + 10]))
  })

  test('a broken sensor shows nothing; at the control point it also stops the heating', () => {
    const hall = atMainLine('hot')
    hall.inject({ unit: 'KH-0001', fault: { kind: 'sensor_break', sensor: 'main_line' } })
    hall.advance(5000)
    expect(one(hall)).toMatchObject({ mainLine_degC: Number.NaN, actual_degC: Number.NaN, process_kW: Number.NaN, regulation_percent: 0 })
  })

  test('a frozen sensor repeats itself while its neighbour moves', () => {
    const hall = atMainLine('hot')
    hall.advance(10_000)
    const stuck = one(hall).flow_l_min
    hall.inject({ unit: 'KH-0001', fault: { kind: 'sensor_frozen', sensor: 'flow' } })
    hall.inject({ unit: 'KH-0001', fault: { kind: 'constriction', factor: 4 } })
    hall.advance(60_000)
    expect(one(hall).flow_l_min).toBe(stuck)
    expect(one(hall).mainLine_bar - one(hall).returnLine_bar).toBeGreaterThan(0)
    hall.clear({})
    hall.advance(1000)
    expect(hall.faults()).toEqual([])
  })
})

test('strength: nothing before the start and from the end on, rising along the ramp, never outside 0 to 1', () => {
  let [ramping, full] = [0, 0]
  const time = fc.integer({ min: 0, max: 100 })
  fc.assert(
    fc.property(time, time, fc.option(time), time, (start_s, ramp_s, end_s, now_s) => {
      const x = strength({ start_s, ramp_s, end_s }, now_s)
      const alive = now_s >= start_s && (end_s === null || now_s < end_s)
      const onRamp = alive && now_s - start_s < ramp_s
      expect(x).toBeCloseTo(!alive ? 0 : onRamp ? (now_s - start_s) / ramp_s : 1, 12)
      if (onRamp) ramping += 1
      else if (alive) full += 1
    }),
    { numRuns: 2000 },
  )
  expect(ramping).toBeGreaterThan(100)
  expect(full).toBeGreaterThan(100)
})

test('a fault begins, grows and ends by the virtual clock', () => {
  const hall = atMainLine('hot')
  hall.inject({ unit: 'KH-0001', start_s: 100, ramp_s: 100, end_s: 300, fault: { kind: 'constriction', factor: 16 } })
  const flowAt = (s: number): number => {
    hall.advance((s - hall.now_s) * 1000)
    return one(hall).flow_l_min
  }
  const [before, half, full, after] = [flowAt(90), flowAt(150), flowAt(250), flowAt(310)]
  expect(half).toBeLessThan(0.8 * before)
  expect(full).toBeLessThan(0.7 * half)
  expect(Math.abs(after - before)).toBeLessThan(1)
})

test('switching off cools down first, then takes the pressure away, then stands still; hours count until then', () => {
  const hall = atMainLine('hot')
  expect(hall.wish('KH-0001', undefined, 'off')).toEqual({ ok: true, value: 1 })
  const modes: number[] = []
  for (let i = 0; i < 7200; i++) {
    hall.advance(1000)
    const { operatingMode, regulation_percent } = one(hall)
    if (modes.at(-1) !== operatingMode) modes.push(operatingMode)
    const full = regulation_percent === -100
    expect(full || operatingMode !== 7).toBe(true)
  }
  expect(one(hall).mainLine_degC).toBeLessThan(one(hall).switchingOff_degC + 3)
  // OPC 40082-1: 7 cooling before switching off, 5 pressure relief, 1 ready to operate.
  expect(modes).toEqual([7, 5, 1])
  expect(one(hall)).toMatchObject({ pumpRunning: false, flow_l_min: 0, regulation_percent: 0 })
  const hours = one(hall).hoursOfOperation_h
  hall.advance(3_600_000)
  expect(one(hall).hoursOfOperation_h).toBe(hours)
})

test('standby holds the standby set value; leak stop draws the pressure down', () => {
  const hall = atMainLine('hot')
  hall.wish('KH-0001', undefined, 'standby')
  hall.advance(2 * 3_600_000)
  expect(one(hall).operatingMode).toBe(8)
  expect(Math.abs(one(hall).mainLine_degC - one(hall).standby_degC)).toBeLessThan(2)
  hall.wish('KH-0001', 'A', 'leak_stop')
  hall.advance(10_000)
  expect(one(hall).operatingMode).toBe(3)
  expect(one(hall).returnLine_bar).toBeLessThan(0.3)
})

test('the machine stops: the melt brings nothing and no shots count', () => {
  const hall = atMainLine('cool')
  const ratio = mean(hall, 300, (v) => v.regulation_percent)
  hall.machine('KH-0001', undefined, false)
  hall.advance(1_800_000)
  const { cycles } = one(hall)
  expect(mean(hall, 300, (v) => v.regulation_percent)).toBeGreaterThan(ratio + 3)
  expect(one(hall).cycles).toBe(cycles)
})

test('who is not there is refused, and faults are bounded', () => {
  const hall = new Hall({ seed: 1, units: units(1, 'hot') })
  const fault = { kind: 'closed_valve' } as const
  expect(hall.inject({ unit: 'KH-9', fault })).toEqual({ ok: false, refusal: { kind: 'unknown_unit', unit: 'KH-9' } })
  expect(hall.setValue('KH-0001', 'Q', 50)).toEqual({ ok: false, refusal: { kind: 'unknown_zone', unit: 'KH-0001', zone: 'Q' } })
  for (let i = 0; i < 1000; i++) hall.inject({ unit: 'KH-0001', start_s: 9, end_s: 10, fault })
  expect(hall.inject({ unit: 'KH-0001', fault })).toMatchObject({ ok: false, refusal: { kind: 'too_many_faults' } })
  hall.advance(11_000)
  expect(hall.inject({ unit: 'KH-0001', fault })).toMatchObject({ ok: true })
  expect(hall.faults()).toHaveLength(1)
})

test('200 units in steps of a second cost well under 5 ms a step', () => {
  const hall = new Hall({ seed: 2, units: units(200) })
  hall.advance(60_000)
  const start = performance.now()
  hall.advance(200_000)
  // The quickest machines need 0.3 ms; the bound leaves room for a busy one.
  expect((performance.now() - start) / 200).toBeLessThan(5)
})
