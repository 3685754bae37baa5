import type { CircuitDesign } from './circuit.ts'
import { curveThrough, resistanceScale, unitPressure_bar } from './hydraulics.ts'
import { MEDIA, type MediumName } from './medium.ts'
import type { Random } from './noise.ts'
import type { SensorDesign } from './sensors.ts'

/** What a unit is bought for; decides in which ranges its numbers are drawn. */
export type Duty = 'cool' | 'hot' | 'oil'

export interface UnitDesign {
  readonly model: string
  readonly duty: Duty
  readonly medium: MediumName
  readonly maxTemperature_degC: number
  readonly heating_kW: number
  readonly nominalFlow_l_min: number
  readonly circuits: readonly CircuitDesign[]
}

interface Ranges {
  readonly models: readonly [string, ...string[]]
  readonly medium: MediumName
  readonly highest_degC: number
  readonly setValue_degC: readonly [number, number]
  readonly heaters_kW: readonly [number, ...number[]]
  readonly cooler_kW_K: readonly [number, number]
  readonly load_kW: readonly [number, number]
  readonly mouldLoss_kW_K: readonly [number, number]
  readonly switchingOff_degC: number
  readonly tolerance_K: number
}

/** Plausible ranges by common practice, no source; the model names are inventions. */
const RANGES: Readonly<Record<Duty, Ranges>> = {
  cool: {
    models: ['Tarn 90', 'Tarn 95 Twin'],
    medium: 'water',
    highest_degC: 95,
    setValue_degC: [35, 80],
    heaters_kW: [6, 9, 12],
    cooler_kW_K: [0.4, 0.8],
    load_kW: [2, 5],
    mouldLoss_kW_K: [0.01, 0.02],
    switchingOff_degC: 60,
    tolerance_K: 3,
  },
  hot: {
    models: ['Tarn 160', 'Tarn 180'],
    medium: 'water',
    highest_degC: 180,
    setValue_degC: [110, 160],
    heaters_kW: [9, 12, 16],
    cooler_kW_K: [0.15, 0.3],
    load_kW: [0.5, 1.5],
    mouldLoss_kW_K: [0.02, 0.035],
    switchingOff_degC: 70,
    tolerance_K: 3,
  },
  oil: {
    models: ['Ember 250', 'Ember 300'],
    medium: 'oil',
    highest_degC: 250,
    setValue_degC: [150, 210],
    heaters_kW: [12, 16, 24],
    cooler_kW_K: [0.08, 0.15],
    load_kW: [0.5, 1.5],
    mouldLoss_kW_K: [0.02, 0.03],
    switchingOff_degC: 80,
    tolerance_K: 5,
  },
}

const ZONE_IDS = ['A', 'B', 'C', 'D'] as const

export function drawUnit(random: Random, duty: Duty, zones: number): UnitDesign {
  const ranges = RANGES[duty]
  const heating_kW = random.pick(ranges.heaters_kW)
  const wide_l_min = random.between(40, 80)
  const circuits = ZONE_IDS.slice(0, zones).map((id) => drawCircuit(random, id, ranges, heating_kW, wide_l_min))
  return {
    model: random.pick(ranges.models),
    duty,
    medium: ranges.medium,
    maxTemperature_degC: ranges.highest_degC,
    heating_kW,
    nominalFlow_l_min: Math.round(wide_l_min),
    circuits,
  }
}

