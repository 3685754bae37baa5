import { createServer, type Server, type Socket } from 'node:net'
import { setTimeout as sleep } from 'node:timers/promises'
import type { Link } from './faults.ts'

export type Table = 'coil' | 'discrete_input' | 'holding_register' | 'input_register'

/** What stands behind one unit id: it can be read, and there is no way to write it. */
export interface Bank {
  readonly link: () => Link
  /** Writes `count` words at `at`, high byte first; false where one of the addresses does not exist. */
  readonly words: (table: 'holding_register' | 'input_register', address: number, count: number, into: Buffer, at: number) => boolean
  /** null where the address does not exist. */
  readonly bit: (table: 'coil' | 'discrete_input', address: number) => 0 | 1 | null
  /** Called just before an answer with these registers goes to the socket. */
  readonly sending?: (table: Table, address: number, count: number) => void
}

/** A request with a function code other than 1 to 4: somebody tried to write, or worse. */
export interface Refused {
  readonly unit: number
  readonly functionCode: number
  readonly at_ms: number
}
export interface Traffic {
  /** Requests by function code, whatever the answer. */
  readonly requests: ReadonlyMap<number, number>
  readonly refusedCount: number
  /** The first ones; `refusedCount` goes on counting. */
  readonly refused: readonly Refused[]
  readonly connections: number
}

/** Exception codes of the Modbus Application Protocol V1.1b3, section 7 (numbers from memory). */
export const EXCEPTION = { illegalFunction: 1, illegalAddress: 2, illegalValue: 3, deviceFailure: 4, gatewayNoAnswer: 11 } as const

const TABLES: Readonly<Record<number, Table>> = { 1: 'coil', 2: 'discrete_input', 3: 'holding_register', 4: 'input_register' }
const HEADER = 7
const LONGEST = 260
const MOST_BITS = 2000
const MOST_REGISTERS = 125
const MOST_REFUSED_KEPT = 1000
/** Requests of one connection that may wait for a late answer; further ones are left in the socket. */
const MOST_WAITING = 64

/** One Modbus TCP port with one or several unit ids behind it. Reads only; everything else is refused and remembered. */
export class ModbusServer {
  readonly #banks: ReadonlyMap<number, Bank>
  readonly #server: Server
  readonly #sockets = new Set<Socket>()
  readonly #requests = new Map<number, number>()
  readonly #refused: Refused[] = []
  #refusedCount = 0
  #port = 0
  #host = '127.0.0.1'
  #wanted = false
  #moving = false
  #watch: NodeJS.Timeout | null = null

  constructor(banks: ReadonlyMap<number, Bank>) {
    this.#banks = banks
    this.#server = createServer((socket) => this.#serve(socket))
  }

  get port(): number {
    return this.#port
  }

