import * as fc from 'fast-check'
import { expect, test } from 'vitest'
import { crc16, mbapReader, rtuReader } from '../../collector/modbus/frames.ts'

test('checksum of a published frame', () => {
  // MODBUS over Serial Line V1.02, appendix B gives 0x02 0x07 the CRC 0x1241, sent 41 12 (from memory);
  // 0x29B1-style check value of CRC-16/MODBUS over '123456789' is 0x4B37 (catalogue of parametrised CRC algorithms; from memory).
  expect(crc16(Buffer.from([0x02, 0x07]), 0, 2)).toBe(0x1241)
  expect(crc16(Buffer.from('123456789'), 0, 9)).toBe(0x4b37)
})

/** Cuts bytes at the given places. */
function pieces(bytes: Buffer, cuts: readonly number[]): Buffer[] {
  const at = [...new Set(cuts.map((cut) => cut % (bytes.length + 1)))].toSorted((a, b) => a - b)
  return [...at, bytes.length].map((end, index) => Buffer.from(bytes.subarray(at[index - 1] ?? 0, end)))
}
const body = fc.uint8Array({ minLength: 2, maxLength: 60 }).map((bytes) => Buffer.from(bytes))

test('Modbus TCP: however the bytes are cut, the same frames come out', () => {
  fc.assert(
    fc.property(fc.array(fc.tuple(fc.nat(65_535), body), { minLength: 1, maxLength: 5 }), fc.array(fc.nat(400)), (frames, cuts) => {
      const sent = frames.map(([id, bytes]) => [id, Buffer.concat([Buffer.from([1]), bytes])] as const)
      const stream = Buffer.concat(
        sent.map(([id, bytes]) => Buffer.concat([Buffer.from([id >> 8, id & 0xff, 0, 0, bytes.length >> 8, bytes.length & 0xff]), bytes])),
      )
      const got: (readonly [number, string])[] = []
      const push = mbapReader((id, bytes) => got.push([id, bytes.toString('hex')]))
      for (const piece of pieces(stream, cuts)) expect(push(piece)).toBe(true)
      expect(got).toEqual(sent.map(([id, bytes]) => [id, bytes.toString('hex')]))
    }),
  )
})

test.each([
  { name: 'another protocol number', bytes: [0, 1, 0, 1, 0, 3, 1, 3, 0] },
  { name: 'a length of nothing', bytes: [0, 1, 0, 0, 0, 0, 1, 3, 0] },
  { name: 'a length past the protocol', bytes: [0, 1, 0, 0, 1, 0, 1, 3, 0] },
])('Modbus TCP: $name ends the stream', ({ bytes }) => {
  const got: number[] = []
  expect(mbapReader((id) => got.push(id))(Buffer.from(bytes))).toBe(false)
  expect(got).toEqual([])
})

function rtuFrame(unit: number, code: number, data: Uint8Array): Buffer {
  const frame = Buffer.concat([Buffer.from([unit, code, data.length]), data])
  const crc = crc16(frame, 0, frame.length)
  return Buffer.concat([frame, Buffer.from([crc & 0xff, crc >> 8])])
}

test('RTU: frames are found between noise, however the bytes are cut, and noise is never held for long', () => {
  let noisy = 0
  const frame = fc.tuple(fc.integer({ min: 1, max: 247 }), fc.integer({ min: 3, max: 4 }), fc.uint8Array({ minLength: 1, maxLength: 30 }))
  const noise = fc.uint8Array({ maxLength: 8 }).map((bytes) => Buffer.from(bytes))
  fc.assert(
    fc.property(fc.array(fc.tuple(noise, frame), { minLength: 1, maxLength: 4 }), fc.array(fc.nat(300)), (parts, cuts) => {
      const sent = parts.map(([before, [unit, code, half]]) => ({ before, bytes: rtuFrame(unit, code, Buffer.concat([half, half])) }))
      const got: string[] = []
      const reader = rtuReader((bytes) => got.push(bytes.toString('hex')))
      for (const piece of pieces(Buffer.concat(sent.flatMap(({ before, bytes }) => [before, bytes])), cuts)) reader.push(piece)
      if (sent.some(({ before }) => before.length > 0)) noisy++
      // Noise can by chance be a frame with a right checksum (1 in 65536 per place); that only ever adds frames.
      expect(got.filter((each) => sent.some(({ bytes }) => bytes.toString('hex') === each))).toEqual(
        sent.map(({ bytes }) => bytes.toString('hex')),
      )
    }),
  )
  expect(noisy).toBeGreaterThan(50)
})

test('RTU: noise without end is dropped and counted', () => {
  const reader = rtuReader(() => {})
  for (let at = 0; at < 1000; at++) reader.push(Buffer.alloc(100, 0x55))
  expect(reader.junk()).toBe(100_000)
  reader.clear()
  expect(reader.junk()).toBe(0)
})
