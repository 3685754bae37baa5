import type { CircuitPlan, UnitPlan } from '../config/plan.ts'
import { PHASES, type Phase } from '../rules/phases.ts'
import { NO_ERRORS, QUALITY, type Reading } from '../rules/reading.ts'
import { isSignalName } from '../rules/signals.ts'

/**
 * A recording is CSV with a head: `time,circuit,<signal>,…`, times as Unix ms or ISO 8601 with zone, circuits as
 * `<unit>/<circuit>`, values in the units that mouldtend keeps. A cell is a number, a number with `?` behind it (uncertain),
 * the name of a bad quality (`sensor_failure`), or empty (no data). A column `phase` is optional.
 */
export interface Head {
  readonly time: number
  readonly circuit: number
  readonly phase: number
  readonly signals: readonly { readonly column: number; readonly signal: string }[]
}
export type HeadResult = { readonly kind: 'head'; readonly head: Head } | { readonly kind: 'fault'; readonly detail: string }

export function parseHead(line: string): HeadResult {
  const names = cells(line.startsWith('\uFEFF') ? line.slice(1) : line)
  if (names === null) return { kind: 'fault', detail: 'a quote in the head is not closed' }
  const unknown = names.find((name) => !['time', 'circuit', 'phase'].includes(name) && !isSignalName(name))
  if (unknown !== undefined) return { kind: 'fault', detail: `column "${unknown}" is no signal` }
  const twice = names.find((name, at) => names.indexOf(name) !== at)
  if (twice !== undefined) return { kind: 'fault', detail: `column "${twice}" stands there twice` }
  const [time, circuit, phase] = ['time', 'circuit', 'phase'].map((name) => names.indexOf(name))
  if (time === undefined || time < 0 || circuit === undefined || circuit < 0) {
    return { kind: 'fault', detail: 'the head needs the columns time and circuit, separated by commas' }
  }
  const signals = names.flatMap((signal, column) => (isSignalName(signal) ? [{ column, signal }] : []))
  return { kind: 'head', head: { time, circuit, phase: phase ?? -1, signals } }
}

export type Row =
  | { readonly kind: 'row'; readonly at_ms: number; readonly reading: Reading }
  | { readonly kind: 'fault'; readonly unit: string; readonly detail: string }

/** Makes readings out of rows. Every reading has arrays of its own: several may stand in one batch. */
export function rowParser(head: Head, units: readonly UnitPlan[]): (line: string) => Row {
  const known = new Map(units.flatMap((unit) => unit.circuits.map((circuit) => [circuit.key, placesOf(unit, circuit, head)])))
  return (line) => {
    const row = cells(line)
    if (row === null) return { kind: 'fault', unit: '', detail: 'a quote is not closed' }
    const places = known.get(row[head.circuit] ?? '')
    if (places === undefined) return { kind: 'fault', unit: '', detail: `circuit "${row[head.circuit] ?? ''}" is not in the plan` }
    const bad = (detail: string): Row => ({ kind: 'fault', unit: places.unit, detail })
    const at_ms = timeOf(row[head.time] ?? '')
    if (at_ms === null) return bad(`time "${row[head.time] ?? ''}" is neither Unix ms nor ISO 8601 with a zone`)
    const phase = phaseOf(row[head.phase] ?? '')
    if (phase === undefined) return bad(`"${row[head.phase] ?? ''}" is no phase`)
    const values = new Float64Array(places.columns.length).fill(Number.NaN)
    const quality = new Uint8Array(places.columns.length).fill(QUALITY.not_available)
    for (const [index, column] of places.columns.entries()) {
      if (column < 0) continue
      const cell = row[column]
      if (cell === undefined) return bad(`${row.length} cells, but the head has more`)
      if (!setCell(cell, index, values, quality)) return bad(`"${cell}" is neither a number nor the name of a bad quality`)
    }
    return { kind: 'row', at_ms, reading: { kind: 'reading', circuit: places.key, at_ms, values, quality, phase, errors: NO_ERRORS } }
  }
}

interface Places {
  readonly unit: string
  readonly key: string
  /** Column of each signal of the circuit; -1: not recorded. */
  readonly columns: readonly number[]
}

function placesOf(unit: UnitPlan, circuit: CircuitPlan, head: Head): Places {
  const column = (signal: string): number => head.signals.find((each) => each.signal === signal)?.column ?? -1
  return { unit: unit.id, key: circuit.key, columns: circuit.signals.map(column) }
}

const BAD = new Map<string, number>(Object.entries(QUALITY).filter(([, code]) => code > QUALITY.uncertain))
const NUMBER = /^[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?$/i

function setCell(cell: string, index: number, values: Float64Array, quality: Uint8Array): boolean {
  if (cell === '') {
    quality[index] = QUALITY.no_data
    return true
  }
  const reason = BAD.get(cell)
  if (reason !== undefined) {
    quality[index] = reason
    return true
  }
  const uncertain = cell.endsWith('?')
  const digits = uncertain ? cell.slice(0, -1) : cell
  const value = Number(digits)
  if (!NUMBER.test(digits) || !Number.isFinite(value)) return false
  values[index] = value
  quality[index] = uncertain ? QUALITY.uncertain : QUALITY.good
  return true
}

/** A local time without a zone would mean another instant on another computer, so it is refused. */
const ISO = /^\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,3})?)?(Z|[+-]\d\d:?\d\d)$/
function timeOf(cell: string): number | null {
  const at_ms = /^\d{1,15}$/.test(cell) ? Number(cell) : ISO.test(cell) ? Date.parse(cell.replace(' ', 'T')) : Number.NaN
  return Number.isFinite(at_ms) ? at_ms : null
}

const isPhase = (word: string): word is Phase => PHASES.some((phase) => phase === word)
const phaseOf = (cell: string): Phase | null | undefined => (cell === '' ? null : isPhase(cell) ? cell : undefined)

/** Cells of one line after RFC 4180, without line breaks inside quotes. Null: a quote is left open. */
export function cells(line: string): string[] | null {
  const text = line.endsWith('\r') ? line.slice(0, -1) : line
  if (!text.includes('"')) return text.split(',').map((cell) => cell.trim())
  const found: string[] = []
  let cell = ''
  let quoted = false
  for (let at = 0; at < text.length; at++) {
    const letter = text[at]
    if (letter === '"') {
      if (quoted && text[at + 1] === '"') {
        cell += '"'
        at++
      } else quoted = !quoted
    } else if (letter === ',' && !quoted) {
      found.push(cell.trim())
      cell = ''
    } else cell += letter
  }
  return quoted ? null : [...found, cell.trim()]
}
