import type { CircuitPlan, Medium, StartDelay } from './plan.ts'

/**
 * Starting values by medium. All of them: common practice, no source. A site, a template, a unit or a circuit overrides them.
 */
const SECOND = 1000
const MINUTE = 60 * SECOND
const HOUR = 60 * MINUTE
const DAY = 24 * HOUR

interface MediumDefaults {
  readonly tolerance_K: number
  readonly outer_K: number
  readonly switchOff_degC: number
  readonly veryHot_degC: number
  readonly ramp_K_min: number
  readonly rampExtra_min: number
  readonly hold_ms: number
  /** How far a start usually goes: from a hall at 20 °C to a usual set value. */
  readonly startDistance_K: number
}
export const BY_MEDIUM: Readonly<Record<Medium, MediumDefaults>> = {
  water: {
    tolerance_K: 3,
    outer_K: 10,
    switchOff_degC: 70,
    veryHot_degC: 95,
    ramp_K_min: 2,
    rampExtra_min: 10,
    hold_ms: 2 * MINUTE,
    startDistance_K: 100,
  },
  oil: {
    tolerance_K: 5,
    outer_K: 15,
    switchOff_degC: 80,
    veryHot_degC: 120,
    ramp_K_min: 1.5,
    rampExtra_min: 15,
    hold_ms: 5 * MINUTE,
    startDistance_K: 150,
  },
}
/** A sensor far from the heater: in the mould or at its outlet. */
export const FAR_SENSOR = {
  tolerance_K: 5,
  deadband_K: 1,
  onDelay_ms: 120 * SECOND,
  offDelay_ms: 60 * SECOND,
  hold_ms: 5 * MINUTE,
} as const
const EXTERNAL_RAMP = { ramp_K_min: 1, rampExtra_min: 20 } as const

export const DELAYS = {
  temperature: { on_ms: 60 * SECOND, off_ms: 30 * SECOND },
  outer: { on_ms: 10 * SECOND, off_ms: 30 * SECOND },
  flow: { on_ms: 30 * SECOND, off_ms: 15 * SECOND },
  pressure: { on_ms: 5 * SECOND, off_ms: 5 * SECOND },
  offHot: { on_ms: 10 * SECOND, off_ms: 10 * SECOND },
  badSignal: { on_ms: 60 * SECOND, off_ms: 0 },
  noReserve: { on_ms: 10 * MINUTE, off_ms: 60 * SECOND },
  other: { on_ms: 30 * SECOND, off_ms: 15 * SECOND },
} as const
export const SILENCE = { alarm_ms: 60 * SECOND, hot_ms: 30 * SECOND, polls: 3, tcp_ms: 15 * SECOND, serial_ms: 30 * SECOND } as const
export const POLL = { tcp_ms: SECOND, serial_ms: 5 * SECOND } as const
export const BOOTING_MS = 180 * SECOND
export const OFF_HOT_DEADBAND_K = 3
/** Main-line pressure: this share of the weakest rating. */
export const RATING_SHARE = 0.9
export const RESERVE = { limit_percent: 98, deadband_percent: 5 } as const
export const MAX_SHELVE = { usual_ms: 8 * HOUR, neverHidden_ms: 30 * MINUTE } as const
/** High and low as in practice; the middle is ours. */
export const RE_ALARM_MS = { high: 60 * MINUTE, medium: 4 * HOUR, low: 8 * HOUR } as const
export const SEVERITY = { high: 800, medium: 500, low: 200 } as const
/** The bands in which units report their own errors (OPC 40083, clause 6.4); a unit that does not say counts as a warning. */
export const SEVERITY_BANDS = { high: [667, 1000], medium: [334, 666], low: [1, 333] } as const
export const DEADBAND_SHARE: Readonly<Record<string, number>> = { l_min: 0.03, bar: 0.02 }
export const KEEP_INPUTS_MS = 30 * DAY
export const HTTP = { host: '127.0.0.1', port: 8466 } as const
export const MQTT = { host: '127.0.0.1', port: 1883, heartbeat_ms: 10 * SECOND } as const
export const CANARY_MS = 60 * SECOND

type ControlPoint = CircuitPlan['controlPoint']
export const isFarSensor = (point: ControlPoint): boolean => point === 'external' || point === 'return_line'

export function defaultTolerance_K(medium: Medium, point: ControlPoint): number {
  return isFarSensor(point) ? FAR_SENSOR.tolerance_K : BY_MEDIUM[medium].tolerance_K
}

/** Longest start that is waited for: distance ÷ 2 K/min + 10 min (water), ÷ 1.5 + 15 (oil), ÷ 1 + 20 (external); 15 min to 3 h. */
export function startTimeout_ms(medium: Medium, point: ControlPoint, distance_K: number): number {
  const { ramp_K_min, rampExtra_min } = point === 'external' ? EXTERNAL_RAMP : BY_MEDIUM[medium]
  const minutes = distance_K / ramp_K_min + rampExtra_min
  return Math.round(Math.min(180, Math.max(15, minutes)) * MINUTE)
}

/** @param distance_K what the site says of the way a start has to go; null: it is taken from actual and set value each time. */
export function startDelay(medium: Medium, point: ControlPoint, distance_K: number | null, tolerance_K: number): StartDelay {
  const timeout_ms = startTimeout_ms(medium, point, distance_K ?? BY_MEDIUM[medium].startDistance_K)
  const { ramp_K_min, rampExtra_min } = point === 'external' ? EXTERNAL_RAMP : BY_MEDIUM[medium]
  const pace = {
    heating_K_min: ramp_K_min,
    heatingExtra_ms: rampExtra_min * MINUTE,
    cooling_K_min: EXTERNAL_RAMP.ramp_K_min,
    coolingExtra_ms: EXTERNAL_RAMP.rampExtra_min * MINUTE,
    min_ms: 15 * MINUTE,
    max_ms: 180 * MINUTE,
  }
  return {
    timeout_ms,
    ...(distance_K === null ? { pace } : {}),
    hold_ms: point === 'external' ? FAR_SENSOR.hold_ms : BY_MEDIUM[medium].hold_ms,
    onStart: true,
    onSetValue: true,
    setValueStep: tolerance_K / 2,
    cap_ms: 2 * timeout_ms,
    capWindow_ms: 4 * HOUR,
  }
}

/** Larger of a quarter of the tolerance and one step of the sensor. */
export const bandDeadband = (tolerance_K: number, step_K: number): number => Math.max(tolerance_K / 4, step_K)
