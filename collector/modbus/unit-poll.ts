import type { CircuitPlan, UnitPlan } from '../../config/plan.ts'
import type { RegisterMap } from '../../config/register-map.ts'
import { QUALITY } from '../../rules/reading.ts'
import type { Clock, Item, ReadFault } from '../source.ts'
import type { StandingFaults } from '../standing-faults.ts'
import { spanOfErrors, spanOfRow, errorRuns, type Block, type Span } from './blocks.ts'
import { decoderOf } from './decode.ts'
import { layoutOf, spanKey, type Piece } from './layout.ts'
import type { Answer } from './link.ts'

/** A block that the unit passes over in silence is left out for this long, doubling. */
const SILENT_BLOCK_MS = 10_000
const SILENT_BLOCK_LONGEST_MS = 600_000

/** What a poll found out about the unit. 'gone': the link went while asking. */
export type Found = 'answered' | 'silent' | 'gone'

export interface PollTerms {
  readonly ask: (block: Block) => Promise<Answer>
  /** Tries beyond the first, for a request that got no good answer. */
  readonly retries: number
  /** Whether the line is free for more than the poll itself: nobody else waits. */
  readonly spare: () => boolean
  /** Why the link went, where that is news. */
  readonly whyGone: () => ReadFault | null
}

/** One unit on a line. Every poll, and every `none`, gives one reading for each circuit. */
export interface UnitPoll {
  readonly unit: UnitPlan
  readonly poll: (terms: PollTerms) => Promise<Found>
  /** Readings without values, since the unit could not be asked. */
  readonly none: (reason: number, why: ReadFault | null) => void
}

