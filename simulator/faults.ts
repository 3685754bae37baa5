export const SENSORS = ['main_line', 'return_line', 'external', 'flow', 'main_pressure', 'return_pressure'] as const
export type Sensor = (typeof SENSORS)[number]

/** What a unit can report of itself. Ids, texts and severities are those of the invented hall. */
export const OWN_ERRORS = [
  { key: 'heater', id: 'E-01', severity: 700, text: 'Heater circuit fault' },
  { key: 'pump', id: 'E-02', severity: 800, text: 'Pump motor protection' },
  { key: 'low_level', id: 'E-03', severity: 800, text: 'Level too low' },
  { key: 'over_limit', id: 'E-04', severity: 900, text: 'Temperature limitation exceeded' },
  { key: 'sensor', id: 'E-05', severity: 600, text: 'Temperature sensor break' },
  { key: 'flow_low', id: 'E-06', severity: 500, text: 'Flow too low' },
] as const
export type OwnError = (typeof OWN_ERRORS)[number]['key']

/** What goes wrong in one circuit. Factors and amounts hold at full strength; a ramp leads there. */
export type CircuitFault =
  /** Resistance of the circuit times `factor`. */
  | { readonly kind: 'constriction'; readonly factor: number }
  | { readonly kind: 'closed_valve' }
  /** `loss` of the head, 0..1. */
  | { readonly kind: 'pump_wear'; readonly loss: number }
  | { readonly kind: 'pump_stopped' }
  | { readonly kind: 'leak'; readonly l_h: number }
  | { readonly kind: 'burst_hose' }
  | { readonly kind: 'heater_phase_lost'; readonly phases: 1 | 2 | 3 }
  | { readonly kind: 'cooling_valve_stuck_open' }
  | { readonly kind: 'cooling_valve_stuck_shut' }
  /** `by` in the sensor's own unit: K, l/min, bar. */
  | { readonly kind: 'sensor_drift'; readonly sensor: Sensor; readonly by: number }
  | { readonly kind: 'sensor_break'; readonly sensor: Sensor }
  | { readonly kind: 'sensor_frozen'; readonly sensor: Sensor }
  /** The strainer inside the unit takes `bar` at the design flow. */
  | { readonly kind: 'strainer_clogging'; readonly bar: number }
  | { readonly kind: 'main_switch_off' }
  | { readonly kind: 'moving_set_value'; readonly by_K: number }
  | { readonly kind: 'periodic_set_value'; readonly amplitude_K: number; readonly period_s: number }
  | { readonly kind: 'own_error'; readonly error: OwnError }

/** What goes wrong on the unit's line: no answer, no listener, late answers, a gateway that misses its unit, a unit that refuses. */
export type LinkFault =
  | { readonly kind: 'link_down'; readonly how: 'silent' | 'closed' | 'gateway' | 'device_failure' }
  | { readonly kind: 'link_slow'; readonly delay_ms: number }
export type Fault = CircuitFault | LinkFault

/** A fault in its time, in virtual seconds of the hall. */
export interface TimedFault {
  readonly id: string
  readonly unit: string
  /** null: all circuits of the unit. */
  readonly zone: string | null
  readonly start_s: number
  /** Time to full strength. */
  readonly ramp_s: number
  /** null: until somebody clears it. */
  readonly end_s: number | null
  readonly fault: Fault
}

/** Strength of a fault: 0 before and after, rising along the ramp, 1 at the top. */
export function strength(fault: Pick<TimedFault, 'start_s' | 'ramp_s' | 'end_s'>, now_s: number): number {
  if (now_s < fault.start_s || (fault.end_s !== null && now_s >= fault.end_s)) return 0
  return fault.ramp_s <= 0 ? 1 : Math.min(1, (now_s - fault.start_s) / fault.ramp_s)
}

/** Sum of all faults on one circuit, written anew each step. */
export interface Effects {
  resistance: number
  head: number
  strainer_bar: number
  leak_l_s: number
  /** 0..1: how far the hose is torn. */
  burst: number
  heaterShare: number
  heaterPhaseLost: boolean
  pumpStopped: boolean
  /** NaN: the cooling valve moves freely. */
  valveStuck: number
  mainSwitchOff: boolean
  setValue_K: number
  /** Bit per OWN_ERRORS. */
  ownErrors: number
  /** Per SENSORS: what is added, and bits of what is broken or frozen. */
  readonly drift: Float64Array
  broken: number
  frozen: number
}

