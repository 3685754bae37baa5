import type { Phase } from './phases.ts'

/** What a phase is derived from; NaN where it is not known. */
export interface PhaseFacts {
  readonly actual_degC: number
  readonly set_degC: number
  readonly plus_K: number
  readonly minus_K: number
  /** 1 runs, 0 does not. */
  readonly pumpRunning: number
  readonly flow_l_min: number
  readonly pumpSpeed_percent: number
  readonly regulation_percent: number
  readonly refilling: number
}

/** Below this a flow meter or a pump shows nothing. Common practice, no source. */
const STILL = 0.5
/** In tolerance again only a quarter of the tolerance inside, so that noise at the edge does not flutter. Common practice, no source. */
const INSIDE = 0.75

/**
 * What a circuit is doing where its unit does not say. A unit that says is believed.
 * Off needs a witness: a pump contact, or pump speed, or flow at zero while nothing regulates. @param last the phase before.
 */
export function derivePhase(facts: PhaseFacts, last: Phase): Phase {
  if (isOff(facts)) return 'off'
  if (facts.refilling === 1) return 'filling'
  const deviation_K = facts.actual_degC - facts.set_degC
  if (Number.isNaN(deviation_K)) return 'unknown'
  const width = last === 'in_tolerance' ? 1 : INSIDE
  if (deviation_K > facts.plus_K * width) return 'cooling'
  if (deviation_K < -facts.minus_K * width) return 'heating'
  return 'in_tolerance'
}

function isOff(facts: PhaseFacts): boolean {
  if (!Number.isNaN(facts.pumpRunning)) return facts.pumpRunning === 0
  const regulates = Math.abs(facts.regulation_percent) >= STILL
  if (!Number.isNaN(facts.pumpSpeed_percent)) return facts.pumpSpeed_percent < STILL && !regulates
  return facts.flow_l_min < STILL && Math.abs(facts.regulation_percent) < STILL
}

/** Phases in which a circuit is at its work, so that an armed rule judges it. A unit that says 'cooling' is on its way to off. */
export function isRunning(phase: Phase, derived: boolean): boolean {
  switch (phase) {
    case 'heating':
    case 'in_tolerance':
    case 'leak_stop':
    case 'fault':
      return true
    case 'cooling':
      return derived
    case 'unknown':
    case 'powered_down':
    case 'booting':
    case 'filling':
    case 'venting':
    case 'standby':
    case 'rinsing':
    case 'medium_exchange':
    case 'evacuating':
    case 'off':
      return false
  }
}

/** Nothing can be concluded from these about running or not: what was before stays. */
export const saysNothing = (phase: Phase): boolean => phase === 'unknown' || phase === 'booting'

export const isOffPhase = (phase: Phase): boolean => phase === 'off' || phase === 'powered_down'
