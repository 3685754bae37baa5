import { randomUUID } from 'node:crypto'
import type { Clock, Sink, Timer } from '../collector/source.ts'

/** Canaries on their way that are waited for. */
export const MOST_AWAY = 10

export interface Canary {
  readonly start: () => void
  readonly arrived: (id: string, at_ms: number) => void
  readonly away: () => number
  readonly facts: () => { readonly age_ms: number; readonly roundTrip_ms: number | null }
  readonly close: () => void
}

/** Sends one message the whole way of an alarm at intervals (sink, engine, journal, outbox, broker) and knows when the last one came back. */
export function openCanary(settings: { readonly clock: Clock; readonly every_ms: number; readonly sink: Sink }): Canary {
  const { clock, every_ms, sink } = settings
  let last_ms = clock.now_ms()
  let roundTrip_ms: number | null = null
  const away = new Map<string, number>()
  let timer: Timer | null = null
  const fly = (): void => {
    const id = `canary:${randomUUID()}`
    away.set(id, clock.now_ms())
    // Those that never came back are forgotten: their age tells.
    for (const old of away.keys()) if (away.size > MOST_AWAY) away.delete(old)
    timer = clock.after(every_ms, fly)
    sink([{ kind: 'canary', id, at_ms: clock.now_ms() }])
  }
  return {
    start: fly,
    arrived: (id, at_ms) => {
      const sent_ms = away.get(id)
      if (sent_ms === undefined) return
      away.delete(id)
      last_ms = at_ms
      roundTrip_ms = at_ms - sent_ms
    },
    away: () => away.size,
    facts: () => ({ age_ms: Math.max(0, clock.now_ms() - last_ms), roundTrip_ms }),
    close: () => timer?.cancel(),
  }
}
