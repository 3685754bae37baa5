import type { AlertFault } from '../alerts/fault.ts'
import type { Clock, ReadFault, Timer } from '../collector/source.ts'
import type { Standing } from '../collector/standing-faults.ts'
import type { Log } from './log.ts'

/** A connection that lasted this long is a good one: what it did not bring up again is over. */
const LASTING_MS = 5_000
/** How often the adapters' standing faults are looked at: an end is logged at most this late. */
const LOOK_MS = 1_000
/** Faults told apart; some of their keys come from outside (client names). Beyond it all others share one line. */
const MOST = 10_000
const OTHERS = 'others'

export type Facts = Readonly<Record<string, string | number>>
export interface StandingLog {
  /** The first time the text is logged at once; while the fault stands, further ones (`times` of them) are only counted. */
  readonly fault: (key: string, text: string, facts: Facts, times?: number) => void
  /** Like `fault`, for what nothing tells the end of: it is over when it did not happen for a whole period. */
  readonly passing: (key: string, text: string, facts: Facts) => void
  /** Logs the end, with how long it stood and how often it happened. Nothing where nothing stands. */
  readonly over: (key: string, text: string) => void
  readonly keys: () => readonly string[]
  /** Ends the counting; nothing more is logged of what stands. */
  readonly close: () => void
}

interface Entry {
  readonly text: string
  readonly facts: Facts
  readonly since_ms: number
  readonly isPassing: boolean
  count: number
  told: number
  timer: Timer
}

/** A fault that stands gives one line at its start, one at its end, and one every `every_ms` with the count between. */
export function standingLog(settings: { readonly log: Log; readonly clock: Clock; readonly every_ms?: number }): StandingLog {
  const { log, clock, every_ms = 600_000 } = settings
  const entries = new Map<string, Entry>()

  function happened(key: string, text: string, facts: Facts, times: number, isPassing: boolean): void {
    const known = entries.get(key)
    if (known !== undefined) {
      known.count += times
      return
    }
    if (entries.size >= MOST && key !== OTHERS) {
      return happened(
        OTHERS,
        `More than ${MOST} different faults stand; further ones are only counted. Mend those above first.`,
        {},
        times,
        true,
      )
    }
    log.warn(facts, text)
    const timer = clock.after(every_ms, () => period(key))
    entries.set(key, { text, facts, since_ms: clock.now_ms(), isPassing, count: times, told: times, timer })
  }
  function period(key: string): void {
    const entry = entries.get(key)
    if (entry === undefined) return
    const more = entry.count - entry.told
    if (more === 0 && entry.isPassing) return over(key, `Not again for ${duration(every_ms)}: ${entry.text}`)
    const stood_s = seconds(entry)
    log.warn(
      { ...entry.facts, times: entry.count, more, stood_s },
      `Stands for ${duration(stood_s * 1000)}, ${more} times more: ${entry.text}`,
    )
    entry.told = entry.count
    entry.timer = clock.after(every_ms, () => period(key))
  }
  function over(key: string, text: string): void {
    const entry = entries.get(key)
    if (entry === undefined) return
    entry.timer.cancel()
    entries.delete(key)
    const stood_s = seconds(entry)
    log.info(
      { ...entry.facts, times: entry.count, stood_s },
      `${text} (It stood for ${duration(stood_s * 1000)}; counted: ${entry.count}.)`,
    )
  }
  const seconds = (entry: Entry): number => Math.round((clock.now_ms() - entry.since_ms) / 1000)

  return {
    fault: (key, text, facts, times = 1) => happened(key, text, facts, times, false),
    passing: (key, text, facts) => happened(key, text, facts, 1, true),
    over,
    keys: () => [...entries.keys()],
    close: () => {
      for (const { timer } of entries.values()) timer.cancel()
      entries.clear()
    },
  }
}

