import { control, type ControllerState, type Tuning } from './controller.ts'
import { effectsAt, noEffects, OWN_ERRORS, type Effects, type OwnError, type TimedFault } from './faults.ts'
import {
  operatingFlow,
  pumpPower_kW,
  resistanceScale,
  stepVolume,
  systemPressure_bar,
  unitPressure_bar,
  type Loop,
  type PressureDesign,
  type PressureState,
  type PumpCurve,
} from './hydraulics.ts'
import { heatFlow_kW } from './medium.ts'
import { quantise, type Random } from './noise.ts'
import { EXTERNAL, FLOW, MAIN_LINE, MAIN_PRESSURE, RETURN_LINE, RETURN_PRESSURE, Sensors, type SensorDesigns } from './sensors.ts'
import { errorBit, Supervision } from './supervision.ts'
import {
  carried_kW_K,
  cooling_kW,
  kept,
  returnLine_degC,
  stepThermal,
  thermalState,
  type Drive,
  type ThermalDesign,
  type ThermalState,
} from './thermal.ts'
import type { Zone, ZoneValues } from './zone.ts'

/** One circuit as drawn from the seed. */
export interface CircuitDesign {
  readonly id: string
  readonly thermal: ThermalDesign
  readonly curve: PumpCurve
  readonly designFlow_l_min: number
  /** At the set value: k of hoses, couplings and mould channels. */
  readonly k: number
  readonly n: number
  readonly pumpSpeed_percent: number
  readonly fullSpeed_rpm: number
  readonly pumpIdle_kW: number
  readonly pressure: PressureDesign
  readonly tuning: Tuning
  readonly sensors: SensorDesigns
  /** 0 main line, 1 return line, 2 external. */
  readonly controlPoint: 0 | 1 | 2
  readonly setValue_degC: number
  readonly standby_degC: number
  readonly limitation_degC: number
  readonly switchingOff_degC: number
  readonly tolerance_K: number
  readonly hours_h: number
  readonly refills: number
}

/** What somebody at the unit has chosen. */
export const WISHES = ['on', 'standby', 'off', 'leak_stop'] as const
export type Wish = (typeof WISHES)[number]

/** Numbers of OPC 40082-1, OperatingModeEnumeration. */
const MODE = { off: 1, normal: 2, leakStop: 3, pressureRelief: 5, coolingBeforeOff: 7, eco: 8 } as const
const RELIEF_S = 10
const NONE: ZoneValues['errors'] = Object.freeze([])
const QUIET = Object.freeze(noEffects())

export interface CircuitValues extends ZoneValues {
  readonly cycles: number
}

/** One circuit of a virtual unit, in steps of its own time. The unit is its own controller; nothing here knows who reads it. */
export class Circuit implements Zone {
  readonly id: string
  readonly design: CircuitDesign
  readonly #sensors: Sensors
  readonly #thermal: ThermalState
  readonly #drive: Drive
  readonly #loop: Loop
  readonly #pressure: PressureState
  readonly #supervision: Supervision
  readonly #controller: ControllerState = { integral_kW: 0 }
  readonly #density0: number
  readonly #viscosity0: number
  #setValue_degC: number
  #wish: Wish = 'on'
  #mode: number = MODE.normal
  #modeSince_s = 0
  #now_s = 0
  #hours_h: number
  #flow_l_min: number
  #ratio_percent = 0
  #pump_kW = 0
  #lowLevel = false
  #errors = 0
  #faults: readonly TimedFault[] = []
  #shownSet_degC: number
  #values: CircuitValues | null = null

