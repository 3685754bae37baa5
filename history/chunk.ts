import { crc32 } from 'node:zlib'
import type { Plan } from '../config/plan.ts'
import type { Input, Sequenced } from '../rules/input.ts'
import type { Phase } from '../rules/phases.ts'
import { NO_ERRORS, QUALITY, type Reading, type UnitError } from '../rules/reading.ts'
import { StoreError, type Chunk } from './store.ts'

/*
 * Writer and reader stand in one file, long as it is: every line of the one has its counterpart in the other.
 * Format 1, little endian. Head, 32 bytes: 'MTC', format, crc32 of everything after it, crc32 of the plan's version, count,
 * first sequence number and first time (float64). Then the entries, one per input:
 *   byte      what follows (KIND_* and HAS_*)
 *   varint    sequence number minus the one before
 *   JSON      varint length, UTF-8                                     (every input that is no reading)
 *   reading   time: zigzag varint of ms since the entry before, or float64; circuit: varint place in the plan, or its name;
 *             phase byte; errors as JSON; then per signal one byte (quality in the high nibble, form in the low) and the value.
 * A decimal number is kept as the integer that divided by 1, 10, 100 or 1000 gives it back bit for bit: tried, not believed.
 */
const FORMAT = 1
const HEAD = 32
const KIND_READING = 0
const KIND_JSON = 1
const HAS_FLOAT_TIME = 0x10
const HAS_PHASE = 0x20
const HAS_ERRORS = 0x40
/** Circuit by name and number of signals written out: a reading that does not look like the plan's circuit. */
const HAS_OWN_SHAPE = 0x80
const FORM_FLOAT = 0
const FORM_NAN = 9
/** int8 at 10 + log10(divisor), int16 at 1 + ..., int32 at 5 + ... */
const FORM_INT8 = 10
const FORM_INT16 = 1
const FORM_INT32 = 5
const DIVISORS = [1, 10, 100, 1000] as const
const FIRST_BYTES = 64 * 1024
/** 30 s of the largest hall: beyond it `add` refuses until the chunk is taken. */
const MOST_BYTES = 8 * 1024 * 1024
const LAST_QUALITY = QUALITY.no_data

/** Numbers of the format, not places in a list: a phase that is added or moved must not change what an old chunk says. */
const PHASE_CODES: Readonly<Record<Phase, number>> = {
  unknown: 0,
  powered_down: 1,
  booting: 2,
  filling: 3,
  venting: 4,
  heating: 5,
  in_tolerance: 6,
  cooling: 7,
  standby: 8,
  rinsing: 9,
  medium_exchange: 10,
  evacuating: 11,
  leak_stop: 12,
  off: 13,
  fault: 14,
}
const PHASES_BY_CODE = new Map<number, Phase>(
  // Object.entries widens the keys to string; the record above has no others.
  (Object.entries(PHASE_CODES) as [Phase, number][]).map(([phase, code]) => [code, phase]),
)

export interface ChunkWriter {
  /** Copies the input. False: full, and it was not taken; `take` and commit first. Throws on a falling sequence number or an unknown quality: bugs. */
  readonly add: (seq: number, input: Input) => boolean
  /** What was added since the last time, in a buffer of its own that may be transferred; null when nothing was. */
  readonly take: () => Chunk | null
  readonly count: () => number
  readonly bytes: () => number
}

interface Shape {
  readonly index: number
  readonly signals: number
}

