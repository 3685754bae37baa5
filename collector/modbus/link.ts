import type { Table } from '../../config/register-map.ts'
import type { Clock, Timer } from '../source.ts'
import { clientOver, FUNCTION, type Parsed } from './client.ts'
import { crc16, HEADER, mbapReader, rtuReader } from './frames.ts'
import type { Wire } from './wire.ts'

export interface Request {
  /** Unit identifier on the wire. */
  readonly unit: number
  readonly table: Table
  readonly address: number
  readonly count: number
}
export type Answer =
  | Parsed
  | { readonly kind: 'timeout'; readonly waited_ms: number }
  /** The connection went while waiting. */
  | { readonly kind: 'lost' }

const LOST: Answer = { kind: 'lost' }

/** Requests over one open wire. Never rejects. */
export interface Link {
  readonly read: (request: Request, wait_ms: number) => Promise<Answer>
  /** Everything that waits is answered 'lost'. */
  readonly end: () => void
}
export interface LinkEvents {
  /** Bytes came. */
  readonly onTraffic: () => void
  /** A unit answered something that nobody waits for any more: it is there. */
  readonly onLate: (unit: number) => void
  /** What comes is no Modbus: the connection must go. */
  readonly onGarbage: () => void
}

interface Waiting {
  readonly request: Request
  readonly settle: (answer: Answer) => void
}
/** A request of Modbus TCP that waits for its answer. */
interface Numbered extends Waiting {
  number: number
  readonly wait_ms: number
  readonly deadline_ms: number
}

/** The answer's form: what tells one answer from another where answers carry no number. */
const shapeOf = (code: number, bytes: number): number => code * 256 + bytes

const isBits = (table: Table): boolean => FUNCTION[table] <= 2
const bytesOf = (request: Request): number => (isBits(request.table) ? Math.ceil(request.count / 8) : request.count * 2)

/** Waits for an answer, but not for ever. */
function ask(clock: Clock, wait_ms: number, send: (settle: (answer: Answer) => void) => void): Promise<Answer> {
  return new Promise((resolve) => {
    let timer: Timer | null = null
    let open = true
    const settle = (answer: Answer): void => {
      if (!open) return
      open = false
      timer?.cancel()
      resolve(answer)
    }
    timer = clock.after(wait_ms, () => settle({ kind: 'timeout', waited_ms: Math.round(wait_ms) }))
    send(settle)
  })
}

/** Requests that may wait at the same time on one connection (Modbus TCP numbers them). */
export const MOST_WAITING = 8
/** Numbers of given-up requests that we still know, to notice a late answer. */
const REMEMBERED = 64

/** Modbus TCP: every request has a number of 16 bits, used once in 65536 requests; an answer with any other is nobody's. */
export function tcpLink(wire: Wire, clock: Clock, events: LinkEvents): Link {
  const bySlot: (Numbered | null)[] = Array.from({ length: MOST_WAITING }, () => null)
  const slotOf = new Map<number, number>()
  const givenUp = new Map<number, number>()
  let number = 0
  let ended = false
  let watch: { readonly timer: Timer; readonly due_ms: number } | null = null
  const client = clientOver((frame, slot) => {
    number = (number + 1) & 0xffff
    slotOf.set(number, slot)
    const bytes = Buffer.allocUnsafe(frame.length - 2 + HEADER)
    bytes.writeUInt16BE(number, 0)
    bytes.writeUInt16BE(0, 2)
    bytes.writeUInt16BE(frame.length - 2, 4)
    frame.copy(bytes, HEADER, 0, frame.length - 2)
    wire.write(bytes)
  })

  const reader = mbapReader((transaction, frame) => {
    const slot = slotOf.get(transaction)
    if (slot === undefined) {
      const unit = givenUp.get(transaction)
      if (unit !== undefined && givenUp.delete(transaction)) events.onLate(unit)
      return
    }
    slotOf.delete(transaction)
    const waiting = bySlot[slot]
    if (waiting === undefined || waiting === null) return
    const wrong = mismatch(waiting.request, frame, frame.length)
    if (wrong !== null) return waiting.settle({ kind: 'malformed', detail: wrong })
    const whole = Buffer.allocUnsafe(frame.length + 2)
    frame.copy(whole)
    whole.writeUInt16LE(crc16(frame, 0, frame.length), frame.length)
    client.take(slot, whole)
  })
  wire.onData((chunk) => {
    events.onTraffic()
    if (!reader(chunk)) events.onGarbage()
  })

  /** One timer for all requests, left alone while answers come in time: most answers then cost no timer at all. */
  function watchUntil(deadline_ms: number): void {
    if (watch !== null && watch.due_ms <= deadline_ms) return
    watch?.timer.cancel()
    watch = { timer: clock.after(Math.max(1, deadline_ms - clock.now_ms()), look), due_ms: deadline_ms }
  }
  function look(): void {
    watch = null
    const now_ms = clock.now_ms()
    for (const waiting of bySlot) if (waiting !== null && waiting.deadline_ms <= now_ms) giveUp(waiting)
    // Whoever was given up may have asked again just now.
    for (const waiting of bySlot) if (waiting !== null) watchUntil(waiting.deadline_ms)
  }
  function giveUp(waiting: Numbered): void {
    slotOf.delete(waiting.number)
    givenUp.set(waiting.number, waiting.request.unit)
    for (const oldest of givenUp.keys()) if (givenUp.size > REMEMBERED) givenUp.delete(oldest)
    waiting.settle({ kind: 'timeout', waited_ms: Math.round(waiting.wait_ms) })
  }

  return {
    read: (request, wait_ms) => {
      if (ended) return Promise.resolve(LOST)
      const slot = bySlot.indexOf(null)
      if (slot < 0) throw new Error(`more than ${MOST_WAITING} requests at a time on one connection`)
      return new Promise((resolve) => {
        const settle = (answer: Answer): void => {
          if (bySlot[slot] !== mine) return
          bySlot[slot] = null
          resolve(answer)
        }
        const mine: Numbered = { request, settle, number: 0, wait_ms, deadline_ms: clock.now_ms() + wait_ms }
        bySlot[slot] = mine
        client.ask(slot, request.unit, request.table, request.address, request.count, settle)
        mine.number = number
        watchUntil(mine.deadline_ms)
      })
    },
    end: () => {
      ended = true
      watch?.timer.cancel()
      for (const waiting of bySlot) waiting?.settle(LOST)
    },
  }
}