export const noEffects = (): Effects => ({
  resistance: 1,
  head: 1,
  strainer_bar: 0,
  leak_l_s: 0,
  burst: 0,
  heaterShare: 1,
  heaterPhaseLost: false,
  pumpStopped: false,
  valveStuck: Number.NaN,
  mainSwitchOff: false,
  setValue_K: 0,
  ownErrors: 0,
  drift: new Float64Array(SENSORS.length),
  broken: 0,
  frozen: 0,
})

/** All faults of a circuit that are alive now, as one set of effects. */
export function effectsAt(faults: readonly TimedFault[], now_s: number): Effects {
  const effects = noEffects()
  for (const timed of faults) {
    const x = strength(timed, now_s)
    if (x > 0) add(effects, timed.fault, x, now_s - timed.start_s)
  }
  return effects
}

// A valve that shuts, and a resistance that grows, do so in ratios: half way to 4 times is 2 times.
const SHUT = 1e7
const bitOf = (names: readonly string[], name: string): number => 1 << names.indexOf(name)
const ERROR_KEYS = OWN_ERRORS.map((error) => error.key)

function add(effects: Effects, fault: Fault, x: number, age_s: number): void {
  switch (fault.kind) {
    case 'constriction':
      effects.resistance *= Math.pow(fault.factor, x)
      return
    case 'closed_valve':
      effects.resistance *= Math.pow(SHUT, x)
      return
    case 'pump_wear':
      effects.head *= 1 - fault.loss * x
      return
    case 'pump_stopped':
      effects.pumpStopped = true
      return
    case 'leak':
      effects.leak_l_s += (fault.l_h * x) / 3600
      return
    case 'burst_hose':
      effects.burst = Math.max(effects.burst, x)
      return
    case 'heater_phase_lost':
      effects.heaterShare *= 1 - (fault.phases / 3) * x
      effects.heaterPhaseLost = true
      return
    case 'cooling_valve_stuck_open':
      effects.valveStuck = x
      return
    case 'cooling_valve_stuck_shut':
      effects.valveStuck = 0
      return
    case 'sensor_drift': {
      const at = SENSORS.indexOf(fault.sensor)
      effects.drift[at] = (effects.drift[at] ?? 0) + fault.by * x
      return
    }
    case 'sensor_break':
      effects.broken |= bitOf(SENSORS, fault.sensor)
      return
    case 'sensor_frozen':
      effects.frozen |= bitOf(SENSORS, fault.sensor)
      return
    case 'strainer_clogging':
      effects.strainer_bar += fault.bar * x
      return
    case 'main_switch_off':
      effects.mainSwitchOff = true
      return
    case 'moving_set_value':
      effects.setValue_K += fault.by_K * x
      return
    case 'periodic_set_value':
      // Upper level first; each level holds half a period.
      effects.setValue_K += age_s % fault.period_s < fault.period_s / 2 ? fault.amplitude_K : 0
      return
    case 'own_error':
      effects.ownErrors |= bitOf(ERROR_KEYS, fault.error)
      return
    case 'link_down':
    case 'link_slow':
      return
  }
}

/** State of a unit's line. 'up' with a delay is a slow one. */
export interface Link {
  readonly state: 'up' | 'silent' | 'closed' | 'gateway' | 'device_failure'
  readonly delay_ms: number
}
export const LINK_UP: Link = Object.freeze({ state: 'up', delay_ms: 0 })

export function linkAt(faults: readonly TimedFault[], now_s: number): Link {
  let link = LINK_UP
  for (const timed of faults) {
    if (strength(timed, now_s) === 0) continue
    if (timed.fault.kind === 'link_down') link = { ...link, state: timed.fault.how }
    else if (timed.fault.kind === 'link_slow') link = { ...link, delay_ms: timed.fault.delay_ms }
  }
  return link
}