export function unitPoll(unit: UnitPlan, faults: StandingFaults, clock: Clock, tell: (items: readonly Item[]) => void): UnitPoll {
  const maps = unit.circuits.flatMap((circuit) => (circuit.registers === null ? [] : [circuit.registers]))
  const layout = layoutOf(maps)
  const decoders = unit.circuits.map(decoderOf)
  const named = namesOf(unit.circuits)
  let data: Buffer[] = []
  let quality = new Uint8Array(0)
  let lastContact_ms = clock.now_ms()
  let bootingUntil_ms = Number.NEGATIVE_INFINITY
  let first = 0 // a block that the unit passes over must not make the whole unit look silent: begin elsewhere next time
  bind()

  function bind(): void {
    const blocks = layout.blocks()
    for (const decoder of decoders) decoder.bind(blocks)
    data = layout.pieces.map((piece) => piece.data)
    quality = new Uint8Array(layout.pieces.length)
  }

  async function poll(terms: PollTerms): Promise<Found> {
    let answered = false
    let failures = 0
    let changed = false
    let gone = false
    const start = clock.now_ms()
    for (const piece of layout.pieces) if (piece.silentUntil_ms <= start) piece.quality = QUALITY.no_communication
    const queue = inTurn()
    while (!gone && failures < (answered ? 2 : 1)) {
      const piece = queue.shift()
      if (piece === undefined) break
      if (piece.silentUntil_ms > start) continue
      let answer = await terms.ask(piece.block)
      for (let left = terms.retries; left > 0 && (answer.kind === 'timeout' || answer.kind === 'malformed'); left--) {
        answer = await terms.ask(piece.block)
      }
      switch (answer.kind) {
        case 'data':
          answered = true
          good(piece, answer.bytes)
          break
        case 'exception':
          if (isFromGateway(answer.code)) {
            failures++
            failed(piece, answered, exception(piece, answer.code))
          } else if (isRefusal(answer.code)) {
            answered = changed = true
            queue.unshift(...refused(piece, answer.code, terms.spare()))
          } else {
            answered = true
            refuse(piece, answer.code)
          }
          break
        case 'timeout':
          failures++
          failed(piece, answered, { kind: 'timeout', unit: unit.id, waited_ms: answer.waited_ms })
          break
        case 'malformed':
          failures++
          piece.quality = QUALITY.decode_error
          faults.happened(subjectOf(piece), { kind: 'malformed', unit: unit.id, detail: answer.detail }, clock.now_ms())
          break
        case 'lost':
          gone = true
          break
      }
    }
    if (gone) report(terms.whyGone())
    tellReadings(answered, changed)
    if (changed || layout.missing.size > 0) await mend(changed, answered && !gone, terms)
    return gone ? 'gone' : answered ? 'answered' : 'silent'
  }

  function inTurn(): Piece[] {
    const { pieces } = layout
    return first === 0 || first >= pieces.length ? [...pieces] : [...pieces.slice(first), ...pieces.slice(0, first)]
  }

  function report(why: ReadFault | null): void {
    if (why !== null) faults.happened('unit', why, clock.now_ms())
  }

  function tellReadings(answered: boolean, changed: boolean): void {
    if (changed) bind()
    const now = clock.now_ms()
    if (answered) contact(now)
    layout.pieces.forEach((piece, index) => {
      data[index] = piece.data
      quality[index] = piece.quality
    })
    const answers = { data, quality }
    tell([...faults.take(), ...decoders.map((decoder) => decoder.decode(answers, now, now < bootingUntil_ms))])
  }

  /** After the readings, since a new layout has no data yet. */
  async function mend(changed: boolean, idle: boolean, terms: PollTerms): Promise<void> {
    let renewed = changed && layout.settle()
    if ((idle || layout.pieces.length === 0) && layout.missing.size > 0 && terms.spare()) renewed = (await askForMissing(terms)) || renewed
    if (renewed) bind()
  }

  function good(piece: Piece, bytes: Buffer): void {
    piece.data = bytes
    piece.quality = QUALITY.good
    piece.silence_ms = 0
    piece.silences = 0
    faults.over('unit')
    faults.over(subjectOf(piece))
  }

  /** No answer: of the unit, or, where it has answered others just now, of this block alone. */
  function failed(piece: Piece, answered: boolean, why: ReadFault): void {
    const now = clock.now_ms()
    faults.happened(answered ? subjectOf(piece) : 'unit', why, now)
    if (!answered) first = layout.pieces.indexOf(piece) + 1
    else if (++piece.silences > 1) {
      // Twice in a row: it is passed over, and asking on would cost the line a time-out in every poll.
      piece.silence_ms = Math.min(SILENT_BLOCK_LONGEST_MS, piece.silence_ms === 0 ? SILENT_BLOCK_MS : piece.silence_ms * 2)
      piece.silentUntil_ms = now + piece.silence_ms
    }
  }

  function refuse(piece: Piece, code: number): void {
    piece.quality = code === 1 ? QUALITY.no_such_register : isBusy(code) ? QUALITY.not_available : QUALITY.device_failure
    faults.happened(subjectOf(piece), exception(piece, code), clock.now_ms())
  }

  /** A refused block: cut it, or drop its only span. Gives the pieces that can be asked at once. */
  function refused(piece: Piece, code: number, spare: boolean): readonly Piece[] {
    const index = layout.pieces.indexOf(piece)
    if (layout.cut(index)) {
      const halves = layout.pieces.slice(index, index + 2)
      for (const each of halves) each.quality = QUALITY.no_such_register
      return spare ? halves : []
    }
    const span = layout.drop(index, clock.now_ms())
    if (span !== null) missing(span, code)
    return []
  }

  function missing(span: Span, code: number): void {
    const { signal, line } = named.get(spanKey(span)) ?? NOBODY
    const fault: ReadFault =
      code === 2
        ? { kind: 'no_such_register', unit: unit.id, register: span.from, signal, line }
        : { kind: 'exception', unit: unit.id, code, register: span.from, line }
    faults.happened(`register ${spanKey(span)}`, fault, clock.now_ms())
  }

  async function askForMissing(terms: PollTerms): Promise<boolean> {
    const due = [...layout.missing.values()].find((each) => each.askAgain_ms <= clock.now_ms() || layout.pieces.length === 0)
    if (due === undefined) return false
    const { span } = due
    const answer = await terms.ask({ table: span.table, address: span.from, count: span.to - span.from + 1 })
    if (answer.kind === 'data') {
      faults.over(`register ${spanKey(span)}`)
      layout.foundAgain(span)
      return true
    }
    if (answer.kind === 'exception') missing(span, answer.code)
    layout.askAgainLater(span, clock.now_ms())
    return false
  }

  function contact(now: number): void {
    if (unit.booting_ms > 0 && now - lastContact_ms > unit.staleAfter_ms) bootingUntil_ms = now + unit.booting_ms
    lastContact_ms = now
  }

  function exception(piece: Piece, code: number): ReadFault {
    const { line } = (piece.spans[0] && named.get(spanKey(piece.spans[0]))) ?? NOBODY
    return { kind: 'exception', unit: unit.id, code, register: piece.block.address, line }
  }

  return {
    unit,
    poll,
    none: (reason, why) => {
      const now = clock.now_ms()
      report(why)
      tell([...faults.take(), ...decoders.map((decoder) => decoder.none(now, reason))])
    },
  }
}

const subjectOf = (piece: Piece): string => `block ${piece.block.table} ${piece.block.address}`

/** Exceptions 10 and 11: a gateway speaks, for a unit that it cannot reach. */
const isFromGateway = (code: number): boolean => code === 10 || code === 11
/** 2: no such address; 3: not so many. Either may be due to one register of many. */
const isRefusal = (code: number): boolean => code === 2 || code === 3
/** 5: accepted, later; 6: busy. */
const isBusy = (code: number): boolean => code === 5 || code === 6

interface Named {
  readonly signal: string
  readonly line: string
}
const NOBODY: Named = { signal: '?', line: '?' }

/** Which signal and which line of the profile a span stands for; the first one where several share it. */
function namesOf(circuits: readonly CircuitPlan[]): ReadonlyMap<string, Named> {
  const names = new Map<string, Named>()
  const add = (span: Span, signal: string, line: string): void => {
    if (!names.has(spanKey(span))) names.set(spanKey(span), { signal, line })
  }
  const addMap = (map: RegisterMap): void => {
    for (const row of map.rows) add(spanOfRow(row), row.signal, row.line)
    for (const errors of map.errors.flatMap(errorRuns)) add(spanOfErrors(errors), 'active_errors', errors.line)
  }
  for (const circuit of circuits) if (circuit.registers !== null) addMap(circuit.registers)
  return names
}
