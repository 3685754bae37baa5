export type MediumName = 'water' | 'oil'

interface Row {
  readonly degC: number
  readonly density_kg_m3: number
  readonly heatCapacity_kJ_kgK: number
  readonly viscosity_mPa_s: number
  /** Boiling pressure, bar absolute; null where the medium does not boil in the range. */
  readonly boiling_bar_abs: number | null
}
const row = (degC: number, boiling_bar_abs: number | null, density: number, heatCapacity: number, viscosity: number): Row => ({
  degC,
  density_kg_m3: density,
  heatCapacity_kJ_kgK: heatCapacity,
  viscosity_mPa_s: viscosity,
  boiling_bar_abs,
})

/** Liquid water at 30 bar abs: IAPWS R7-97 (density, heat capacity, boiling) and IAPWS R12-08 (viscosity), computed values. */
const WATER: readonly Row[] = [
  row(10, 0.01228, 1001.08, 4.1846, 1.3033),
  row(40, 0.07384, 993.49, 4.1715, 0.6531),
  row(60, 0.19946, 984.47, 4.1764, 0.4667),
  row(95, 0.84609, 963.23, 4.2041, 0.2979),
  row(120, 1.98665, 944.5, 4.2393, 0.2328),
  row(140, 3.61501, 927.56, 4.2783, 0.1973),
  row(160, 6.18139, 908.87, 4.3295, 0.171),
  row(180, 10.02635, 888.34, 4.3966, 0.1509),
  row(200, 15.54672, 865.77, 4.4856, 0.135),
  row(220, 23.19288, 840.83, 4.6053, 0.1219),
  row(230, 27.96792, 827.32, 4.681, 0.1162),
]
/** Made-up heat transfer oil; no real one has these numbers. */
const OIL: readonly Row[] = [
  row(10, null, 878, 1.84, 95),
  row(50, null, 850, 1.98, 16),
  row(100, null, 815, 2.15, 5),
  row(150, null, 780, 2.32, 2.3),
  row(200, null, 745, 2.5, 1.2),
  row(300, null, 675, 2.85, 0.55),
]

const LOWEST_DEGC = 5
const HIGHEST_DEGC = 300

/** Properties in steps of 1 K, so that the loop looks up instead of taking logarithms. */
export interface Medium {
  readonly name: MediumName
  readonly density: (degC: number) => number
  readonly heatCapacity: (degC: number) => number
  readonly viscosity: (degC: number) => number
  /** Gauge pressure at which it boils at sea level; never below -1.01325. */
  readonly boiling_bar: (degC: number) => number
}

function medium(name: MediumName, rows: readonly Row[]): Medium {
  const at = (read: (row: Row) => number): ((degC: number) => number) => lookup(rows.map((r) => [r.degC, read(r)] as const))
  const logViscosity = at((r) => Math.log(r.viscosity_mPa_s))
  const viscosity = table((degC) => Math.exp(logViscosity(degC)))
  // ln(p) against 1/T is nearly straight (Clausius and Clapeyron).
  const boils = rows.flatMap((r) => (r.boiling_bar_abs === null ? [] : [[1 / (r.degC + 273.15), Math.log(r.boiling_bar_abs)] as const]))
  const logBoiling = boils.length < 3 ? () => Number.NEGATIVE_INFINITY : lookup(boils.toReversed())
  return {
    name,
    density: table(at((r) => r.density_kg_m3)),
    heatCapacity: table(at((r) => r.heatCapacity_kJ_kgK)),
    viscosity,
    boiling_bar: table((degC) => Math.exp(logBoiling(1 / (degC + 273.15))) - 1.01325),
  }
}

/** Parabola through the three rows nearest to x; rows rise in x. */
function lookup(rows: readonly (readonly [number, number])[]): (x: number) => number {
  return (x) => {
    const above = rows.findIndex(([at]) => at >= x)
    const middle = Math.min(Math.max(above === -1 ? rows.length - 2 : above, 1), rows.length - 2)
    const three = rows.slice(middle - 1, middle + 2)
    let sum = 0
    for (const [xi, yi] of three) {
      let weight = 1
      for (const [xj] of three) if (xj !== xi) weight *= (x - xj) / (xi - xj)
      sum += yi * weight
    }
    return sum
  }
}

function table(of: (degC: number) => number): (degC: number) => number {
  const steps = Float64Array.from({ length: HIGHEST_DEGC - LOWEST_DEGC + 2 }, (_, i) => of(LOWEST_DEGC + i))
  return (degC) => {
    const clamped = degC < LOWEST_DEGC ? LOWEST_DEGC : degC > HIGHEST_DEGC ? HIGHEST_DEGC : degC
    const index = Math.floor(clamped) - LOWEST_DEGC
    const low = steps[index] ?? 0
    return low + ((steps[index + 1] ?? low) - low) * (clamped - LOWEST_DEGC - index)
  }
}

export const MEDIA: Readonly<Record<MediumName, Medium>> = { water: medium('water', WATER), oil: medium('oil', OIL) }

/** Heat that a flow leaves behind between main and return line, kW; positive heats the mould. rho * V * cp * dT at the mean temperature. */
export function heatFlow_kW(of: Medium, flow_l_min: number, main_degC: number, return_degC: number): number {
  const mean = (main_degC + return_degC) / 2
  return (of.density(mean) * flow_l_min * of.heatCapacity(mean) * (main_degC - return_degC)) / 60_000
}