export function createChunkWriter(plan: Plan, mostBytes: number = MOST_BYTES): ChunkWriter {
  const shapes = new Map<string, Shape>()
  for (const circuit of circuitsOf(plan)) shapes.set(circuit.key, { index: shapes.size, signals: circuit.signals })
  const planTag = tagOf(plan.version)
  const scratch = new DataView(new ArrayBuffer(8))
  let bytes = new Uint8Array(Math.min(FIRST_BYTES, mostBytes))
  let at = HEAD
  let count = 0
  let firstSeq = 0
  let lastSeq = -1
  let first_ms = 0
  let last_ms = 0
  let before_ms = 0

  function hasRoom(need: number): boolean {
    if (at + need <= bytes.length) return true
    if (at + need > mostBytes) {
      if (count === 0) throw new RangeError(`one input of ${need} bytes is more than a whole chunk may have (${mostBytes})`)
      return false
    }
    let length = bytes.length * 2
    while (length < at + need) length *= 2
    const grown = new Uint8Array(Math.min(length, Math.max(mostBytes, at + need)))
    grown.set(bytes.subarray(0, at))
    bytes = grown
    return true
  }
  function putVarint(from: number, value: number): number {
    let to = from
    let rest = value
    while (rest >= 0x80) {
      bytes[to++] = (rest % 0x80) | 0x80
      rest = Math.floor(rest / 0x80)
    }
    bytes[to++] = rest
    return to
  }
  function putFloat(to: number, value: number): number {
    scratch.setFloat64(0, value, true)
    for (let i = 0; i < 8; i++) bytes[to + i] = scratch.getUint8(i)
    return to + 8
  }
  function putText(to: number, text: string): number {
    // The length comes first and is known only afterwards: four bytes are kept for it.
    const { written } = ENCODER.encodeInto(text, bytes.subarray(to + 4))
    scratch.setUint32(0, written, true)
    for (let i = 0; i < 4; i++) bytes[to + i] = scratch.getUint8(i)
    return to + 4 + written
  }
  /** Writes quality and value; returns the next free place. */
  function putValue(to: number, value: number, quality: number): number {
    const high = quality << 4
    // NaN is the one number unlike itself; its payload is not kept.
    if (value !== value) {
      bytes[to] = high | FORM_NAN
      return to + 1
    }
    for (let power = 0; power < 4; power++) {
      const divisor = DIVISORS[power] ?? 1
      const whole = Math.round(value * divisor) | 0
      // Object.is and not ===: -0 has to stay -0. What does not fit 32 bits was wrapped by `| 0` and fails here too.
      if (!Object.is(whole / divisor, value)) continue
      if (whole >= -128 && whole <= 127) {
        bytes[to] = high | (FORM_INT8 + power)
        bytes[to + 1] = whole
        return to + 2
      }
      bytes[to + 1] = whole
      bytes[to + 2] = whole >> 8
      if (whole >= -32_768 && whole <= 32_767) {
        bytes[to] = high | (FORM_INT16 + power)
        return to + 3
      }
      bytes[to] = high | (FORM_INT32 + power)
      bytes[to + 3] = whole >> 16
      bytes[to + 4] = whole >> 24
      return to + 5
    }
    bytes[to] = high | FORM_FLOAT
    return putFloat(to + 1, value)
  }
  function begin(seq: number, at_ms: number): void {
    if (seq <= lastSeq || !Number.isSafeInteger(seq)) throw new RangeError(`input ${seq} after input ${lastSeq}`)
    if (count > 0) return
    firstSeq = seq
    lastSeq = seq
    first_ms = before_ms = at_ms
  }
  function end(seq: number, at_ms: number, to: number): true {
    at = to
    lastSeq = seq
    last_ms = at_ms
    count++
    return true
  }
  function addReading(seq: number, reading: Reading): boolean {
    const { values, quality, at_ms, errors, phase } = reading
    if (values.length !== quality.length) throw new RangeError(`${reading.circuit}: ${values.length} values, ${quality.length} qualities`)
    const found = shapes.get(reading.circuit)
    const shape = found !== undefined && found.signals === values.length ? found : null
    const errorText = errors.length === 0 ? '' : JSON.stringify(errors)
    const name = shape === null ? JSON.stringify(reading.circuit) : ''
    if (!hasRoom(48 + 9 * values.length + 3 * (errorText.length + name.length))) return false
    begin(seq, at_ms)
    const delta_ms = at_ms - before_ms
    const isShort = (delta_ms | 0) === delta_ms && before_ms + delta_ms === at_ms && !Object.is(at_ms, -0)
    bytes[at] =
      KIND_READING |
      (isShort ? 0 : HAS_FLOAT_TIME) |
      (phase === null ? 0 : HAS_PHASE) |
      (errorText === '' ? 0 : HAS_ERRORS) |
      (shape === null ? HAS_OWN_SHAPE : 0)
    let to = putVarint(at + 1, seq - lastSeq)
    to = isShort ? putVarint(to, delta_ms < 0 ? -2 * delta_ms - 1 : 2 * delta_ms) : putFloat(to, at_ms)
    if (shape === null) to = putVarint(putText(to, name), values.length)
    else to = putVarint(to, shape.index)
    if (phase !== null) bytes[to++] = PHASE_CODES[phase]
    if (errorText !== '') to = putText(to, errorText)
    for (let i = 0; i < values.length; i++) {
      const code = quality[i] ?? LAST_QUALITY
      if (code > LAST_QUALITY) throw new RangeError(`${reading.circuit}: ${code} is no quality code`)
      to = putValue(to, values[i] ?? Number.NaN, code)
    }
    if (Number.isFinite(at_ms)) before_ms = at_ms
    return end(seq, at_ms, to)
  }
  function addJson(seq: number, input: Input): boolean {
    const text = JSON.stringify(input)
    if (!hasRoom(32 + 3 * text.length)) return false
    begin(seq, input.at_ms)
    bytes[at] = KIND_JSON
    return end(seq, input.at_ms, putText(putVarint(at + 1, seq - lastSeq), text))
  }
  function take(): Chunk | null {
    if (count === 0) return null
    const head = new DataView(bytes.buffer)
    bytes[0] = 0x4d
    bytes[1] = 0x54
    bytes[2] = 0x43
    bytes[3] = FORMAT
    head.setUint32(8, planTag, true)
    head.setUint32(12, count, true)
    head.setFloat64(16, firstSeq, true)
    head.setFloat64(24, first_ms, true)
    head.setUint32(4, crc32(bytes.subarray(8, at)), true)
    const chunk: Chunk = { planVersion: plan.version, firstSeq, lastSeq, first_ms, last_ms, bytes: bytes.slice(0, at) }
    // A flood of long error texts must not keep megabytes for good.
    if (bytes.length > 16 * FIRST_BYTES && at < FIRST_BYTES) bytes = new Uint8Array(FIRST_BYTES)
    at = HEAD
    count = 0
    return chunk
  }
  return {
    add: (seq, input) => (input.kind === 'reading' ? addReading(seq, input) : addJson(seq, input)),
    take,
    count: () => count,
    bytes: () => at,
  }
}

