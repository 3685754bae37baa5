import type { CircuitPlan } from '../../config/plan.ts'
import type { ErrorBits, RegisterMap, RegisterRow, Table } from '../../config/register-map.ts'

/** One request: so many registers or bits of one table. */
export interface Block {
  readonly table: Table
  readonly address: number
  readonly count: number
}

/** What must be read in one piece: the registers of one number, or the bits of one field. Ends included. */
export interface Span {
  readonly table: Table
  readonly from: number
  readonly to: number
}

export interface Limits {
  readonly maxRegisters: number
  readonly maxBits: number
  readonly gap: number
  readonly holes: readonly Span[]
}

/** MODBUS Application Protocol V1.1b3, 6.1 to 6.4 (from memory). */
const PROTOCOL = { registers: 125, bits: 2000 }

export const isBitTable = (table: Table): boolean => table === 'coil' || table === 'discrete_input'

const WORDS = { int16: 1, uint16: 1, int32: 2, uint32: 2, float32: 2, int64: 4, uint64: 4, float64: 4 } as const

export function spanOfRow(row: RegisterRow): Span {
  return { table: row.table, from: row.address, to: row.address + rowLength(row) - 1 }
}

function rowLength(row: RegisterRow): number {
  if (row.type !== 'bit') return WORDS[row.type]
  return isBitTable(row.table) ? row.width : Math.ceil((row.bit + row.width) / 16)
}

/** Error bits in runs of 32, so that a run is exact as one number. */
export function errorRuns(errors: ErrorBits): ErrorBits[] {
  if (errors.code || errors.texts.every((text) => text.when < 32)) return [errors]
  const step = isBitTable(errors.table) ? 32 : 2
  return [...new Set(errors.texts.map((text) => Math.floor(text.when / 32)))].map((run) => ({
    ...errors,
    address: errors.address + run * step,
    texts: errors.texts.filter((text) => Math.floor(text.when / 32) === run).map((text) => ({ ...text, when: text.when - run * 32 })),
  }))
}

/** One run of error bits, or one register with a code. */
export function spanOfErrors(errors: ErrorBits): Span {
  const last = errors.code ? 0 : Math.max(0, ...errors.texts.map((text) => text.when))
  return { table: errors.table, from: errors.address, to: errors.address + (isBitTable(errors.table) ? last : Math.floor(last / 16)) }
}

/** Everything that the maps want, each span once, in the order of tables and addresses. */
export function spansOf(maps: readonly RegisterMap[]): Span[] {
  const spans = maps.flatMap((map) => [...map.rows.map(spanOfRow), ...map.errors.flatMap(errorRuns).map(spanOfErrors)])
  const seen = new Map(spans.map((span) => [`${span.table} ${span.from} ${span.to}`, span]))
  return [...seen.values()].sort((a, b) => a.table.localeCompare(b.table) || a.from - b.from || a.to - b.to)
}

/** The strictest of the maps of one unit: a request may serve several circuits. */
export function limitsOf(maps: readonly RegisterMap[]): Limits {
  return {
    maxRegisters: Math.min(PROTOCOL.registers, ...maps.map((map) => map.maxRegisters)),
    maxBits: Math.min(PROTOCOL.bits, ...maps.map((map) => map.maxBits)),
    gap: Math.min(Number.MAX_SAFE_INTEGER, ...maps.map((map) => map.gap)),
    holes: maps.flatMap((map) => map.holes),
  }
}

export const covers = (block: Block, span: Span): boolean =>
  block.table === span.table && block.address <= span.from && span.to < block.address + block.count

const touches = (a: Span, b: Span): boolean => a.table === b.table && a.from <= b.to && b.from <= a.to

/**
 * As few requests as the limits allow: from the lowest address on, each request takes in all spans that it may.
 * A span that lies in a hole, or is longer than a request may be, stands in no block: it cannot be read.
 */
export function packSpans(spans: readonly Span[], limits: Limits): Block[] {
  const blocks: Block[] = []
  let open: Span | null = null
  const close = (): void => {
    if (open !== null) blocks.push({ table: open.table, address: open.from, count: open.to - open.from + 1 })
  }
  for (const span of spans) {
    if (!allowed(span, limits)) continue
    const joined: Span | null = open === null ? null : join(open, span, limits)
    if (joined === null) close()
    open = joined ?? span
  }
  close()
  return blocks
}

function join(open: Span, next: Span, limits: Limits): Span | null {
  if (open.table !== next.table || next.from - open.to - 1 > limits.gap) return null
  const joined = { table: open.table, from: open.from, to: Math.max(open.to, next.to) }
  return allowed(joined, limits) ? joined : null
}

function allowed(span: Span, limits: Limits): boolean {
  const most = isBitTable(span.table) ? limits.maxBits : limits.maxRegisters
  return span.to - span.from + 1 <= most && !limits.holes.some((hole) => touches(span, hole))
}

/** The requests of one poll of a unit, given the maps of its circuits. */
export function planBlocks(maps: readonly RegisterMap[]): Block[] {
  return packSpans(spansOf(maps), limitsOf(maps))
}

/** How many requests one poll of a unit takes, so that `check` can show the load of a line before anything runs. */
export function requestsPerPoll(circuits: readonly CircuitPlan[]): number {
  return planBlocks(circuits.flatMap((circuit) => (circuit.registers === null ? [] : [circuit.registers]))).length
}
