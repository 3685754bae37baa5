/**
 * Cutting a byte stream into Modbus frames. Pure but for its own buffer: bytes may come split, joined or foreign.
 * MODBUS Messaging on TCP/IP V1.0b 3.1.3 (header), MODBUS over Serial Line V1.02 6.2.2 (checksum); both from memory.
 */

const CRC_TABLE = Uint16Array.from({ length: 256 }, (_, byte) => {
  let crc = byte
  for (let bit = 0; bit < 8; bit++) crc = crc & 1 ? (crc >> 1) ^ 0xa001 : crc >> 1
  return crc
})

/** Checksum of the bytes from `from` up to but without `to`; goes on the wire low byte first. */
export function crc16(bytes: Uint8Array, from: number, to: number): number {
  let crc = 0xffff
  for (let at = from; at < to; at++) crc = (crc >> 8) ^ (CRC_TABLE[(crc ^ (bytes[at] ?? 0)) & 0xff] ?? 0)
  return crc
}

/** Transaction number, protocol number, length of what follows. */
export const HEADER = 6
/** Longest length field: unit, function and 252 bytes more. */
const MAX_LENGTH = 254
/** Shortest answer: unit, function, one byte. */
const MIN_LENGTH = 3

/**
 * Reads Modbus TCP. `onFrame` gets the transaction number and the bytes from the unit number on (a view: valid during the
 * call). False: the stream is no Modbus TCP any more; nothing after that can be trusted and the connection must go.
 */
export function mbapReader(onFrame: (transaction: number, frame: Buffer) => void): (chunk: Buffer) => boolean {
  let rest: Buffer | null = null
  return (chunk) => {
    const bytes: Buffer = rest === null ? chunk : Buffer.concat([rest, chunk])
    let at = 0
    while (bytes.length - at >= HEADER) {
      const length = bytes.readUInt16BE(at + 4)
      if (bytes.readUInt16BE(at + 2) !== 0 || length < MIN_LENGTH || length > MAX_LENGTH) {
        rest = null
        return false
      }
      const end = at + HEADER + length
      if (end > bytes.length) break
      onFrame(bytes.readUInt16BE(at), bytes.subarray(at + HEADER, end))
      at = end
    }
    rest = at === bytes.length ? null : bytes.subarray(at)
    return true
  }
}

/** Longest frame on a serial line. */
const MAX_RTU = 256

export interface RtuReader {
  readonly push: (chunk: Buffer) => void
  /** Forgets what is half read: bytes from before a request cannot belong to its answer. */
  readonly clear: () => void
  /** Bytes since the last clear that belonged to no frame. */
  readonly junk: () => number
}

/**
 * Reads Modbus RTU without relying on silent intervals, which TCP and device servers do not keep: looks for answers to the
 * functions 1 to 4 whose checksum fits, wherever they begin. `onFrame` gets a frame with its checksum (a view).
 */
export function rtuReader(onFrame: (frame: Buffer) => void): RtuReader {
  let held: Buffer = Buffer.alloc(0)
  let junk = 0
  return {
    push: (chunk) => {
      held = held.length === 0 ? chunk : Buffer.concat([held, chunk])
      let at = 0 // everything before this is done with
      for (let start = 0; start + 5 <= held.length;) {
        const length = frameLength(held, start)
        const end = start + length
        if (length === 0 || end > held.length || crc16(held, start, end - 2) !== held.readUInt16LE(end - 2)) {
          start++
          continue
        }
        const frame = held.subarray(start, end)
        junk += start - at
        at = start = end
        onFrame(frame)
      }
      // What cannot become a frame any more is dropped, so that noise on the line never grows the buffer.
      const keep = Math.max(at, held.length - MAX_RTU)
      junk += keep - at
      held = held.subarray(keep)
    },
    clear: () => {
      held = Buffer.alloc(0)
      junk = 0
    },
    junk: () => junk + held.length,
  }
}

/** Length of the answer that begins at `start` if one does, else 0. */
function frameLength(bytes: Uint8Array, start: number): number {
  const code = bytes[start + 1] ?? 0
  if (code >= 1 && code <= 4) {
    const count = bytes[start + 2] ?? 0
    return count === 0 || count > 250 || (code > 2 && count % 2 === 1) ? 0 : count + 5
  }
  return code >= 0x81 && code <= 0x84 ? 5 : 0
}