/** The adapters' faults. They count each occurrence themselves and report the start alone, so that the sink is not flooded. */
export function adapterFaults(settings: { readonly log: Log; readonly clock: Clock; readonly standing: () => readonly Standing[] }): {
  readonly started: (fault: ReadFault, text: string) => void
  readonly close: () => void
} {
  const { log, clock, standing } = settings
  const faults = standingLog({ log, clock })
  const shown = new Map<string, { readonly fault: ReadFault; readonly text: string; counted: number }>()
  let timer = clock.after(LOOK_MS, look)

  function counts(): Map<string, number> {
    const all = new Map<string, number>()
    for (const { fault, count } of standing()) all.set(keyOf(fault), (all.get(keyOf(fault)) ?? 0) + count)
    return all
  }
  function look(): void {
    if (shown.size > 0) follow(counts())
    timer = clock.after(LOOK_MS, look)
  }
  function follow(now: ReadonlyMap<string, number>): void {
    for (const [key, one] of shown) {
      const count = now.get(key)
      if (count === undefined) {
        shown.delete(key)
        faults.over(key, `${one.fault.unit}: ${one.fault.kind} is over.`)
        continue
      }
      // A source opened anew counts anew.
      if (count > one.counted) faults.fault(key, one.text, factsOf(one.fault), count - one.counted)
      one.counted = count
    }
  }
  return {
    started: (fault, text) => {
      const key = keyOf(fault)
      if (shown.has(key)) return
      // Nothing that stands (a row of a recording, a full sink), or over already: told as it came.
      if (!standing().some((one) => one.fault.unit === fault.unit && keyOf(one.fault) === key)) return log.warn(factsOf(fault), text)
      shown.set(key, { fault, text, counted: 1 })
      faults.fault(key, text, factsOf(fault))
    },
    close: () => {
      timer.cancel()
      faults.close()
    },
  }
}

/** The alert channels' faults: those of a connection end with a connection that lasts and does not bring them up again. */
export function alertFaults(settings: { readonly log: Log; readonly clock: Clock; readonly explain: (fault: AlertFault) => string }): {
  readonly happened: (fault: AlertFault) => void
  readonly connected: () => void
  readonly close: () => void
} {
  const { log, clock, explain } = settings
  const faults = standingLog({ log, clock })
  const ending = new Map<string, AlertFault['kind']>()
  const ofConnection = new Map<string, AlertFault['kind']>()
  let timer: Timer | null = null

  function settle(): void {
    for (const [key, kind] of ending) {
      ofConnection.delete(key)
      faults.over(key, `The MQTT broker is connected: ${kind} is over.`)
    }
    ending.clear()
  }
  return {
    happened: (fault) => {
      const facts = { fault: fault.kind }
      const text = explain(fault)
      switch (fault.kind) {
        case 'subscriber_slow':
        case 'publish_denied':
          return faults.passing(`${fault.kind} ${fault.client}`, text, facts)
        case 'subscribe_refused':
        case 'retained_refused':
          // The connection stands: only this one topic is not over with it.
          ofConnection.set(`${fault.kind} ${fault.topic}`, fault.kind)
          ending.delete(`${fault.kind} ${fault.topic}`)
          return faults.fault(`${fault.kind} ${fault.topic}`, text, facts)
        case 'broker_unreachable':
        case 'broker_refused':
        case 'broker_lost':
        case 'broker_silent':
        case 'client_id_taken':
          // No connection, or one that did not last.
          timer?.cancel()
          ending.clear()
          ofConnection.set(fault.kind, fault.kind)
          return faults.fault(fault.kind, text, facts)
      }
    },
    connected: () => {
      timer?.cancel()
      for (const [key, kind] of ofConnection) ending.set(key, kind)
      timer = clock.after(LASTING_MS, settle)
    },
    close: () => {
      timer?.cancel()
      faults.close()
    },
  }
}

const factsOf = (fault: ReadFault): Facts => ({ unit: fault.unit, fault: fault.kind })

/** What one line stands for: a unit's kind of fault, each register or node on its own. */
function keyOf(fault: ReadFault): string {
  const place = 'register' in fault ? ` ${fault.register}` : 'node' in fault ? ` ${fault.node}` : ''
  // Another exception is another fault, even where it follows at once.
  const code = fault.kind === 'exception' ? ` ${fault.code}` : ''
  return `${fault.unit} ${fault.kind}${place}${code}`
}

function duration(ms: number): string {
  const s = Math.round(ms / 1000)
  if (s < 120) return `${s} s`
  return s < 7200 ? `${Math.round(s / 60)} min` : `${Math.round(s / 3600)} h`
}
