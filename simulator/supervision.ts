import { OWN_ERRORS, type Effects, type OwnError } from './faults.ts'
import { EXTERNAL, FLOW, MAIN_LINE, RETURN_LINE, type Sensors } from './sensors.ts'

const HEATER_ERROR_AFTER_S = 5
const FLOW_ERROR_AFTER_S = 10
/** Part of the design flow under which the unit says that there is too little. */
const LOW_FLOW = 0.15

export const errorBit = (key: OwnError): number => 1 << OWN_ERRORS.findIndex((error) => error.key === key)

/** What a unit notices of itself: from its own sensors, so a sensor that lies misleads it too. */
export class Supervision {
  readonly #limitation_degC: number
  readonly #lowFlow_l_min: number
  #heaterLost_s = 0
  #flowLow_s = 0
  #over = false

  constructor(limitation_degC: number, designFlow_l_min: number) {
    this.#limitation_degC = limitation_degC
    this.#lowFlow_l_min = LOW_FLOW * designFlow_l_min
  }

  /** Active errors, a bit per OWN_ERRORS. They go when their cause goes: somebody at the unit is thought to reset them. */
  step(effects: Effects, sensors: Sensors, on: boolean, pumpOn: boolean, lowLevel: boolean, dt_s: number): number {
    this.#heaterLost_s = effects.heaterPhaseLost && on ? this.#heaterLost_s + dt_s : 0
    const flow = sensors.shown(FLOW)
    const enough = Number.isNaN(flow) || flow >= this.#lowFlow_l_min
    this.#flowLow_s = pumpOn && !enough ? this.#flowLow_s + dt_s : 0
    const main = sensors.shown(MAIN_LINE)
    this.#over = main > this.#limitation_degC || (this.#over && main > this.#limitation_degC - 5)
    const broken = (1 << MAIN_LINE) | (1 << RETURN_LINE) | (1 << EXTERNAL)

    let errors = effects.ownErrors
    if (this.#heaterLost_s >= HEATER_ERROR_AFTER_S) errors |= errorBit('heater')
    if (effects.pumpStopped && on) errors |= errorBit('pump')
    if (lowLevel) errors |= errorBit('low_level')
    if (this.#over) errors |= errorBit('over_limit')
    if ((effects.broken & broken) !== 0) errors |= errorBit('sensor')
    if (this.#flowLow_s >= FLOW_ERROR_AFTER_S) errors |= errorBit('flow_low')
    return errors
  }
}
