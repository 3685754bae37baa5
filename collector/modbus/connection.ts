import type { Counter } from '../figures.ts'
import type { Clock, Timer } from '../source.ts'
import { rtuLink, tcpLink, type Answer, type Link, type Request } from './link.ts'
import { dial, type Dial, type ModbusSource, type Wire } from './wire.ts'

/** First wait before dialling again; it doubles up to the longest while nobody answers. */
const FIRST_WAIT_MS = 500
const LONGEST_WAIT_MS = 10_000
/** So many unanswered requests in a row, without one byte in between, and the connection may be half open: dial anew. */
const HALF_OPEN_AFTER = 2

/**
 * Why there is no link. 'dialling': not tried to the end yet. 'silent': we hung up since nobody answered; whether that was
 * a half-open connection or a silent unit shows after dialling, so it is no news by itself.
 */
export type Down =
  | { readonly kind: 'dialling' }
  | { readonly kind: 'silent' }
  | { readonly kind: 'refused'; readonly detail: string }
  | { readonly kind: 'link_lost'; readonly detail: string }

/** One connection, kept up. */
export interface Connection {
  /** Null while the link is up. */
  readonly down: () => Down | null
  /** `expected`: an answer is to be expected, so that silence speaks against the connection. */
  readonly read: (request: Request, wait_ms: number, expected: boolean) => Promise<Answer>
  readonly close: () => Promise<void>
}
export interface ConnectionEvents {
  readonly onChange: () => void
  readonly onLate: (unit: number) => void
}

export function connection(
  settings: ModbusSource,
  clock: Clock,
  counter: Counter,
  events: ConnectionEvents,
  random: () => number,
): Connection {
  let down: Down | null = { kind: 'dialling' }
  let wire: Wire | null = null
  let link: Link | null = null
  let dialling: Dial | null = null
  let timer: Timer | null = null
  let closed = false
  let attempts = 0
  let unanswered = 0

  function start(): void {
    const attempt = dial(settings, clock)
    dialling = attempt
    void attempt.done.then((dialled) => {
      dialling = null
      if (closed) return dialled.kind === 'open' ? dialled.wire.destroy() : undefined
      if (dialled.kind === 'open') return up(dialled.wire)
      goDown({ kind: 'refused', detail: dialled.detail })
      again(waitFor(++attempts))
      return undefined
    })
  }

  function up(opened: Wire): void {
    wire = opened
    unanswered = 0
    const linkEvents = {
      onTraffic: () => (unanswered = 0),
      onLate: events.onLate,
      onGarbage: () => lose(opened, { kind: 'link_lost', detail: 'what came was no Modbus; connected anew' }),
    }
    link = settings.kind === 'modbus_tcp' ? tcpLink(opened, clock, linkEvents) : rtuLink(opened, clock, linkEvents, gapOf(settings))
    down = null
    counter.connected(true)
    opened.onEnd((detail) => lose(opened, { kind: 'link_lost', detail }))
    events.onChange()
  }

  function lose(which: Wire, why: Down): void {
    if (wire !== which || closed) return
    wire = null
    const ended = link
    link = null
    void which.destroy()
    goDown(why)
    ended?.end()
    // A connection that had served is dialled again at once: many units hang up when idle.
    again(attempts === 0 ? 0 : waitFor(attempts))
    attempts++
  }

  function goDown(why: Down): void {
    down = why
    counter.connected(false)
    events.onChange()
  }

  function again(wait_ms: number): void {
    counter.reconnect()
    timer = clock.after(wait_ms, start)
  }

  function waitFor(attempt: number): number {
    const full = Math.min(LONGEST_WAIT_MS, FIRST_WAIT_MS * 2 ** (attempt - 1))
    return full * (0.5 + random() / 2)
  }

  start()
  return {
    down: () => down,
    read: async (request, wait_ms, expected) => {
      const over = wire
      if (link === null || over === null) return { kind: 'lost' }
      const answer = await link.read(request, wait_ms)
      if (answer.kind === 'data' || answer.kind === 'exception') attempts = 0
      else if (answer.kind === 'timeout' && expected && ++unanswered >= HALF_OPEN_AFTER && settings.kind !== 'modbus_serial') {
        lose(over, { kind: 'silent' })
      }
      return answer
    },
    close: async () => {
      closed = true
      timer?.cancel()
      const attempt = dialling
      attempt?.abort()
      link?.end()
      await wire?.destroy()
      const late = await attempt?.done
      if (late?.kind === 'open') await late.wire.destroy()
      counter.connected(false)
    },
  }
}

/** Silence between frames: 3.5 characters of 11 bits, never under 1.75 ms (MODBUS over Serial Line V1.02, 2.5.1.1; from memory). */
function gapOf(settings: ModbusSource): number {
  return settings.kind === 'modbus_serial' ? Math.max(2, Math.ceil((3.5 * 11 * 1000) / settings.baud)) : 4
}
