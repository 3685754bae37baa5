import { describe, expect, test } from 'vitest'
import { control } from '../../simulator/controller.ts'
import { curveThrough, hydraulicPower_kW, operatingFlow, resistanceScale, unitPressure_bar, type Loop } from '../../simulator/hydraulics.ts'
import { heatFlow_kW, MEDIA } from '../../simulator/medium.ts'
import { returnLine_degC, stepThermal, thermalState, type Drive, type ThermalDesign } from '../../simulator/thermal.ts'

/** Relative distance. */
const off = (actual: number, wanted: number): number => Math.abs(actual / wanted - 1)

describe('water', () => {
  // IAPWS R7-97 and R12-08, computed by two independent implementations at other pressures than the simulator's 30 bar abs;
  // pressure moves density and heat capacity by under 0.2 %.
  test.each([
    { degC: 40, rho: 992.4, mu: 0.65278 },
    { degC: 90, rho: 965.5, mu: 0.31429 },
    { degC: 140, rho: 926.48, mu: 0.19681 },
    { degC: 180, rho: 887.4, mu: 0.15053 },
  ])('density and viscosity at $degC degC', ({ degC, rho, mu }) => {
    expect(off(MEDIA.water.density(degC), rho)).toBeLessThan(0.002)
    expect(off(MEDIA.water.viscosity(degC), mu)).toBeLessThan(0.01)
  })

  test.each([
    { degC: 60, cp: 4.18209823178 },
    { degC: 95, cp: 4.21034147753 },
    { degC: 140, cp: 4.28533289087 },
    { degC: 180, cp: 4.40466285008 },
    { degC: 200, cp: 4.49257113262 },
  ])('heat capacity at $degC degC (IAPWS R7-97)', ({ degC, cp }) => expect(off(MEDIA.water.heatCapacity(degC), cp)).toBeLessThan(0.003))

  // IAPWS R7-97, region 4, verification values: 0.1 MPa boils at 372.755919 K, 1 MPa at 453.035632 K.
  test.each([
    { degC: 372.755919 - 273.15, bar_abs: 1 },
    { degC: 453.035632 - 273.15, bar_abs: 10 },
  ])('boils at $bar_abs bar abs', ({ degC, bar_abs }) => expect(off(MEDIA.water.boiling_bar(degC) + 1.01325, bar_abs)).toBeLessThan(0.005))

  test('outside the table it stays at the ends', () => {
    expect(MEDIA.water.density(-40)).toBe(MEDIA.water.density(5))
    expect(MEDIA.water.density(900)).toBe(MEDIA.water.density(300))
  })
})

// Computed with IAPWS R7-97: Q = rho V cp dT at the mean temperature, by two independent implementations.
const WORKED = [
  { flow: 12, main: 40, back: 42.5, kW: -2.07193130888 },
  { flow: 15, main: 90, back: 87, kW: 3.04635397417 },
  { flow: 10, main: 140, back: 138.2, kW: 1.19124187072 },
  { flow: 22.5, main: 180, back: 174, kW: 8.80028545943 },
  { flow: 30, main: 220, back: 212, kW: 15.4954059009 },
  { flow: 8, main: 200, back: 201.5, kW: -0.776894827825 },
]

test.each(WORKED)('heat flow $flow l/min, $main/$back degC', ({ flow, main, back, kW }) =>
  expect(off(heatFlow_kW(MEDIA.water, flow, main, back), kW)).toBeLessThan(0.003),
)

test('no flow carries no heat', () => expect(heatFlow_kW(MEDIA.water, 0, 140, 120)).toBe(0))

const masses = (flow: number, load_kW: number): ThermalDesign => ({
  medium: MEDIA.water,
  heater_kW: 30,
  cooler_kW_K: 0.5,
  coolingWater_degC: 15,
  ambient_degC: 24,
  unit_l: 7,
  unitSteel_kJ_K: 15,
  hose_l: 1,
  mould_kJ_K: 80,
  mould_kW_K: 1,
  designFlow_l_min: flow,
  unitLoss_kW_K: 0,
  mouldLoss_kW_K: 0,
  load_kW,
  cycle_s: 30,
  pulseShare: 1,
})

test.each(WORKED)('the masses settle at the worked heat flow: $flow l/min, $main degC', ({ flow, main, back, kW }) => {
  // A mould that draws (or gives) just the worked heat, and a controller that holds the worked main line.
  const design = masses(flow, -kW)
  const state = thermalState(design, main)
  const tuning = { gain_kW_K: 2, integral_s: 120 }
  const controller = { integral_kW: 0 }
  const drive: Drive = { flow_l_min: flow, heater_kW: 0, valve: 0, valveStuck: Number.NaN, pump_kW: 0, machineRunning: true }
  for (let s = 0; s < 7200; s++) {
    drive.heater_kW = control(tuning, controller, main - state.unit_degC, -40, 40, 1)
    stepThermal(design, state, drive, 1)
  }
  expect(state.unit_degC).toBeCloseTo(main, 3)
  expect(off(drive.heater_kW, kW)).toBeLessThan(1e-4)
  expect(off(main - returnLine_degC(state), main - back)).toBeLessThan(0.01)
})