  traffic(): Traffic {
    return { requests: this.#requests, refusedCount: this.#refusedCount, refused: this.#refused, connections: this.#sockets.size }
  }

  async listen(host: string, port: number): Promise<number> {
    this.#host = host
    this.#port = port
    this.#wanted = true
    await this.#open()
    // A closed line must also end connections on which nobody asks anything just now.
    this.#watch = setInterval(() => void this.#followLink(), 100)
    this.#watch.unref()
    return this.#port
  }

  async close(): Promise<void> {
    this.#wanted = false
    if (this.#watch !== null) clearInterval(this.#watch)
    await this.#shut()
  }

  #open(): Promise<void> {
    return new Promise((resolve, reject) => {
      this.#server.once('error', reject)
      this.#server.listen({ host: this.#host, port: this.#port }, () => {
        this.#server.off('error', reject)
        const address = this.#server.address()
        if (address !== null && typeof address === 'object') this.#port = address.port
        resolve()
      })
    })
  }

  #shut(): Promise<void> {
    for (const socket of this.#sockets) socket.destroy()
    if (!this.#server.listening) return Promise.resolve()
    return new Promise((resolve) => this.#server.close(() => resolve()))
  }

  /** One unit with a closed line takes its port down, and with it whoever stands behind the same port. */
  async #followLink(): Promise<void> {
    const closed = [...this.#banks.values()].some((bank) => bank.link().state === 'closed')
    if (this.#moving || closed !== this.#server.listening || !this.#wanted) return
    this.#moving = true
    // The port may be taken for a moment by a client's own socket; the next round tries again.
    await (closed ? this.#shut() : this.#open().catch(() => undefined))
    this.#moving = false
  }

  #serve(socket: Socket): void {
    this.#sockets.add(socket)
    socket.setNoDelay(true)
    socket.on('error', () => socket.destroy())
    socket.on('close', () => this.#sockets.delete(socket))
    let rest = Buffer.alloc(0)
    let waiting = 0
    let last: Promise<void> = Promise.resolve()
    const late = (delay_ms: number, request: Buffer): void => {
      waiting += 1
      if (waiting >= MOST_WAITING) socket.pause()
      const turn = async (): Promise<void> => {
        if (delay_ms > 0) await sleep(delay_ms, undefined, { ref: false })
        this.#answer(request, socket)
        waiting -= 1
        if (waiting < MOST_WAITING) socket.resume()
      }
      last = last.then(turn)
    }
    socket.on('data', (chunk) => {
      rest = rest.length === 0 ? chunk : Buffer.concat([rest, chunk])
      while (rest.length >= HEADER) {
        const length = rest.readUInt16BE(4)
        // Another protocol, or a length that no request has: the stream can no longer be followed.
        if (rest.readUInt16BE(2) !== 0 || length < 2 || length + 6 > LONGEST) {
          socket.destroy()
          return
        }
        if (rest.length < length + 6) return
        const request = rest.subarray(0, length + 6)
        rest = rest.subarray(length + 6)
        const link = this.#banks.get(request[6] ?? 0)?.link()
        // Answers of one connection keep their order, as on a line with one device behind another.
        if (waiting > 0 || (link !== undefined && link.delay_ms > 0)) late(link?.delay_ms ?? 0, request)
        else this.#answer(request, socket)
      }
    })
  }

  #answer(request: Buffer, socket: Socket): void {
    const unit = request[6] ?? 0
    const code = request[7] ?? 0
    this.#requests.set(code, (this.#requests.get(code) ?? 0) + 1)
    const table = TABLES[code]
    if (table === undefined) {
      this.#refusedCount += 1
      if (this.#refused.length < MOST_REFUSED_KEPT) this.#refused.push({ unit, functionCode: code, at_ms: Date.now() })
    }
    const bank = this.#banks.get(unit)
    const link = bank?.link().state ?? 'gateway'
    if (link === 'silent' || socket.destroyed) return
    if (link === 'closed') socket.destroy()
    else if (bank === undefined || link === 'gateway') socket.write(exception(request, EXCEPTION.gatewayNoAnswer))
    else if (link === 'device_failure') socket.write(exception(request, EXCEPTION.deviceFailure))
    else if (table === undefined) socket.write(exception(request, EXCEPTION.illegalFunction))
    else read(request, table, bank, socket)
  }
}

function read(request: Buffer, table: Table, bank: Bank, socket: Socket): void {
  // A read request is exactly 12 bytes; a shorter one carries no count.
  const address = request.length === 12 ? request.readUInt16BE(8) : 0
  const count = request.length === 12 ? request.readUInt16BE(10) : 0
  const ofBits = table === 'coil' || table === 'discrete_input'
  if (count < 1 || count > (ofBits ? MOST_BITS : MOST_REGISTERS)) {
    socket.write(exception(request, EXCEPTION.illegalValue))
    return
  }
  const bytes = ofBits ? Math.ceil(count / 8) : count * 2
  const answer = Buffer.alloc(9 + bytes)
  head(request, answer, 3 + bytes)
  answer[8] = bytes
  const there = ofBits ? readBits(bank, table, address, count, answer) : bank.words(table, address, count, answer, 9)
  if (there) bank.sending?.(table, address, count)
  socket.write(there ? answer : exception(request, EXCEPTION.illegalAddress))
}

function readBits(bank: Bank, table: 'coil' | 'discrete_input', address: number, count: number, answer: Buffer): boolean {
  for (let i = 0; i < count; i++) {
    const bit = bank.bit(table, address + i)
    if (bit === null) return false
    const at = 9 + (i >> 3)
    answer[at] = (answer[at] ?? 0) | (bit << (i & 7))
  }
  return true
}

/** Transaction id, protocol 0, length, unit and function code of an answer. */
function head(request: Buffer, answer: Buffer, length: number): void {
  request.copy(answer, 0, 0, 4)
  answer.writeUInt16BE(length, 4)
  request.copy(answer, 6, 6, 8)
}

function exception(request: Buffer, code: number): Buffer {
  const answer = Buffer.alloc(9)
  head(request, answer, 3)
  answer[7] = ((request[7] ?? 0) | 0x80) & 0xff
  answer[8] = code
  return answer
}
