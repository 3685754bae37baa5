import { EventEmitter } from 'node:events'
import { createRequire, Module } from 'node:module'
import type modbusSerial from 'modbus-serial'
import type { Table } from '../../config/register-map.ts'

const require = createRequire(import.meta.url)

/** What a function code from 1 to 4 reads. Nothing else is ever sent: see `ReadPort.write`. */
export const FUNCTION = { coil: 1, discrete_input: 2, holding_register: 3, input_register: 4 } as const satisfies Record<Table, number>

export type Parsed =
  | { readonly kind: 'data'; readonly bytes: Buffer }
  | { readonly kind: 'exception'; readonly code: number }
  | { readonly kind: 'malformed'; readonly detail: string }

/**
 * The port that modbus-serial talks through. Its own ports take any answer for the one awaited (the RTU ones), keep noise in
 * front of an answer, and hide a lost connection; here the link does framing, numbers and time, and modbus-serial makes the
 * requests and takes the answers apart. `slot` stands for its transaction number: which of the waiting requests is meant.
 */
class ReadPort extends EventEmitter {
  isOpen = true
  _transactionIdWrite = 1
  _transactionIdRead = 1
  readonly #send: (frame: Buffer, slot: number) => void
  constructor(send: (frame: Buffer, slot: number) => void) {
    super()
    this.#send = send
  }
  open(done: () => void): void {
    done()
  }
  close(done?: () => void): void {
    this.isOpen = false
    done?.()
  }
  /** The last gate before the wire: only a read passes. */
  write(frame: Buffer): void {
    const code = frame[1] ?? 0
    if (code < 1 || code > 4) throw new Error(`function code ${code} is no read; this program never writes to a unit`)
    this.#send(frame, this._transactionIdWrite)
  }
}

export interface Client {
  /** Makes the request and hands its bytes (with checksum) to `send`, at once. */
  readonly ask: (slot: number, unit: number, table: Table, address: number, count: number, done: (parsed: Parsed) => void) => void
  /** An answer (with checksum) to what was asked in `slot`. */
  readonly take: (slot: number, frame: Buffer) => void
}

export function clientOver(send: (frame: Buffer, slot: number) => void): Client {
  const port = new ReadPort(send)
  const modbus = new (library())(port)
  modbus.open()
  return {
    ask: (slot, unit, table, address, count, done) => {
      port._transactionIdWrite = slot
      const next = (error: NodeJS.ErrnoException | null, result?: { readonly buffer: Buffer }): void => {
        if (error === null && result !== undefined) done({ kind: 'data', bytes: result.buffer })
        else done(parsedError(error))
      }
      switch (table) {
        case 'coil':
          return modbus.writeFC1(unit, address, count, next)
        case 'discrete_input':
          return modbus.writeFC2(unit, address, count, next)
        case 'holding_register':
          return modbus.writeFC3(unit, address, count, next)
        case 'input_register':
          return modbus.writeFC4(unit, address, count, next)
      }
    },
    take: (slot, frame) => {
      port._transactionIdRead = slot
      port.emit('data', frame)
    },
  }
}

function parsedError(error: Error | null): Parsed {
  if (error !== null && 'modbusCode' in error && typeof error.modbusCode === 'number') return { kind: 'exception', code: error.modbusCode }
  return { kind: 'malformed', detail: error?.message ?? 'an answer without data' }
}

type Library = typeof modbusSerial.default
let loaded: Library | null = null

/**
 * Loads modbus-serial without its serial ports: those would load the native add-on of `serialport` into every service, also
 * where no serial line is configured. An empty module stands in for each of the two files that ask for it.
 */
function library(): Library {
  if (loaded !== null) return loaded
  for (const file of ['modbus-serial/ports/rtubufferedport.js', 'modbus-serial/servers/serverserial.js']) {
    const path = require.resolve(file)
    if (require.cache[path] !== undefined) continue
    const empty = new Module(path)
    empty.loaded = true
    require.cache[path] = empty
  }
  // Cast: require() has no types; the package's own declarations say what it gives.
  const found = require('modbus-serial') as { readonly default: Library }
  loaded = found.default
  return loaded
}
