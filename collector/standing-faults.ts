import type { Counter } from './figures.ts'
import type { FaultReport, ReadFault } from './source.ts'

/**
 * A fault is counted each time and told once: when it starts and when it becomes another kind. `subject` is what it stands
 * for ('unit', a register): a subject has one fault at a time.
 */
export interface StandingFaults {
  readonly happened: (subject: string, fault: ReadFault, at_ms: number) => void
  readonly over: (subject: string) => void
  /** What is to be told since the last call. */
  readonly take: () => readonly FaultReport[]
  /** What stands now, with how often it happened since it started. */
  readonly standing: () => readonly Standing[]
}
export interface Standing {
  readonly fault: ReadFault
  readonly count: number
}

const NOTHING: readonly FaultReport[] = Object.freeze([])

export function standingFaults(counter: Counter): StandingFaults {
  const standing = new Map<string, { readonly fault: ReadFault; count: number }>()
  let news: FaultReport[] = []
  return {
    happened: (subject, fault, at_ms) => {
      counter.fault(fault.kind)
      const known = standing.get(subject)
      if (known?.fault.kind === fault.kind) {
        known.count++
        return
      }
      standing.set(subject, { fault, count: 1 })
      news.push({ kind: 'fault', at_ms, fault })
    },
    over: (subject) => void (standing.size > 0 && standing.delete(subject)),
    standing: () => [...standing.values()],
    take: () => {
      if (news.length === 0) return NOTHING
      const told = news
      news = []
      return told
    },
  }
}