/** What is wrong with an answer, null where nothing is. `length`: of unit, function and data without checksum. */
function mismatch(request: Request, frame: Buffer, length: number): string | null {
  const code = FUNCTION[request.table]
  if (frame[0] !== request.unit) return `asked unit ${request.unit}, answered by unit ${frame[0]}`
  if (frame[1] === (code | 0x80)) return length === 3 ? null : `an exception of ${length} bytes`
  if (frame[1] !== code) return `asked with function ${code}, answered with ${frame[1]}`
  const bytes = bytesOf(request)
  return length === bytes + 3 && frame[2] === bytes ? null : `asked for ${bytes} bytes of data, got ${length - 3}`
}

interface Rest {
  readonly timer: Timer
  readonly resolve: () => void
}

interface Doubt {
  /** Forms of answers that may still come. */
  readonly shapes: Set<number>
}

/**
 * Modbus RTU, serial or through TCP: answers carry no number, so that a late answer looks like the one awaited. After a
 * time-out the unit is in doubt: it is first asked for something whose answer cannot look like the late one (fewer
 * registers); units answer in order, so once that came nothing old can follow. Where there is no such question, the line is
 * left quiet for as long as one more answer may take.
 */
export function rtuLink(wire: Wire, clock: Clock, events: LinkEvents, gap_ms: number): Link {
  const doubts = new Map<number, Doubt>()
  let waiting: Waiting | null = null
  let resting: Rest | null = null
  let ended = false
  let lastByte_ms = Number.NEGATIVE_INFINITY
  const client = clientOver((frame) => wire.write(frame))
  const reader = rtuReader((frame) => {
    const unit = frame[0] ?? 0
    const fits = waiting !== null && mismatch(waiting.request, frame, frame.length - 2) === null
    if (fits && doubts.get(unit)?.shapes.has(shapeOf(frame[1] ?? 0, frame[2] ?? 0)) !== true) client.take(0, frame)
    else events.onLate(unit)
  })
  wire.onData((chunk) => {
    lastByte_ms = clock.now_ms()
    events.onTraffic()
    reader.push(chunk)
  })
  const pause = (ms: number): Promise<void> =>
    new Promise((resolve) => {
      const timer = clock.after(ms, resolve)
      resting = { timer, resolve }
    })

  async function once(request: Request, wait_ms: number): Promise<Answer> {
    const quiet_ms = lastByte_ms + gap_ms - clock.now_ms()
    if (quiet_ms > 0) await pause(quiet_ms)
    if (ended) return LOST
    reader.clear()
    const answer = await ask(clock, wait_ms, (settle) => {
      waiting = { request, settle }
      client.ask(0, request.unit, request.table, request.address, request.count, settle)
    })
    waiting = null
    if (answer.kind !== 'timeout') return answer
    doubt(request)
    // Bytes came, but no answer among them: a disturbed line, not a silent one.
    return reader.junk() > 0 ? { kind: 'malformed', detail: `${reader.junk()} bytes came that are no answer` } : answer
  }

  function doubt(request: Request): void {
    const held = doubts.get(request.unit) ?? { shapes: new Set<number>() }
    held.shapes.add(shapeOf(FUNCTION[request.table], bytesOf(request)))
    doubts.set(request.unit, held)
  }

  /** Null: the unit is in step again and may be asked; else why not. */
  async function intoStep(request: Request, shapes: ReadonlySet<number>, wait_ms: number): Promise<Answer | null> {
    const probe = probeFor(request, shapes)
    const answer = probe === null ? null : await once(probe, wait_ms)
    if (answer?.kind === 'timeout' || answer?.kind === 'malformed' || answer?.kind === 'lost') return answer
    // An exception has one form only and may itself be the late answer; no probe at all tells nothing either.
    if (answer?.kind !== 'data') await pause(wait_ms)
    doubts.delete(request.unit)
    return null
  }

  return {
    read: async (request, wait_ms) => {
      const held = doubts.get(request.unit)
      const out = held === undefined ? null : await intoStep(request, held.shapes, wait_ms)
      return out ?? once(request, wait_ms)
    },
    end: () => {
      ended = true
      waiting?.settle(LOST)
      resting?.timer.cancel()
      resting?.resolve()
    },
  }
}

/** A smaller question at the same place whose answer has a form that no late answer has; null where there is none. */
function probeFor(request: Request, shapes: ReadonlySet<number>): Request | null {
  const step = isBits(request.table) ? 8 : 1
  for (let count = 1; count <= request.count; count += step) {
    const probe = { ...request, count }
    if (!shapes.has(shapeOf(FUNCTION[request.table], bytesOf(probe)))) return probe
  }
  return null
}
