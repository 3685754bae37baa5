import type { DataValue } from 'node-opcua'
import type { CircuitPlan } from '../../config/plan.ts'
import type { Phase } from '../../rules/phases.ts'
import { isBad, NO_ERRORS, QUALITY, type Reading, type UnitError } from '../../rules/reading.ts'
import { errorsIn } from './errors.ts'
import { meaningChanged, qualityOf } from './status.ts'
import { CANONICAL, numberIn, putBad, putNumber, signalOf, type Place, type Signal, type Understood } from './value.ts'

/** OperatingModeEnumeration of OPC 40082-1 in our words; null: the standard's mode says less than what is derived. */
const PHASE_OF_MODE: ReadonlyMap<number, Phase> = new Map([
  [1, 'off'], // READY_TO_OPERATE: heater, pump and cooling off
  [3, 'leak_stop'],
  [4, 'evacuating'],
  [6, 'cooling'], // to the standby temperature, then off
  [7, 'cooling'], // SAFETY_COOLING
])
const EXTERNAL = 2
/** The present state of one circuit, kept in arrays that every reading of it shares. */
export interface Circuit {
  readonly plan: CircuitPlan
  /** Takes a value of the signal at `index`. Returns true where it says that units or structure have changed. */
  readonly take: (index: number, value: DataValue) => boolean
  /** Takes whether the external sensor is the one that is controlled. */
  readonly takeExternalUsed: (value: DataValue) => void
  /** How the numbers of a signal are to be understood from now on. */
  readonly understand: (index: number, how: Understood) => void
  readonly isUnderstood: (index: number, how: Understood) => boolean
  /**
   * The signal's unit of measure is changing: what we have and what still comes may be in the one or the other, so it is bad
   * until `release`. Returns false where it is held already.
   */
  readonly hold: (index: number) => boolean
  readonly release: (index: number, how: Understood, value: DataValue) => void
  /** A signal that is not to be had, until it is. */
  readonly spoil: (index: number, quality: number) => void
  /** Nothing is known any more. */
  readonly forget: (quality: number) => void
  /** The zone has an external sensor: the control point is not known before takeExternalUsed. */
  readonly awaitExternalUsed: () => void
  readonly reading: (at_ms: number) => Reading
  /** Changed since the last reading was made. */
  readonly isChanged: () => boolean
  /** The signal at `index` has changed since then. */
  readonly hasNews: (index: number) => boolean
}

export function circuit(plan: CircuitPlan): Circuit {
  const count = plan.signals.length
  const values = new Float64Array(count).fill(Number.NaN)
  const quality = new Uint8Array(count).fill(QUALITY.waiting_for_initial_data)
  const news = new Uint8Array(count)
  const places = plan.signals.map((_, index): Place => ({ values, quality, index }))
  const signals: readonly Signal[] = plan.signals.map(signalOf)
  const how: Understood[] = plan.signals.map(() => CANONICAL)
  const held = new Uint8Array(count)
  /** As received: the control point depends on two nodes. */
  const raw = new Float64Array(count).fill(Number.NaN)
  const rawQuality = new Uint8Array(count).fill(QUALITY.waiting_for_initial_data)
  const modeAt = plan.signals.indexOf('operating_mode')
  const errorsAt = plan.signals.indexOf('active_errors')
  const controlAt = plan.signals.indexOf('control_point')
  let errors: readonly UnitError[] = NO_ERRORS
  /** Quality of ExternalSensor/Used and its value; null where the zone has no external sensor. */
  let external: { quality: number; used: boolean } | null = null
  let changed = false

  const settle = (index: number): void => {
    const place = places[index]
    const signal = signals[index]
    if (place === undefined || signal === undefined) return
    const [value, code] = [values[index], quality[index]]
    let own = rawQuality[index] ?? QUALITY.no_data
    let number = raw[index] ?? Number.NaN
    if (index === controlAt && external !== null) {
      // Not knowing whether the external sensor is used is not knowing the control point.
      if (isBad(external.quality)) own = external.quality
      else if (external.used) {
        own = external.quality
        number = EXTERNAL
      }
    }
    if (isBad(own)) putBad(place, own)
    else putNumber(place, number, own, signal, how[index] ?? CANONICAL)
    // A server also sends what has not changed, such as a new time stamp; that alone is no reading.
    if (code === quality[index] && Object.is(value, values[index])) return
    changed = true
    news[index] = 1
  }

  const spoil = (index: number, bad: number): void => {
    raw[index] = Number.NaN
    rawQuality[index] = bad
    settle(index)
  }

  const receive = (index: number, value: DataValue): void => {
    const code = qualityOf(value.statusCode.value)
    const content: unknown = value.value?.value
    rawQuality[index] = code
    raw[index] = Number.NaN
    if (isBad(code)) return
    if (content === null || content === undefined) {
      rawQuality[index] = index === errorsAt ? code : QUALITY.no_data
      if (index !== errorsAt) return
    }
    if (index === errorsAt && typeof content !== 'number') {
      const found = errorsIn(content, errors)
      if (found === null) rawQuality[index] = QUALITY.decode_error
      else {
        if (found !== errors) changed = true
        errors = found
        raw[index] = found.length
      }
      return
    }
    const number = numberIn(content)
    if (number === null) rawQuality[index] = QUALITY.decode_error
    else raw[index] = number
  }

  return {
    plan,
    take: (index, value) => {
      if (held[index] === 1) return false
      receive(index, value)
      settle(index)
      return meaningChanged(value.statusCode.value)
    },
    takeExternalUsed: (value) => {
      const code = qualityOf(value.statusCode.value)
      const used: unknown = value.value?.value
      external = { quality: typeof used === 'boolean' || isBad(code) ? code : QUALITY.no_data, used: used === true }
      if (controlAt >= 0) settle(controlAt)
    },
    understand: (index, next) => {
      how[index] = next
      settle(index)
    },
    isUnderstood: (index, next) => isSame(how[index], next),
    hold: (index) => {
      if (held[index] === 1) return false
      spoil(index, QUALITY.waiting_for_initial_data)
      held[index] = 1
      return true
    },
    release: (index, next, value) => {
      held[index] = 0
      how[index] = next
      receive(index, value)
      settle(index)
    },
    spoil,
    forget: (bad) => {
      external = null
      held.fill(0)
      values.fill(Number.NaN)
      quality.fill(bad)
      raw.fill(Number.NaN)
      rawQuality.fill(bad)
      // The errors stay as last heard: not hearing of them is not their going away (active_errors is bad meanwhile).
      changed = true
    },
    awaitExternalUsed: () => {
      external = { quality: QUALITY.waiting_for_initial_data, used: false }
    },
    reading: (at_ms) => {
      changed = false
      news.fill(0)
      const mode = modeAt >= 0 && !isBad(quality[modeAt] ?? QUALITY.no_data) ? values[modeAt] : undefined
      return {
        kind: 'reading',
        circuit: plan.key,
        at_ms,
        values,
        quality,
        phase: mode === undefined ? null : (PHASE_OF_MODE.get(mode) ?? null),
        errors,
      }
    },
    isChanged: () => changed,
    hasNews: (index) => news[index] === 1,
  }
}

const isSame = (one: Understood | undefined, other: Understood): boolean =>
  one?.kind === other.kind && (one.kind !== 'unit' || other.kind !== 'unit' || one.unit === other.unit)