function drawCircuit(random: Random, id: string, ranges: Ranges, heater_kW: number, wide_l_min: number): CircuitDesign {
  const medium = MEDIA[ranges.medium]
  const setValue_degC = Math.round(random.between(...ranges.setValue_degC))
  const head_m = random.between(36, 60)
  const curve = curveThrough([0, head_m], [0.4 * wide_l_min, 0.9 * head_m], [wide_l_min, 0.5 * head_m])
  const designFlow_l_min = random.between(0.35, 0.6) * wide_l_min
  const n = random.between(1.75, 1.95)
  const density = medium.density(setValue_degC)
  const full = { curve, density_kg_m3: density, speed: 1, head: 1, k: 0, n, strainer: 0 }
  const controlPoint = random.next() < 0.7 ? 0 : random.next() < 0.5 ? 1 : 2
  const water = ranges.medium === 'water'
  const unit_l = random.between(5, 10)
  const mould_kJ_K = random.between(50, 150)
  // The farther away the controlled sensor sits, the more has to follow before it moves.
  const unit_kJ_K = unit_l * density * medium.heatCapacity(setValue_degC) * 0.001 + 15
  const tuning = [
    { gain_kW_K: unit_kJ_K / 20, integral_s: 90 },
    { gain_kW_K: unit_kJ_K / 40, integral_s: 240 },
    { gain_kW_K: (unit_kJ_K + mould_kJ_K) / 150, integral_s: 600 },
  ][controlPoint] ?? { gain_kW_K: 1, integral_s: 120 }
  const temperature = (present: boolean): SensorDesign => ({ noise: 0.03, offset: 0.1 * random.gauss(), perUnit: 10, present })
  const pressure = (perUnit: number): SensorDesign => ({ noise: 0.01, offset: 0.01 * random.gauss(), perUnit, present: true })
  const perBar = random.pick([100, 100, 10])
  return {
    id,
    thermal: {
      medium,
      heater_kW,
      cooler_kW_K: random.between(...ranges.cooler_kW_K),
      coolingWater_degC: random.between(12, 18),
      ambient_degC: 24,
      unit_l,
      unitSteel_kJ_K: 15,
      hose_l: random.between(0.6, 2),
      mould_kJ_K,
      mould_kW_K: random.between(0.6, 1.6) * (water ? 1 : 0.4),
      designFlow_l_min,
      unitLoss_kW_K: random.between(0.003, 0.006),
      mouldLoss_kW_K: random.between(...ranges.mouldLoss_kW_K),
      load_kW: random.between(...ranges.load_kW),
      cycle_s: random.between(15, 45),
      pulseShare: random.between(0.3, 0.5),
    },
    curve,
    designFlow_l_min,
    k: unitPressure_bar(full, designFlow_l_min) / Math.pow(designFlow_l_min, n),
    n,
    pumpSpeed_percent: 100,
    fullSpeed_rpm: random.whole(2780, 2920),
    pumpIdle_kW: random.between(0.15, 0.35),
    pressure: {
      compliance_l_bar: water ? random.between(0.2, 0.4) : 20,
      refills: water,
      refill_l_s: 0.1,
      reserve_l: 2.5,
    },
    tuning,
    sensors: {
      main_line: temperature(true),
      return_line: temperature(true),
      external: temperature(controlPoint === 2 || random.next() < 0.5),
      flow: { noise: 0.08, offset: 0.1 * random.gauss(), perUnit: 10, present: true },
      main_pressure: pressure(perBar),
      return_pressure: pressure(perBar),
    },
    controlPoint,
    setValue_degC,
    standby_degC: Math.round(setValue_degC * 0.7),
    limitation_degC: Math.min(ranges.highest_degC, 5 * Math.ceil((setValue_degC + 20) / 5)),
    switchingOff_degC: ranges.switchingOff_degC,
    tolerance_K: ranges.tolerance_K,
    hours_h: random.between(500, 30_000),
    refills: random.whole(0, 300),
  }
}

/** k of a circuit at a temperature other than its set value; for tests and for people who compare. */
export function resistanceAt(design: CircuitDesign, degC: number): number {
  const { medium } = design.thermal
  const scale = resistanceScale(
    design.n,
    medium.density(degC),
    medium.density(design.setValue_degC),
    medium.viscosity(degC),
    medium.viscosity(design.setValue_degC),
  )
  return design.k * scale
}
