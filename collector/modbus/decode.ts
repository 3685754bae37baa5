import type { CircuitPlan } from '../../config/plan.ts'
import type { ErrorBits, RegisterMap, RegisterRow } from '../../config/register-map.ts'
import type { Phase } from '../../rules/phases.ts'
import { NO_ERRORS, QUALITY, type Reading, type UnitError } from '../../rules/reading.ts'
import { signalInfo } from '../../rules/signals.ts'
import { convert, isUnitSlug } from '../../rules/units.ts'
import { covers, errorRuns, isBitTable, spanOfErrors, spanOfRow, type Block, type Span } from './blocks.ts'
import { rawReader, scaler, sentinelsOf, type RawReader } from './number.ts'

/** Answers of one poll: `data[i]` is what block `i` gave; where `quality[i]` is bad, the bytes are not looked at. */
export interface Answers {
  readonly data: readonly Buffer[]
  readonly quality: Uint8Array
}

export interface Decoder {
  /** Where each number stands, anew whenever the blocks change. */
  readonly bind: (blocks: readonly Block[]) => void
  /**
   * One reading of the circuit. Its arrays are the decoder's own and are overwritten by the next call. `uncertain`: values
   * are no better than uncertain for now.
   */
  readonly decode: (answers: Answers, at_ms: number, uncertain: boolean) => Reading
  /** A reading without one value, when there was no answer at all. */
  readonly none: (at_ms: number, reason: number) => Reading
}

/** One place of a reading. `block` -1: no request may or can read it. */
interface Step {
  readonly index: number
  readonly span: Span
  readonly raw: RawReader
  readonly sentinels: readonly number[]
  readonly isFloat: boolean
  readonly toValue: (raw: number) => number
  readonly min: number
  readonly max: number
  readonly codes: ReadonlySet<number> | null
  readonly isMode: boolean
  block: number
  at: number
}

export function decoderOf(circuit: CircuitPlan): Decoder {
  const map = circuit.registers
  const values = new Float64Array(circuit.signals.length).fill(Number.NaN)
  const quality = new Uint8Array(circuit.signals.length)
  const steps = map === null ? [] : stepsOf(circuit, map)
  const errors = map === null ? null : errorsOf(map)
  const unread = circuit.signals.flatMap((_, index) => (steps.some((step) => step.index === index) ? [] : [index]))
  const [count, severity] = errors === null ? [-1, -1] : derivedPlaces(circuit, unread)
  const phases = phasesOf(map)
  let told: readonly UnitError[] = NO_ERRORS

  function decode(answers: Answers, at_ms: number, uncertain: boolean): Reading {
    const best = uncertain ? QUALITY.uncertain : QUALITY.good
    let phase: Phase | null = null
    for (const index of unread) setBad(index, QUALITY.not_available)
    for (const step of steps) {
      const found = step.block < 0 ? QUALITY.no_such_register : (answers.quality[step.block] ?? QUALITY.no_data)
      const bytes = answers.data[step.block]
      if (found !== QUALITY.good || bytes === undefined) {
        setBad(step.index, found === QUALITY.good ? QUALITY.no_data : found)
        continue
      }
      const raw = step.raw(bytes, step.at)
      const value = step.toValue(raw)
      const bad = fault(step, raw, value)
      if (bad !== 0) {
        setBad(step.index, bad)
        continue
      }
      values[step.index] = value
      quality[step.index] = best
      if (step.isMode && phases !== null) phase = phases.get(raw) ?? null
    }
    if (errors !== null) {
      const bad = errors.read(answers)
      told = errors.active()
      derive(count, bad, told.length, best)
      derive(severity, bad, worst(told), best)
    }
    return { kind: 'reading', circuit: circuit.key, at_ms, values, quality, phase, errors: told }
  }

  function setBad(index: number, code: number): void {
    values[index] = Number.NaN
    quality[index] = code
  }

  function derive(index: number, bad: number, value: number, best: number): void {
    if (index < 0) return
    values[index] = bad === 0 ? value : Number.NaN
    quality[index] = bad === 0 ? best : bad
  }

  return {
    bind: (blocks) => {
      for (const step of steps) bindStep(step, blocks)
      errors?.bind(blocks)
    },
    decode,
    none: (at_ms, reason) => {
      values.fill(Number.NaN)
      quality.fill(reason)
      return { kind: 'reading', circuit: circuit.key, at_ms, values, quality, phase: null, errors: told }
    },
  }
}

function stepsOf(circuit: CircuitPlan, map: RegisterMap): Step[] {
  return circuit.signals.flatMap((signal, index) => {
    const row = map.rows.find((each) => each.signal === signal)
    return row === undefined ? [] : [stepOf(row, index)]
  })
}

function stepOf(row: RegisterRow, index: number): Step {
  const codes = Object.keys(row.enumeration)
  return {
    index,
    span: spanOfRow(row),
    raw: rawReader(row),
    sentinels: sentinelsOf(row),
    isFloat: row.type === 'float32' || row.type === 'float64',
    toValue: valueOf(row),
    min: row.min ?? Number.NEGATIVE_INFINITY,
    max: row.max ?? Number.POSITIVE_INFINITY,
    codes: codes.length === 0 ? null : new Set(codes.map(Number)),
    isMode: row.signal === 'operating_mode',
    block: -1,
    at: 0,
  }
}