test('steps of 10 s and of 1 s settle at the same place', () => {
  const design = masses(20, 2)
  const [one, ten] = [thermalState(design, 80), thermalState(design, 80)]
  const drive: Drive = { flow_l_min: 20, heater_kW: 5, valve: 0.2, valveStuck: Number.NaN, pump_kW: 0.3, machineRunning: true }
  for (let i = 0; i < 3000; i++) stepThermal(design, one, drive, 10)
  for (let i = 0; i < 30_000; i++) stepThermal(design, ten, drive, 1)
  expect(one.unit_degC).toBeCloseTo(ten.unit_degC, 1)
  expect(one.cycles).toBe(1000)
  expect(ten.cycles).toBe(1000)
})

// Worked example, computed by two independent programs: pump curve through (0; 48), (25; 43.5), (60; 24) l/min, m.
const curve = curveThrough([0, 48], [25, 43.5], [60, 24])
const loop = (changes: Partial<Loop>): Loop => ({
  curve,
  density_kg_m3: 965.5,
  speed: 1,
  head: 1,
  k: 0.0102565,
  n: 1.75,
  strainer: 0,
  ...changes,
})

test('pump curve through three points', () => {
  expect(curve.a).toBeCloseTo(48, 12)
  expect(curve.b).toBeCloseTo(-0.022857142857142854, 12)
  expect(curve.c).toBeCloseTo(-0.006285714285714286, 12)
  expect(() => curveThrough([0, 40], [20, 42], [20, 30])).toThrow(RangeError)
  expect(() => curveThrough([0, 40], [20, 42], [40, 45])).toThrow(RangeError)
})

test.each([
  { name: 'reference', changes: {}, flow: 30.000035696954164, dp: 3.94423047613842 },
  { name: 'twice the resistance', changes: { k: 0.020513 }, flow: 21.02910326842062, dp: 4.2360931259175105 },
  { name: 'quadratic circuit', changes: { k: 0.008765, n: 2 }, flow: 21.91982872976628, dp: 4.211397484368147 },
  { name: 'faster', changes: { speed: 1.2 }, flow: 36.81129953665902, dp: 5.642430207907336 },
])('operating point: $name', ({ changes, flow, dp }) => {
  const at = loop(changes)
  for (const guess of [0, 1, 20, 59, 1000]) expect(off(operatingFlow(at, guess), flow)).toBeLessThan(1e-8)
  expect(off(unitPressure_bar(at, operatingFlow(at, 20)), dp)).toBeLessThan(1e-8)
})

// Rounded values of the same worked example.
test.each([
  { name: 'k times 1.5', changes: { k: 0.0102565 * 1.5 }, flow: 24.45, dp: 4.136 },
  { name: 'k times 4', changes: { k: 0.0102565 * 4 }, flow: 14.44, dp: 4.389 },
  { name: 'head times 0.8', changes: { head: 0.8 }, flow: 26.84, dp: 3.246 },
  { name: 'head times 0.5', changes: { head: 0.5 }, flow: 21.03, dp: 2.118 },
  { name: 'slower', changes: { speed: 0.8 }, flow: 23.35, dp: 2.544 },
])('operating point, rounded: $name', ({ changes, flow, dp }) => {
  const at = loop(changes)
  const q = operatingFlow(at, 30)
  expect(q).toBeCloseTo(flow, 1)
  expect(unitPressure_bar(at, q)).toBeCloseTo(dp, 2)
})

test('closed: no flow, shut-off pressure; stopped: neither', () => {
  const shut = loop({ k: 0.0102565 * 1e7 })
  expect(operatingFlow(shut, 30)).toBeLessThan(0.01)
  expect(unitPressure_bar(shut, operatingFlow(shut, 30))).toBeCloseTo(4.545, 3)
  expect(operatingFlow(loop({ speed: 0 }), 30)).toBe(0)
})

test.each([
  { n: 1.75, rho: 926.5, mu: 0.1968, k: 0.8624621355053047 },
  { n: 1.75, rho: 992.4, mu: 0.6528, k: 1.2254900777026667 },
  { n: 2, rho: 926.5, mu: 0.1968, k: 0.9596064215432418 },
  { n: 1, rho: 926.5, mu: 0.1968, k: 0.6261533566656061 },
])('resistance at another temperature, n = $n (worked example)', ({ n, rho, mu, k }) =>
  expect(off(resistanceScale(n, rho, 965.5, mu, 0.3143), k)).toBeLessThan(1e-9),
)

test('hydraulic power (worked example)', () => expect(off(hydraulicPower_kW(3.9442, 30), 0.19721)).toBeLessThan(1e-9))

test('the controller does not wind up at its limit: it lets go as soon as the error turns', () => {
  const tuning = { gain_kW_K: 1, integral_s: 60 }
  for (const sign of [1, -1]) {
    const state = { integral_kW: 0 }
    for (let s = 0; s < 3600; s++) expect(control(tuning, state, 50 * sign, -10, 10, 1)).toBe(10 * sign)
    expect(Math.abs(state.integral_kW)).toBeLessThan(1)
    expect(control(tuning, state, -1 * sign, -10, 10, 1) * sign).toBeLessThan(0)
  }
})
