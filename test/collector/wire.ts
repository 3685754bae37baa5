import { once } from 'node:events'
import { connect, createServer, type AddressInfo, type Socket } from 'node:net'
import { crc16 } from '../../collector/modbus/frames.ts'

/** A request as a recording server saw it. `id` is null for RTU. */
export interface Asked {
  readonly id: number
  readonly unit: number
  readonly code: number
  readonly address: number
  readonly count: number
}
export type Say = (bytes: Buffer) => void

/** A server of our own that can misbehave in any way. Records every byte that it ever got. */
export interface Scripted {
  readonly port: number
  readonly asked: Asked[]
  readonly received: () => Buffer
  /** What to do with each request; may say anything at any time on the socket that asked. */
  answer: (asked: Asked, say: Say, socket: Socket) => void
  readonly connections: () => number
  readonly dropAll: () => void
  readonly end: () => Promise<void>
}

export async function scripted(framing: 'tcp' | 'rtu', answer: Scripted['answer'], port = 0): Promise<Scripted> {
  const sockets = new Set<Socket>()
  const chunks: Buffer[] = []
  const length = framing === 'tcp' ? 12 : 8
  const server = createServer((socket) => {
    sockets.add(socket)
    let held = Buffer.alloc(0)
    socket.setNoDelay()
    socket.on('error', () => {})
    socket.on('close', () => sockets.delete(socket))
    socket.on('data', (chunk: Buffer) => {
      chunks.push(chunk)
      held = Buffer.concat([held, chunk])
      for (; held.length >= length; held = held.subarray(length)) {
        const pdu = framing === 'tcp' ? held.subarray(6) : held
        const asked = {
          id: framing === 'tcp' ? held.readUInt16BE(0) : 0,
          unit: pdu[0] ?? 0,
          code: pdu[1] ?? 0,
          address: pdu.readUInt16BE(2),
          count: pdu.readUInt16BE(4),
        }
        self.asked.push(asked)
        self.answer(asked, (bytes) => void (socket.destroyed || socket.write(bytes)), socket)
      }
    })
  })
  server.listen(port, '127.0.0.1')
  await once(server, 'listening')
  const self: Scripted = {
    port: (server.address() as AddressInfo).port,
    asked: [],
    received: () => Buffer.concat(chunks),
    answer,
    connections: () => sockets.size,
    dropAll: () => sockets.forEach((socket) => socket.destroy()),
    end: async () => {
      sockets.forEach((socket) => socket.destroy())
      server.close()
      if (server.listening) await once(server, 'close')
    },
  }
  return self
}

/** Bytes of registers, each 16 bits. */
export const registers = (...values: readonly number[]): Buffer => {
  const bytes = Buffer.alloc(values.length * 2)
  values.forEach((value, index) => bytes.writeUInt16BE(value & 0xffff, index * 2))
  return bytes
}

/** A good answer to `asked` with this data; `over` replaces single fields. */
export function tcpAnswer(asked: Asked, data: Buffer, over: Partial<Asked> = {}): Buffer {
  const { id, unit, code } = { ...asked, ...over }
  const head = Buffer.from([id >> 8, id & 0xff, 0, 0, 0, data.length + 3, unit, code, data.length])
  return Buffer.concat([head, data])
}
export const tcpException = (asked: Asked, code: number): Buffer =>
  Buffer.from([asked.id >> 8, asked.id & 0xff, 0, 0, 0, 3, asked.unit, asked.code | 0x80, code])

export function rtuAnswer(asked: Asked, data: Buffer, over: Partial<Asked> = {}): Buffer {
  const { unit, code } = { ...asked, ...over }
  return sealed(Buffer.concat([Buffer.from([unit, code, data.length]), data]))
}
export const rtuException = (asked: Asked, code: number): Buffer => sealed(Buffer.from([asked.unit, asked.code | 0x80, code]))

function sealed(frame: Buffer): Buffer {
  const crc = crc16(frame, 0, frame.length)
  return Buffer.concat([frame, Buffer.from([crc & 0xff, crc >> 8])])
}

/** A way through that can go silent: bytes vanish, but nothing is closed, as when a cable is pulled behind a switch. */
export interface Proxy {
  readonly port: number
  readonly silence: (on: boolean) => void
  delay_ms: number
  readonly connections: () => number
  readonly end: () => Promise<void>
}

export async function proxyTo(target: () => number): Promise<Proxy> {
  const pairs = new Set<readonly [Socket, Socket]>()
  let silent = false
  const server = createServer((near) => {
    const far = connect(target(), '127.0.0.1')
    const pair = [near, far] as const
    pairs.add(pair)
    // What was lost stays lost: a connection that lived through the silence has a torn stream, so it never speaks again.
    let torn = silent
    const pass = (to: Socket) => (chunk: Buffer) => {
      torn ||= silent
      if (torn) return
      setTimeout(() => void (torn || to.destroyed || to.write(chunk)), self.delay_ms)
    }
    near.on('data', pass(far))
    far.on('data', pass(near))
    for (const each of pair) {
      each.on('error', () => {})
      each.on('close', () => {
        pairs.delete(pair)
        near.destroy()
        far.destroy()
      })
    }
  })
  server.listen(0, '127.0.0.1')
  await once(server, 'listening')
  const self: Proxy = {
    port: (server.address() as AddressInfo).port,
    silence: (on) => (silent = on),
    delay_ms: 0,
    connections: () => pairs.size,
    end: async () => {
      pairs.forEach(([near]) => near.destroy())
      server.close()
      if (server.listening) await once(server, 'close')
    },
  }
  return self
}
