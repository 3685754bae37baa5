import { systemClock } from '../collector/clock.ts'
import type { Clock } from '../collector/source.ts'

export interface ServiceClock extends Clock {
  /** False while the machine's clock is behind what is already on record. */
  readonly isTrusted: () => boolean
  readonly steps: () => number
}

/**
 * The service's one clock. Where the machine's clock is earlier than the last record, ours goes on from the record at the machine's
 * steady pace, so that time never falls, and says that it is not to be trusted until the machine's has caught up.
 * @param last_ms time of the last record, null where there is none. @param onStep told when the wall clock was set, by how much.
 */
export function openClock(last_ms: number | null, onStep: (by_ms: number) => void): ServiceClock {
  let ahead_ms = 0
  let steps = 0
  const base = systemClock((by_ms) => {
    steps += 1
    const absorbed_ms = Math.min(Math.max(by_ms, 0), ahead_ms)
    ahead_ms -= absorbed_ms
    if (by_ms - absorbed_ms !== 0) onStep(by_ms - absorbed_ms)
  })
  ahead_ms = Math.max(0, (last_ms ?? 0) - base.now_ms())
  return { now_ms: () => base.now_ms() + ahead_ms, after: base.after, isTrusted: () => ahead_ms === 0, steps: () => steps }
}
