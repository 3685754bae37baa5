const G = 9.80665

/** Head of a pump at full speed: a + b Q + c Q^2, in m with Q in l/min. */
export interface PumpCurve {
  readonly a: number
  readonly b: number
  readonly c: number
}
export type CurvePoint = readonly [flow_l_min: number, head_m: number]

/** The curve through three points of different flow. Throws RangeError where they give no falling curve. */
export function curveThrough(p0: CurvePoint, p1: CurvePoint, p2: CurvePoint): PumpCurve {
  const s01 = (p1[1] - p0[1]) / (p1[0] - p0[0])
  const s12 = (p2[1] - p1[1]) / (p2[0] - p1[0])
  const c = (s12 - s01) / (p2[0] - p0[0])
  const curve = { a: p0[1] - s01 * p0[0] + c * p0[0] * p1[0], b: s01 - c * (p0[0] + p1[0]), c }
  const falls = Number.isFinite(curve.a) && curve.a > 0 && c <= 0 && curve.b + 2 * c * Math.max(p0[0], p1[0], p2[0]) < 0
  if (!falls) throw new RangeError('these three points give no falling pump curve')
  return curve
}

/** What the loop asks of the solver; one object per circuit, written anew each step so that nothing is allocated. */
export interface Loop {
  curve: PumpCurve
  density_kg_m3: number
  /** Speed over full speed. */
  speed: number
  /** Share of the head that is left, 1 when new. */
  head: number
  /** dp = k Q^n of everything outside the unit, bar and l/min. */
  k: number
  n: number
  /** Strainer inside, between the pressure sensors: dp = strainer Q^2. */
  strainer: number
}

/** Pressure between the unit's two sensors at a flow, bar: pump head less the unit's own strainer. */
export function unitPressure_bar(loop: Loop, flow_l_min: number): number {
  const { a, b, c } = loop.curve
  const s = loop.speed
  const head_m = a * s * s + b * s * flow_l_min + c * flow_l_min * flow_l_min
  return (head_m * loop.head * loop.density_kg_m3 * G) / 1e5 - loop.strainer * flow_l_min * flow_l_min
}

/** Flow at which the unit gives as much pressure as the circuit takes, l/min. Newton inside a bracket, so that it always ends. */
export function operatingFlow(loop: Loop, guess_l_min: number): number {
  if (loop.speed <= 0 || loop.head <= 0) return 0
  const scale = (loop.head * loop.density_kg_m3 * G) / 1e5
  const a = loop.curve.a * scale * loop.speed * loop.speed
  const b = loop.curve.b * scale * loop.speed
  const c = loop.curve.c * scale - loop.strainer
  let low = 0
  let high = freeFlow(a, b, c)
  let flow = guess_l_min > low && guess_l_min < high ? guess_l_min : high / 2
  for (let i = 0; i < 60; i++) {
    const taken = loop.k * Math.pow(flow, loop.n)
    const excess = a + b * flow + c * flow * flow - taken
    if (excess > 0) low = flow
    else high = flow
    const slope = b + 2 * c * flow - (loop.n * taken) / flow
    const newton = flow - excess / slope
    const next = newton > low && newton < high ? newton : (low + high) / 2
    if (Math.abs(next - flow) <= 1e-11 * high) return next
    flow = next
  }
  return flow
}

/** Where the curve reaches zero pressure: the most that the pump moves without any resistance. */
function freeFlow(a: number, b: number, c: number): number {
  return c === 0 ? -a / b : (2 * a) / (Math.sqrt(b * b - 4 * a * c) - b)
}

/** k at another state of the medium over k at the reference: (rho/rho0)^(n-1) (mu/mu0)^(2-n), since friction goes with Re^-(2-n). */
export function resistanceScale(n: number, density: number, density0: number, viscosity: number, viscosity0: number): number {
  return Math.pow(density / density0, n - 1) * Math.pow(viscosity / viscosity0, 2 - n)
}

export const hydraulicPower_kW = (dp_bar: number, flow_l_min: number): number => (dp_bar * flow_l_min) / 600

/** Electric power of the pump: a part that turning costs (~ s^3) and the hydraulic part over its efficiency. Made-up but plausible shape. */
export function pumpPower_kW(idle_kW: number, speed: number, dp_bar: number, flow_l_min: number): number {
  return speed <= 0 ? 0 : idle_kW * speed * speed * speed + hydraulicPower_kW(Math.max(0, dp_bar), flow_l_min) / 0.6
}

/** How the pressure side of a circuit is built. */
export interface PressureDesign {
  /** Volume that one bar more takes up, l/bar. */
  readonly compliance_l_bar: number
  /** Topped up from the mains by itself; an oil tank is not. */
  readonly refills: boolean
  readonly refill_l_s: number
  /** Loss at which the pump starts to draw air, l. */
  readonly reserve_l: number
}
export interface PressureState {
  /** Litres above (below) what the target pressure needs. */
  excess_l: number
  refilling: boolean
  refillCount: number
}
const REFILL_BELOW_BAR = 0.4

/**
 * Volume balance of one step: what leaks goes out, the top-up valve opens 0.4 bar under the target and shuts at it.
 * A leak larger than the top-up empties the circuit; then the top-up is locked, so that no hall is flooded.
 */
export function stepVolume(design: PressureDesign, state: PressureState, leak_l_s: number, dt_s: number, locked: boolean): void {
  state.excess_l -= leak_l_s * dt_s
  if (locked) state.refilling = false
  if (design.refills && !locked && !state.refilling && state.excess_l < -REFILL_BELOW_BAR * design.compliance_l_bar) {
    state.refilling = true
    state.refillCount += 1
  }
  if (state.refilling) {
    state.excess_l += design.refill_l_s * dt_s
    if (state.excess_l >= 0) {
      state.excess_l = 0
      state.refilling = false
    }
  }
  // Nothing more can run out of an empty circuit.
  state.excess_l = Math.max(state.excess_l, -2 * design.reserve_l)
}

/** System (return line, suction) pressure, bar gauge; an empty or vented circuit stands at 0. */
export function systemPressure_bar(design: PressureDesign, state: PressureState, target_bar: number): number {
  return Math.max(0, target_bar + state.excess_l / design.compliance_l_bar)
}
