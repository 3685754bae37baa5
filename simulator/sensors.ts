import { SENSORS, type Effects, type Sensor } from './faults.ts'
import { quantise, type Random } from './noise.ts'

export interface SensorDesign {
  /** Standard deviation of its noise, in its own unit. */
  readonly noise: number
  /** Fixed error of this very sensor. */
  readonly offset: number
  /** Steps per unit: 10 is a resolution of 0.1. */
  readonly perUnit: number
  readonly present: boolean
}
export type SensorDesigns = Readonly<Record<Sensor, SensorDesign>>

/** What the unit's own sensors say; NaN where one is broken or not there. Read once per step, however often it is asked for. */
export class Sensors {
  readonly #designs: readonly SensorDesign[]
  readonly #random: Random
  readonly #shown = new Float64Array(SENSORS.length).fill(Number.NaN)

  constructor(designs: SensorDesigns, random: Random) {
    this.#designs = SENSORS.map((name) => designs[name])
    this.#random = random
  }

  read(index: number, truth: number, effects: Effects): number {
    const design = this.#designs[index]
    // Drawn also for a sensor that shows nothing, so that a fault does not shift the noise of its neighbours.
    const noise = this.#random.gauss()
    if (design === undefined || !design.present || (effects.broken & (1 << index)) !== 0) return (this.#shown[index] = Number.NaN)
    const before = this.#shown[index] ?? Number.NaN
    if ((effects.frozen & (1 << index)) !== 0 && !Number.isNaN(before)) return before
    const value = truth + design.offset + noise * design.noise + (effects.drift[index] ?? 0)
    return (this.#shown[index] = quantise(value, design.perUnit))
  }

  shown(index: number): number {
    return this.#shown[index] ?? Number.NaN
  }
}

export const MAIN_LINE = SENSORS.indexOf('main_line')
export const RETURN_LINE = SENSORS.indexOf('return_line')
export const EXTERNAL = SENSORS.indexOf('external')
export const FLOW = SENSORS.indexOf('flow')
export const MAIN_PRESSURE = SENSORS.indexOf('main_pressure')
export const RETURN_PRESSURE = SENSORS.indexOf('return_pressure')