/** Raw number to a value in the unit that we keep; NaN where the two units do not measure the same thing. */
function valueOf(row: RegisterRow): (raw: number) => number {
  if (row.inverted) return (raw) => (raw === 0 ? 1 : 0)
  const scale = scaler(row)
  const measure = signalInfo(row.signal)?.measure
  const { unit } = row
  if (measure === undefined || unit === measure || measure === 'state' || measure === 'count') return scale
  if (!isUnitSlug(unit) || convert(0, unit, measure) === null) return () => Number.NaN
  return (raw) => convert(scale(raw), unit, measure) ?? Number.NaN
}

function fault(step: Step, raw: number, value: number): number {
  if (step.sentinels.length > 0 && step.sentinels.includes(raw)) return QUALITY.not_available
  if (step.isFloat) {
    if (Number.isNaN(raw)) return QUALITY.not_available
    if (!Number.isFinite(raw)) return QUALITY.not_a_number
  } else if (!Number.isSafeInteger(raw)) return QUALITY.out_of_range
  if (Number.isNaN(value)) return QUALITY.unknown_unit
  if (!(value >= step.min && value <= step.max)) return QUALITY.out_of_range
  return step.codes !== null && !step.codes.has(raw) ? QUALITY.out_of_range : 0
}

interface Bound {
  readonly span: Span
  block: number
  at: number
}

function bindStep(step: Bound, blocks: readonly Block[]): void {
  step.block = blocks.findIndex((block) => covers(block, step.span))
  const start = blocks[step.block]?.address ?? step.span.from
  step.at = (step.span.from - start) * (isBitTable(step.span.table) ? 1 : 2)
}

function phasesOf(map: RegisterMap | null): ReadonlyMap<number, Phase> | null {
  const entries = Object.entries(map?.phases ?? {})
  return entries.length === 0 ? null : new Map(entries.map(([raw, phase]) => [Number(raw), phase]))
}

/** Places of active_errors and highest_active_severity where no register gives them: the error texts then do. */
function derivedPlaces(circuit: CircuitPlan, unread: number[]): [number, number] {
  const place = (signal: string): number => {
    const index = unread.findIndex((each) => circuit.signals[each] === signal)
    return index < 0 ? -1 : (unread.splice(index, 1)[0] ?? -1)
  }
  return [place('active_errors'), place('highest_active_severity')]
}

function worst(errors: readonly UnitError[]): number {
  let most = 0
  for (const error of errors) if (error.severity > most) most = error.severity
  return most
}

interface ErrorReader {
  readonly bind: (blocks: readonly Block[]) => void
  /** 0, or why the errors are not known this time. The last known ones then stand. */
  readonly read: (answers: Answers) => number
  /** The same frozen list while nothing changed. */
  readonly active: () => readonly UnitError[]
}

/** One register (or a run of 16 bits) with the errors that it tells. */
interface ErrorPlace extends Bound {
  readonly errors: ErrorBits
  last: number
}

function errorsOf(map: RegisterMap): ErrorReader | null {
  if (map.errors.length === 0) return null
  const places: ErrorPlace[] = map.errors
    .flatMap(errorRuns)
    .map((errors) => ({ span: spanOfErrors(errors), errors, block: -1, at: 0, last: 0 }))
  let active = NO_ERRORS
  return {
    bind: (blocks) => {
      for (const place of places) bindStep(place, blocks)
    },
    read: (answers) => {
      let bad = 0
      let changed = false
      for (const place of places) {
        const found = place.block < 0 ? QUALITY.no_such_register : (answers.quality[place.block] ?? QUALITY.no_data)
        const bytes = answers.data[place.block]
        if (found !== QUALITY.good || bytes === undefined) {
          bad = found === QUALITY.good ? QUALITY.no_data : found
          continue
        }
        const now = wordsAt(place, bytes)
        changed ||= now !== place.last
        place.last = now
      }
      if (changed) active = Object.freeze(places.flatMap(activeAt))
      return bad
    },
    active: () => active,
  }
}

/** All bits of a place as one number; a run of error bits has 32 at most. */
function wordsAt(place: ErrorPlace, bytes: Buffer): number {
  const { from, to, table } = place.span
  let value = 0
  if (isBitTable(table)) {
    for (let k = to - from; k >= 0; k--) value = value * 2 + (((bytes[(place.at + k) >> 3] ?? 0) >> ((place.at + k) & 7)) & 1)
    return value
  }
  for (let k = to - from; k >= 0; k--) value = value * 0x1_0000 + bytes.readUInt16BE(place.at + 2 * k)
  return value
}

function activeAt(place: ErrorPlace): UnitError[] {
  const { code, texts } = place.errors
  const error = (text: (typeof texts)[number]): UnitError => Object.freeze({ id: text.id, severity: text.severity, text: text.text })
  if (!code) return texts.filter((text) => Math.floor(place.last / 2 ** text.when) % 2 === 1).map(error)
  if (place.last === 0) return []
  const known = texts.find((text) => text.when === place.last)
  // A code that the profile does not name is an error all the same: never hidden for want of a text.
  return [known === undefined ? Object.freeze({ id: String(place.last), severity: 0, text: `error code ${place.last}` }) : error(known)]
}
