import { performance } from 'node:perf_hooks'
import type { Clock } from './source.ts'

/** A wall clock ahead by more than this was set, not slewed. */
const STEP_MS = 1000
/** A clock that was set back is not followed at once, since our time never falls; we lose this much per second instead. */
const SLEW = 0.005

interface Hands {
  /** Unix ms UTC. */
  readonly wall_ms: () => number
  /** Steady ms from any origin. */
  readonly steady_ms: () => number
}
const HANDS: Hands = { wall_ms: () => Date.now(), steady_ms: () => performance.now() }

/**
 * The clock of the service. It runs on the steady clock of the machine and is only led back to wall time: a jump ahead of
 * over 1 s is followed at once, everything else at 5 ms per second at most, so that it never falls and no delay is cut short.
 * @param onStep told when the wall clock was set: by how many ms it differs from ours (negative: set back).
 */
export function systemClock(onStep: (by_ms: number) => void = () => {}, hands: Hands = HANDS): Clock {
  let steady = hands.steady_ms()
  let now = hands.wall_ms()
  let behind = 0 // by how much the wall clock is known to have been set back, so that one step is told once
  return {
    now_ms: () => {
      const steadyNow = hands.steady_ms()
      const passed = Math.max(0, steadyNow - steady)
      steady = steadyNow
      now += passed
      const off = hands.wall_ms() - now
      if (off > STEP_MS) {
        now += off
        behind = 0
        onStep(off)
      } else {
        if (off < behind - STEP_MS) onStep(off - behind)
        behind = Math.min(0, off)
        now += Math.max(-passed * SLEW, Math.min(passed * SLEW, off))
      }
      return Math.floor(now)
    },
    after: (delay_ms, call) => {
      const timer = setTimeout(call, Math.max(0, delay_ms))
      return { cancel: () => clearTimeout(timer) }
    },
  }
}
