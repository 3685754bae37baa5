import { connect, type Socket } from 'node:net'

/** A client of a few lines, so that the tests see bytes and share nothing with the server. */
export class RawModbus {
  readonly socket: Socket
  #bytes = Buffer.alloc(0)
  #wake: (() => void) | null = null
  closed = false

  private constructor(socket: Socket) {
    this.socket = socket
    socket.on('data', (chunk) => {
      this.#bytes = Buffer.concat([this.#bytes, chunk])
      this.#wake?.()
    })
    socket.on('error', () => undefined)
    socket.on('close', () => {
      this.closed = true
      this.#wake?.()
    })
  }

  static async open(port: number): Promise<RawModbus> {
    const socket = connect({ host: '127.0.0.1', port })
    await new Promise<void>((resolve, reject) => socket.once('connect', resolve).once('error', reject))
    return new RawModbus(socket)
  }

  send(hex: string): void {
    this.socket.write(Buffer.from(hex.replaceAll(' ', ''), 'hex'))
  }

  /** The next whole answer as hex, or 'closed'. */
  async answer(): Promise<string> {
    for (;;) {
      const whole = this.#bytes.length >= 6 ? this.#bytes.readUInt16BE(4) + 6 : Number.POSITIVE_INFINITY
      if (this.#bytes.length >= whole) {
        const frame = this.#bytes.subarray(0, whole)
        this.#bytes = this.#bytes.subarray(whole)
        return frame.toString('hex')
      }
      if (this.closed) return 'closed'
      await new Promise<void>((resolve) => {
        this.#wake = resolve
      })
    }
  }

  async ask(hex: string): Promise<string> {
    this.send(hex)
    return this.answer()
  }

  /** Words of one read; throws on an exception answer. */
  async read(unit: number, code: 3 | 4, address: number, count: number): Promise<number[]> {
    const request = Buffer.alloc(12)
    request.writeUInt16BE(7, 0)
    request.writeUInt16BE(6, 4)
    request[6] = unit
    request[7] = code
    request.writeUInt16BE(address, 8)
    request.writeUInt16BE(count, 10)
    const answer = await this.ask(request.toString('hex'))
    if (answer.length !== (9 + 2 * count) * 2) throw new Error(`no registers: ${answer}`)
    const bytes = Buffer.from(answer, 'hex')
    return Array.from({ length: count }, (_, i) => bytes.readUInt16BE(9 + 2 * i))
  }

  close(): void {
    this.socket.destroy()
  }
}

export const signed = (word: number | undefined): number => ((word ?? 0) << 16) >> 16
