import type { Counter } from './figures.ts'
import type { Clock, Item, Sink } from './source.ts'

/** The way to the sink. Full: nothing new is asked until it has room; the fault is counted at once and told when it can be. */
export interface SinkGate {
  readonly tell: (items: readonly Item[]) => void
  /** Asks the sink again where it was full. */
  readonly isOpen: () => boolean
  /** Nothing passes any more. */
  readonly close: () => void
}

export function sinkGate(sink: Sink, clock: Clock, counter: Counter, unit: string): SinkGate {
  let fullSince_ms: number | null = null
  let closed = false
  const offer = (items: readonly Item[]): boolean => {
    if (closed || sink(items)) return true
    if (fullSince_ms === null) {
      fullSince_ms = clock.now_ms()
      counter.fault('sink_full')
    }
    return false
  }
  return {
    tell: (items) => void offer(items),
    isOpen: () => {
      if (fullSince_ms === null) return true
      if (!sink(NOTHING)) return false
      const at_ms = fullSince_ms
      fullSince_ms = null
      return offer([{ kind: 'fault', at_ms, fault: { kind: 'sink_full', unit } }])
    },
    close: () => void (closed = true),
  }
}

/** Asks whether there is room without giving anything. */
const NOTHING: readonly Item[] = Object.freeze([])