  constructor(design: CircuitDesign, random: Random) {
    this.id = design.id
    this.design = design
    this.#sensors = new Sensors(design.sensors, random)
    this.#supervision = new Supervision(design.limitation_degC, design.designFlow_l_min)
    this.#setValue_degC = design.setValue_degC
    this.#shownSet_degC = design.setValue_degC
    this.#hours_h = design.hours_h
    this.#pressure = { excess_l: 0, refilling: false, refillCount: design.refills }
    const { medium } = design.thermal
    this.#density0 = medium.density(design.setValue_degC)
    this.#viscosity0 = medium.viscosity(design.setValue_degC)
    this.#loop = {
      curve: design.curve,
      density_kg_m3: this.#density0,
      speed: design.pumpSpeed_percent / 100,
      head: 1,
      k: design.k,
      n: design.n,
      strainer: 0,
    }
    this.#drive = { flow_l_min: 0, heater_kW: 0, valve: 0, valveStuck: Number.NaN, pump_kW: 0, machineRunning: true }
    this.#flow_l_min = operatingFlow(this.#loop, design.designFlow_l_min)
    this.#thermal = thermalState(design.thermal, design.setValue_degC)
    this.#thermal.shot_s = random.between(0, design.thermal.cycle_s)
    this.#settle()
    this.#sense(QUIET)
  }

  set faults(faults: readonly TimedFault[]) {
    this.#faults = faults
  }
  set setValue_degC(degC: number) {
    this.#setValue_degC = degC
  }
  set wish(wish: Wish) {
    this.#wish = wish
  }
  set machineRunning(running: boolean) {
    this.#drive.machineRunning = running
  }

  /**
   * Warm and in balance with the mean melt heat, so that a hall starts in the middle of its day.
   * Everything between main line, mould and return line is linear, so the balance is solved, not waited for.
   */
  #settle(): void {
    const { thermal } = this.design
    const state = this.#thermal
    const carried = carried_kW_K(thermal.medium, this.#setValue_degC, this.#flow_l_min)
    const keep = kept(thermal, carried, this.#flow_l_min)
    const exchanged = carried * (1 - keep)
    // mould = slope * main + rest
    const slope = exchanged / (exchanged + thermal.mouldLoss_kW_K)
    const rest = (thermal.mouldLoss_kW_K * thermal.ambient_degC + thermal.load_kW) / (exchanged + thermal.mouldLoss_kW_K)
    const set = this.#setValue_degC
    const returnSlope = slope * (1 - keep) + keep
    const main =
      this.design.controlPoint === 0 ? set : this.design.controlPoint === 1 ? (set - rest * (1 - keep)) / returnSlope : (set - rest) / slope
    state.unit_degC = main
    state.mould_degC = slope * main + rest
    state.toMould.fill(main)
    const back = state.mould_degC * (1 - keep) + main * keep
    state.back.fill(back)
    this.#pump_kW = this.#pumpPower()
    const demand = carried * (main - back) + thermal.unitLoss_kW_K * (main - thermal.ambient_degC) - this.#pump_kW
    this.#controller.integral_kW = demand
    const full = cooling_kW(thermal, main, 1)
    state.valve = demand < 0 ? Math.min(1, -demand / full) : 0
    this.#ratio_percent = demand >= 0 ? (100 * demand) / thermal.heater_kW : (100 * demand) / full
  }

  #pumpPower(): number {
    return pumpPower_kW(this.design.pumpIdle_kW, this.#loop.speed, unitPressure_bar(this.#loop, this.#flow_l_min), this.#flow_l_min)
  }

  step(dt_s: number): void {
    this.#now_s += dt_s
    const effects = this.#faults.length === 0 ? QUIET : effectsAt(this.#faults, this.#now_s)
    this.#chooseMode(effects)
    const pumpOn = this.#pumpRuns(effects)
    this.#stepFlow(effects, pumpOn, dt_s)
    this.#stepHeat(effects, pumpOn, dt_s)
    if (this.#mode !== MODE.off) this.#hours_h += dt_s / 3600
    this.#sense(effects)
    this.#errors = this.#supervision.step(effects, this.#sensors, this.#mode !== MODE.off, pumpOn, this.#lowLevel, dt_s)
    this.#values = null
  }

  #chooseMode(effects: Effects): void {
    const next = this.#nextMode(effects)
    if (next === this.#mode) return
    // Heat that was asked for before says nothing about what is needed after.
    if (this.#mode === MODE.off || next === MODE.off) this.#controller.integral_kW = 0
    this.#mode = next
    this.#modeSince_s = this.#now_s
  }

  #nextMode(effects: Effects): number {
    if (effects.mainSwitchOff) return MODE.off
    if (this.#wish === 'on') return MODE.normal
    if (this.#wish === 'standby') return MODE.eco
    if (this.#wish === 'leak_stop') return MODE.leakStop
    if (this.#mode === MODE.off) return MODE.off
    if (this.#mode === MODE.pressureRelief) return this.#now_s - this.#modeSince_s >= RELIEF_S ? MODE.off : MODE.pressureRelief
    return this.#sensors.shown(MAIN_LINE) <= this.design.switchingOff_degC ? MODE.pressureRelief : MODE.coolingBeforeOff
  }

  #pumpRuns(effects: Effects): boolean {
    const stopped = effects.pumpStopped || this.#has('pump') || this.#has('low_level')
    return this.#mode !== MODE.off && this.#mode !== MODE.pressureRelief && !stopped
  }

  #has(key: OwnError): boolean {
    return (this.#errors & errorBit(key)) !== 0
  }

  #stepFlow(effects: Effects, pumpOn: boolean, dt_s: number): void {
    const { design } = this
    const { medium } = design.thermal
    const mean = (this.#thermal.unit_degC + returnLine_degC(this.#thermal)) / 2
    const loop = this.#loop
    loop.density_kg_m3 = medium.density(mean)
    loop.speed = pumpOn ? design.pumpSpeed_percent / 100 : 0
    loop.head = effects.head
    loop.strainer = effects.strainer_bar / (design.designFlow_l_min * design.designFlow_l_min)
    const torn = Math.pow(0.15, effects.burst)
    loop.k =
      design.k *
      effects.resistance *
      torn *
      resistanceScale(design.n, loop.density_kg_m3, this.#density0, medium.viscosity(mean), this.#viscosity0)
    this.#flow_l_min = operatingFlow(loop, this.#flow_l_min)
    this.#pump_kW = this.#pumpPower()
    // A torn hose loses most of what the pump brings, and what the pressure in the circuit pushes out once it stands.
    const lost_l_s = effects.leak_l_s + effects.burst * (0.7 * (this.#flow_l_min / 60) + 0.05)
    stepVolume(design.pressure, this.#pressure, lost_l_s, dt_s, this.#lowLevel && lost_l_s > 0)
    if (lost_l_s === 0 && !design.pressure.refills) this.#pressure.excess_l = 0 // somebody topped the tank up
    if (this.#pressure.excess_l < -design.pressure.reserve_l) this.#lowLevel = true
    else if (this.#pressure.excess_l > -design.pressure.reserve_l / 2) this.#lowLevel = false
  }

  #stepHeat(effects: Effects, pumpOn: boolean, dt_s: number): void {
    const { thermal, tuning } = this.design
    const drive = this.#drive
    const full = cooling_kW(thermal, this.#thermal.unit_degC, 1)
    const demand = this.#demand(effects, pumpOn, full, tuning, dt_s)
    this.#ratio_percent = demand >= 0 ? (100 * demand) / thermal.heater_kW : Math.max(-100, (100 * demand) / full)
    const locked = !pumpOn || this.#has('over_limit') || this.#has('flow_low')
    drive.heater_kW = demand > 0 && !locked ? demand * effects.heaterShare : 0
    drive.valve = demand < 0 ? Math.min(1, -this.#ratio_percent / 100) : 0
    drive.valveStuck = effects.valveStuck
    drive.flow_l_min = this.#flow_l_min
    drive.pump_kW = this.#pump_kW
    stepThermal(thermal, this.#thermal, drive, dt_s)
  }

  /** kW wanted by the controller: positive heats. */
  #demand(effects: Effects, pumpOn: boolean, full_kW: number, tuning: Tuning, dt_s: number): number {
    const { design } = this
    const target = this.#mode === MODE.eco ? design.standby_degC : this.#setValue_degC + effects.setValue_K
    this.#shownSet_degC = quantise(this.#setValue_degC + effects.setValue_K, 10)
    if (this.#mode === MODE.coolingBeforeOff) return -full_kW
    if (!pumpOn) return 0
    const actual = this.#sensors.shown([MAIN_LINE, RETURN_LINE, EXTERNAL][design.controlPoint] ?? MAIN_LINE)
    if (Number.isNaN(actual)) return 0
    // The main line is kept under the limitation whatever the other sensors ask for.
    const ceiling = tuning.gain_kW_K * (design.limitation_degC - 3 - this.#thermal.unit_degC)
    const high = Math.min(design.thermal.heater_kW, Math.max(-full_kW, ceiling))
    return control(tuning, this.#controller, target - actual, -full_kW, high, dt_s)
  }

  #targetPressure(): number {
    if (!this.design.pressure.refills || this.#mode === MODE.off || this.#mode === MODE.pressureRelief) return 0.2
    if (this.#mode === MODE.leakStop) return 0.1
    const { medium } = this.design.thermal
    return Math.max(0.6, medium.boiling_bar(Math.max(this.#setValue_degC, this.#thermal.unit_degC) + 20) + 0.3)
  }

  #sense(effects: Effects): void {
    // A main switch that was thrown while hot stops pump and heater; the pressure stays in until it has cooled.
    const hot = this.#thermal.unit_degC > this.design.switchingOff_degC
    const { medium } = this.design.thermal
    const held = hot && this.#mode === MODE.off && this.design.pressure.refills ? medium.boiling_bar(this.#thermal.unit_degC) + 0.3 : 0
    const system_bar = systemPressure_bar(this.design.pressure, this.#pressure, Math.max(held, this.#targetPressure()))
    const dp_bar = this.#flow_l_min === 0 ? 0 : unitPressure_bar(this.#loop, this.#flow_l_min)
    this.#sensors.read(MAIN_LINE, this.#thermal.unit_degC, effects)
    this.#sensors.read(RETURN_LINE, returnLine_degC(this.#thermal), effects)
    this.#sensors.read(EXTERNAL, this.#thermal.mould_degC, effects)
    this.#sensors.read(FLOW, this.#flow_l_min, effects)
    this.#sensors.read(MAIN_PRESSURE, system_bar + dp_bar, effects)
    this.#sensors.read(RETURN_PRESSURE, system_bar, effects)
  }

  values(): CircuitValues {
    this.#values ??= this.#build()
    return this.#values
  }

  #build(): CircuitValues {
    const { design } = this
    const main = this.#sensors.shown(MAIN_LINE)
    const back = this.#sensors.shown(RETURN_LINE)
    const external = this.#sensors.shown(EXTERNAL)
    const sensedFlow = this.#sensors.shown(FLOW)
    // The meter does not turn below a certain flow.
    const flow = sensedFlow < 0.3 ? 0 : sensedFlow
    const errors = this.#errors === 0 ? NONE : OWN_ERRORS.filter((_, bit) => (this.#errors & (1 << bit)) !== 0)
    const heat = heatFlow_kW(design.thermal.medium, flow, main, back)
    return {
      mainLine_degC: main,
      returnLine_degC: back,
      external_degC: external,
      actual_degC: [main, back, external][design.controlPoint] ?? main,
      setValue_degC: this.#shownSet_degC,
      standby_degC: design.standby_degC,
      limitation_degC: design.limitation_degC,
      switchingOff_degC: design.switchingOff_degC,
      flow_l_min: flow,
      mainLine_bar: this.#sensors.shown(MAIN_PRESSURE),
      returnLine_bar: this.#sensors.shown(RETURN_PRESSURE),
      regulation_percent: quantise(this.#ratio_percent, 10),
      process_kW: quantise(heat, 10),
      pumpSpeed_percent: quantise(this.#loop.speed * 100, 10),
      pumpSpeed_rpm: Math.round(this.#loop.speed * design.fullSpeed_rpm),
      pump_kW: quantise(this.#pump_kW, 100),
      pumpRunning: this.#loop.speed > 0,
      operatingMode: this.#mode,
      controlPoint: design.controlPoint,
      hoursOfOperation_h: quantise(this.#hours_h, 10),
      refills: this.#pressure.refillCount,
      alarmContact: this.#errors !== 0,
      errors,
      tolerance_K: design.tolerance_K,
      cycles: this.#thermal.cycles,
    }
  }
}
