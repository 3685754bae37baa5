import type { RegisterRow } from '../../config/register-map.ts'
import { isBitTable } from './blocks.ts'

/**
 * One number out of the bytes of an answer, as it stands there: before scale, offset and unit.
 * `at` counts bytes in a register block, bits in a block of coils or discrete inputs.
 */
export type RawReader = (bytes: Buffer, at: number) => number

type Word = (bytes: Buffer, at: number) => number
const highFirst: Word = (bytes, at) => bytes.readUInt16BE(at)
const lowFirst: Word = (bytes, at) => bytes.readUInt16LE(at)

const scratch = new DataView(new ArrayBuffer(8))
const TWO_32 = 0x1_0000_0000

/** The reader of a row, made once: a poll then only calls it. */
export function rawReader(row: RegisterRow): RawReader {
  const word = row.bytes === 'high_first' ? highFirst : lowFirst
  const high = row.words === 'high_first'
  // Words of the number from the most significant down, as offsets in bytes.
  const [w32a, w32b] = high ? [0, 2] : [2, 0]
  const upper = high ? 0 : 4
  const u32: Word = (bytes, at) => word(bytes, at + w32a) * 0x1_0000 + word(bytes, at + w32b)
  const upper32: Word = (bytes, at) => u32(bytes, at + upper)
  const lower32: Word = (bytes, at) => u32(bytes, at + 4 - upper)
  switch (row.type) {
    case 'uint16':
      return word
    case 'int16':
      return (bytes, at) => (word(bytes, at) << 16) >> 16
    case 'uint32':
      return u32
    case 'int32':
      return (bytes, at) => u32(bytes, at) | 0
    case 'uint64':
      return (bytes, at) => upper32(bytes, at) * TWO_32 + lower32(bytes, at)
    case 'int64':
      return (bytes, at) => (upper32(bytes, at) | 0) * TWO_32 + lower32(bytes, at)
    case 'float32':
      return (bytes, at) => {
        scratch.setUint32(0, u32(bytes, at))
        return scratch.getFloat32(0)
      }
    case 'float64':
      return (bytes, at) => {
        scratch.setUint32(0, upper32(bytes, at))
        scratch.setUint32(4, lower32(bytes, at))
        return scratch.getFloat64(0)
      }
    case 'bit':
      return isBitTable(row.table) ? packedBits(row.width) : fieldBits(row, word, u32)
  }
}

/** Bits of a coil or discrete input answer: the lowest address in the lowest bit of the first byte. */
function packedBits(width: number): RawReader {
  return (bytes, at) => {
    let value = 0
    for (let k = width - 1; k >= 0; k--) value = value * 2 + (((bytes[(at + k) >> 3] ?? 0) >> ((at + k) & 7)) & 1)
    return value
  }
}

function fieldBits(row: RegisterRow, word: Word, u32: Word): RawReader {
  const whole = row.bit + row.width > 16 ? u32 : word
  const below = 2 ** row.bit
  const size = 2 ** row.width
  return (bytes, at) => Math.floor(whole(bytes, at) / below) % size
}

/**
 * Sentinels as the reader will see them. A profile may write 0x8000 for an int16 (that is -32768) or -1 for a uint16
 * (that is 65535), and a float32 sentinel is what is left of it in 32 bits.
 */
export function sentinelsOf(row: RegisterRow): readonly number[] {
  const bits = INTEGER_BITS[row.type]
  if (bits === null) return row.notAvailable.map((value) => (row.type === 'float32' ? Math.fround(value) : value))
  const signed = row.type.startsWith('int')
  return row.notAvailable.map((value) => {
    if (signed) return value >= 2 ** (bits - 1) ? value - 2 ** bits : value
    return value < 0 ? value + 2 ** bits : value
  })
}

const INTEGER_BITS = { int16: 16, uint16: 16, int32: 32, uint32: 32, int64: 64, uint64: 64, float32: null, float64: null, bit: 16 } as const

/** Number to value: exact. Integers are scaled as integers and divided once; floats are rounded to the resolution. */
export function scaler(row: RegisterRow): (raw: number) => number {
  const { offset } = row
  const places = decimalsOf(offset)
  if (row.type === 'float32' || row.type === 'float64') {
    if (row.decimals === null) return offset === 0 ? (raw) => raw : (raw) => raw + offset
    return rounder(Math.max(row.decimals, offset === 0 ? row.decimals : places), offset)
  }
  const decimals = row.decimals ?? 0
  if (decimals === 0 && offset === 0) return (raw) => raw
  // value = raw / 10^decimals + offset, brought over one whole denominator so that there is one rounding, the last one.
  const common = Math.max(decimals, places, 0)
  const times = 10 ** (common - decimals)
  const add = Math.round(offset * 10 ** common)
  const over = 10 ** common
  return (raw) => (raw * times + add) / over
}

function rounder(decimals: number, offset: number): (raw: number) => number {
  const size = 10 ** Math.abs(decimals)
  // Past this a float has no digits behind the resolution. Adding 0 turns -0 into 0.
  return decimals >= 0
    ? (raw) => (Math.abs(raw) * size > 2 ** 52 ? raw + offset : Math.round((raw + offset) * size) / size + 0)
    : (raw) => Math.round((raw + offset) / size) * size + 0
}

/** Digits behind the point of a number as a person wrote it. */
function decimalsOf(value: number): number {
  const [digits = '', exponent = '0'] = String(value).split('e')
  return Math.max(0, (digits.split('.')[1] ?? '').length - Number(exponent))
}
