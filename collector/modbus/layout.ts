import type { RegisterMap } from '../../config/register-map.ts'
import { QUALITY } from '../../rules/reading.ts'
import { covers, limitsOf, packSpans, spansOf, type Block, type Span } from './blocks.ts'

/**
 * How long a register that the unit says it does not have is left alone before it is asked for again, doubling: a unit that is starting
 * up, or has its program changed, refuses what it has a moment later.
 */
const ASK_AGAIN_MS = 5_000
const ASK_AGAIN_LONGEST_MS = 600_000

/** One request of a poll with what came of it the last time. */
export interface Piece {
  readonly block: Block
  readonly spans: readonly Span[]
  quality: number
  data: Buffer
  /** Not asked again before this, since the unit did not answer it; growing. */
  silentUntil_ms: number
  silence_ms: number
  /** Polls in a row in which the unit answered, but not this. */
  silences: number
}
export interface Missing {
  readonly span: Span
  wait_ms: number
  askAgain_ms: number
}

/**
 * The requests of one unit as they stand: planned from the maps, then corrected by what the unit refuses. A refused block is
 * cut in two until the registers that the unit does not have stand alone; the rest is then planned anew around them, once.
 */
export interface Layout {
  readonly pieces: readonly Piece[]
  readonly blocks: () => readonly Block[]
  /** Cuts piece `index`; false where it is a single span already. */
  readonly cut: (index: number) => boolean
  /** Takes a single span out of the requests. */
  readonly drop: (index: number, at_ms: number) => Span | null
  /** Plans anew around what was dropped, where that is worth it; true: the pieces have changed. */
  readonly settle: () => boolean
  readonly missing: ReadonlyMap<string, Missing>
  readonly askAgainLater: (span: Span, at_ms: number) => void
  readonly foundAgain: (span: Span) => void
}

const EMPTY = Buffer.alloc(0)
export const spanKey = (span: Span): string => `${span.table} ${span.from} ${span.to}`

export function layoutOf(maps: readonly RegisterMap[]): Layout {
  const all = spansOf(maps)
  const limits = limitsOf(maps)
  const missing = new Map<string, Missing>()
  const pieces: Piece[] = []
  let dropped = false
  let settled = false
  plan()

  function plan(): void {
    const holes = [...missing.values()].map((each) => each.span)
    const wanted = all.filter((span) => !missing.has(spanKey(span)))
    const blocks = packSpans(wanted, { ...limits, holes: [...limits.holes, ...holes] })
    pieces.splice(0, pieces.length, ...blocks.map((block) => pieceOf(block, wanted)))
  }

  return {
    pieces,
    blocks: () => pieces.map((piece) => piece.block),
    cut: (index) => {
      const piece = pieces[index]
      if (piece === undefined || piece.spans.length < 2) return false
      const middle = Math.ceil(piece.spans.length / 2)
      pieces.splice(index, 1, half(piece.spans.slice(0, middle)), half(piece.spans.slice(middle)))
      return true
    },
    drop: (index, at_ms) => {
      const span = pieces[index]?.spans[0]
      if (span === undefined) return null
      pieces.splice(index, 1)
      missing.set(spanKey(span), { span, wait_ms: ASK_AGAIN_MS, askAgain_ms: at_ms + ASK_AGAIN_MS })
      dropped = true
      return span
    },
    settle: () => {
      // Once only: where a unit also refuses registers that nobody wants, in a gap, the pieces stay as the cuts left them.
      if (!dropped || settled || pieces.some((piece) => piece.quality === QUALITY.no_such_register)) return false
      dropped = false
      settled = true
      plan()
      return true
    },
    missing,
    askAgainLater: (span, at_ms) => {
      const held = missing.get(spanKey(span))
      if (held === undefined) return
      held.wait_ms = Math.min(ASK_AGAIN_LONGEST_MS, held.wait_ms * 2)
      held.askAgain_ms = at_ms + held.wait_ms
    },
    foundAgain: (span) => {
      missing.delete(spanKey(span))
      // Most often the others are back as well: the next polls ask for them, one in each.
      for (const each of missing.values()) each.askAgain_ms = 0
      settled = false
      plan()
    },
  }
}

function pieceOf(block: Block, spans: readonly Span[]): Piece {
  const inside = spans.filter((span) => covers(block, span))
  return { block, spans: inside, quality: QUALITY.waiting_for_initial_data, data: EMPTY, silentUntil_ms: 0, silence_ms: 0, silences: 0 }
}

function half(spans: readonly Span[]): Piece {
  const from = Math.min(...spans.map((span) => span.from))
  const to = Math.max(...spans.map((span) => span.to))
  return pieceOf({ table: spans[0]?.table ?? 'coil', address: from, count: to - from + 1 }, spans)
}
