import type { Medium } from './medium.ts'

/** Heat side of one circuit as drawn from the seed. */
export interface ThermalDesign {
  readonly medium: Medium
  readonly heater_kW: number
  /** Exchanger with the valve open, kW per K between medium and cooling water. */
  readonly cooler_kW_K: number
  readonly coolingWater_degC: number
  readonly ambient_degC: number
  readonly unit_l: number
  /** Steel of the unit that is heated with the medium. */
  readonly unitSteel_kJ_K: number
  /** Each of the two hoses. */
  readonly hose_l: number
  readonly mould_kJ_K: number
  /** Mould channels to medium at the design flow. */
  readonly mould_kW_K: number
  readonly designFlow_l_min: number
  readonly unitLoss_kW_K: number
  readonly mouldLoss_kW_K: number
  /** Mean heat that the melt brings in. */
  readonly load_kW: number
  readonly cycle_s: number
  /** Part of the cycle in which it comes. */
  readonly pulseShare: number
}

const HOSE_CELLS = 3
const STANDING_L_MIN = 0.5
/** Time constant of a filled hose in still air; common practice, no source. */
const HOSE_COOLING_S = 1800
export interface ThermalState {
  unit_degC: number
  mould_degC: number
  readonly toMould: Float64Array
  readonly back: Float64Array
  /** 0..1, follows its demand with a lag. */
  valve: number
  /** Virtual seconds since the first shot. */
  shot_s: number
  cycles: number
}

/** What acts on the masses in one step. */
export interface Drive {
  flow_l_min: number
  heater_kW: number
  /** Demand to the cooling valve, 0..1; `valveStuck` overrides it where it is not NaN. */
  valve: number
  valveStuck: number
  pump_kW: number
  machineRunning: boolean
}

export function thermalState(design: ThermalDesign, degC: number): ThermalState {
  return {
    unit_degC: degC,
    mould_degC: degC,
    toMould: new Float64Array(HOSE_CELLS).fill(degC),
    back: new Float64Array(HOSE_CELLS).fill(degC),
    valve: 0,
    shot_s: 0,
    cycles: 0,
  }
}

/** Where the return line's sensor sits: the end of the hose from the mould. */
export const returnLine_degC = (state: ThermalState): number => state.back[HOSE_CELLS - 1] ?? state.unit_degC

/** Heat that one kelvin carries with the flow, kW/K. */
export function carried_kW_K(medium: Medium, degC: number, flow_l_min: number): number {
  return (medium.density(degC) * medium.heatCapacity(degC) * flow_l_min) / 60_000
}

/** Turbulent heat transfer goes with about Q^0.8 (Dittus and Boelter; from memory). */
function mouldTransfer_kW_K(design: ThermalDesign, flow_l_min: number): number {
  return design.mould_kW_K * Math.pow(flow_l_min / design.designFlow_l_min, 0.8)
}

/** Part of the inlet's distance to the mould that the water keeps on its way through the channels. */
export function kept(design: ThermalDesign, carried: number, flow_l_min: number): number {
  return carried <= 0 ? 0 : Math.exp(-mouldTransfer_kW_K(design, flow_l_min) / carried)
}

export function cooling_kW(design: ThermalDesign, unit_degC: number, valve: number): number {
  return valve * design.cooler_kW_K * Math.max(0, unit_degC - design.coolingWater_degC)
}

/**
 * One step of the two masses and the two hoses. Each mass goes exponentially towards where it would settle, so any step length
 * is stable. Boiling is not modelled.
 */
export function stepThermal(design: ThermalDesign, state: ThermalState, drive: Drive, dt_s: number): void {
  const { medium } = design
  const carried = carried_kW_K(medium, state.unit_degC, drive.flow_l_min)
  const demand = Number.isNaN(drive.valveStuck) ? drive.valve : drive.valveStuck
  // A motor valve needs some seconds; a stuck one no longer moves with the demand at all.
  state.valve += (demand - state.valve) * (Number.isNaN(drive.valveStuck) ? 1 - Math.exp(-dt_s / 3) : 1)

  const arriving = state.toMould[HOSE_CELLS - 1] ?? state.unit_degC
  const keep = kept(design, carried, drive.flow_l_min)
  const exchanged = carried * (1 - keep)
  const leaving = state.mould_degC + (arriving - state.mould_degC) * keep
  const melt = drive.machineRunning ? meltHeat_kW(design, state, dt_s) : 0
  const pull = exchanged + design.mouldLoss_kW_K
  const mouldGoal = (exchanged * arriving + design.mouldLoss_kW_K * design.ambient_degC + melt) / pull
  state.mould_degC += (mouldGoal - state.mould_degC) * (1 - Math.exp((-pull * dt_s) / design.mould_kJ_K))

  const returning = returnLine_degC(state)
  const cooler = state.unit_degC > design.coolingWater_degC ? state.valve * design.cooler_kW_K : 0
  const unitPull = carried + cooler + design.unitLoss_kW_K
  const unitGoal =
    (carried * returning +
      cooler * design.coolingWater_degC +
      design.unitLoss_kW_K * design.ambient_degC +
      drive.heater_kW +
      drive.pump_kW) /
    unitPull
  const unit_kJ_K = (design.unit_l * medium.density(state.unit_degC) * medium.heatCapacity(state.unit_degC)) / 1000 + design.unitSteel_kJ_K
  state.unit_degC += (unitGoal - state.unit_degC) * (1 - Math.exp((-unitPull * dt_s) / unit_kJ_K))

  if (drive.flow_l_min > 0) {
    const exchange = 1 - Math.exp((-drive.flow_l_min * dt_s * HOSE_CELLS) / (60 * design.hose_l))
    push(state.toMould, state.unit_degC, exchange)
    push(state.back, leaving, exchange)
  }
  // While water moves, what the hoses lose counts with unit and mould; water that stands cools where it is.
  if (drive.flow_l_min < STANDING_L_MIN) {
    const cooled = 1 - Math.exp(-dt_s / HOSE_COOLING_S)
    rest(state.toMould, design.ambient_degC, cooled)
    rest(state.back, design.ambient_degC, cooled)
  }
}

/** Water moves on through the cells of a hose, the last cell first, so that nothing jumps the queue in one step. */
function push(hose: Float64Array, entering: number, exchange: number): void {
  for (let i = hose.length - 1; i >= 0; i--) {
    const from = i === 0 ? entering : (hose[i - 1] ?? entering)
    hose[i] = (hose[i] ?? from) + (from - (hose[i] ?? from)) * exchange
  }
}

function rest(hose: Float64Array, ambient_degC: number, cooled: number): void {
  for (let i = 0; i < hose.length; i++) hose[i] = (hose[i] ?? ambient_degC) + (ambient_degC - (hose[i] ?? ambient_degC)) * cooled
}

/** Mean melt heat over this step; advances the cycle. */
function meltHeat_kW(design: ThermalDesign, state: ThermalState, dt_s: number): number {
  if (design.load_kW === 0) return 0
  const pulse_s = design.cycle_s * design.pulseShare
  const from = state.shot_s
  state.shot_s += dt_s
  const count = Math.floor(state.shot_s / design.cycle_s)
  state.cycles += count
  state.shot_s -= count * design.cycle_s
  // Time of this step that lies inside a pulse; a step longer than a cycle counts the whole pulses in between.
  const inside = Math.min(state.shot_s, pulse_s) - Math.min(from, pulse_s) + count * pulse_s
  return (design.load_kW * inside) / (dt_s * design.pulseShare)
}