/** The inputs of a chunk as they were added. Throws StoreError `corrupt` where the bytes are not what was written, or not of this plan. */
export function readChunk(bytes: Uint8Array, plan: Plan): Sequenced[] {
  const damage = findDamage(bytes)
  if (damage !== null) throw broken(damage)
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength)
  if (view.getUint32(8, true) !== tagOf(plan.version)) throw broken(`it is not of plan ${plan.version}`)
  const circuits = circuitsOf(plan)
  const inputs: Sequenced[] = []
  const count = view.getUint32(12, true)
  let seq = view.getFloat64(16, true)
  let before_ms = view.getFloat64(24, true)
  let at = HEAD

  function varint(): number {
    let value = 0
    let unit = 1
    for (;;) {
      const byte = view.getUint8(at++)
      value += (byte & 0x7f) * unit
      if (byte < 0x80) return value
      unit *= 0x80
    }
  }
  function float(): number {
    at += 8
    return view.getFloat64(at - 8, true)
  }
  function text(): string {
    const length = view.getUint32(at, true)
    at += 4 + length
    return DECODER.decode(bytes.subarray(at - length, at))
  }
  function value(form: number): number {
    if (form === FORM_FLOAT) return float()
    if (form === FORM_NAN) return Number.NaN
    if (form >= FORM_INT8) return view.getInt8(at++) / (DIVISORS[form - FORM_INT8] ?? 1)
    if (form >= FORM_INT32) {
      at += 4
      return view.getInt32(at - 4, true) / (DIVISORS[form - FORM_INT32] ?? 1)
    }
    at += 2
    return view.getInt16(at - 2, true) / (DIVISORS[form - FORM_INT16] ?? 1)
  }
  function reading(flags: number): Reading {
    let at_ms: number
    if ((flags & HAS_FLOAT_TIME) === 0) {
      const zigzag = varint()
      at_ms = before_ms + (zigzag % 2 === 0 ? zigzag / 2 : -(zigzag + 1) / 2)
    } else at_ms = float()
    if (Number.isFinite(at_ms)) before_ms = at_ms
    // The name was written by addReading with JSON.stringify, so that it comes back whatever stands in it.
    const own = (flags & HAS_OWN_SHAPE) !== 0
    const known = own ? { key: JSON.parse(text()) as string, signals: varint() } : circuits[varint()]
    if (known === undefined) throw broken('it speaks of a circuit that its plan does not have')
    const phase = (flags & HAS_PHASE) === 0 ? null : PHASES_BY_CODE.get(view.getUint8(at++))
    if (phase === undefined) throw broken('it has a phase that this version does not know')
    // Written by addReading from this very type, and the checksum holds.
    const errors = (flags & HAS_ERRORS) === 0 ? NO_ERRORS : (JSON.parse(text()) as readonly UnitError[])
    const values = new Float64Array(known.signals)
    const quality = new Uint8Array(known.signals)
    for (let i = 0; i < known.signals; i++) {
      const tag = view.getUint8(at++)
      quality[i] = tag >> 4
      values[i] = value(tag & 0x0f)
    }
    return { kind: 'reading', circuit: known.key, at_ms, values, quality, phase, errors }
  }
  for (let i = 0; i < count; i++) {
    const flags = view.getUint8(at++)
    seq += varint()
    // Written by addJson from this very type, and the checksum holds.
    inputs.push({ seq, input: (flags & 0x0f) === KIND_JSON ? (JSON.parse(text()) as Input) : reading(flags) })
  }
  return inputs
}

/** What is wrong with the bytes of a chunk, in words, or null: checks the checksum and reads no entry. */
export function findDamage(bytes: Uint8Array): string | null {
  if (bytes.length < HEAD || bytes[0] !== 0x4d || bytes[1] !== 0x54 || bytes[2] !== 0x43) return 'its beginning is missing'
  if (bytes[3] !== FORMAT) return `it is of format ${String(bytes[3])}, this version reads format ${FORMAT}`
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength)
  return crc32(bytes.subarray(8)) === view.getUint32(4, true) ? null : 'its checksum does not fit its bytes'
}

/** How many inputs a chunk has, from its head. */
export const countIn = (bytes: Uint8Array): number => new DataView(bytes.buffer, bytes.byteOffset).getUint32(12, true)

const ENCODER = new TextEncoder()
const DECODER = new TextDecoder('utf-8', { ignoreBOM: true })
const tagOf = (version: string): number => crc32(version)
const circuitsOf = (plan: Plan): { readonly key: string; readonly signals: number }[] =>
  plan.units.flatMap((unit) => unit.circuits.map((circuit) => ({ key: circuit.key, signals: circuit.signals.length })))

function broken(what: string): StoreError {
  return new StoreError({ kind: 'corrupt', detail: what }, `A chunk of stored inputs cannot be read: ${what}.`)
}
