import { connect, type Socket } from 'node:net'
import type { SerialPort } from 'serialport'
import type { SourcePlan } from '../../config/plan.ts'
import type { Clock } from '../source.ts'

export type ModbusSource = Extract<SourcePlan, { readonly kind: 'modbus_tcp' | 'modbus_rtu_over_tcp' | 'modbus_serial' }>

/** An open line of bytes. */
export interface Wire {
  readonly write: (bytes: Buffer) => void
  /** Resolves once the socket or device is released. */
  readonly destroy: () => Promise<void>
  readonly onData: (listener: (chunk: Buffer) => void) => void
  /** At most once; at once where it has ended already. */
  readonly onEnd: (listener: (detail: string) => void) => void
}
export type Dialled = { readonly kind: 'open'; readonly wire: Wire } | { readonly kind: 'refused'; readonly detail: string }
/** `abort` ends the attempt; `done` then never says 'open'. */
export interface Dial {
  readonly done: Promise<Dialled>
  readonly abort: () => void
}

/** Where a source is, for people. */
export const addressOf = (settings: ModbusSource): string =>
  settings.kind === 'modbus_serial' ? settings.device : `${settings.host}:${settings.port}`

export const dial = (settings: ModbusSource, clock: Clock): Dial =>
  settings.kind === 'modbus_serial' ? dialSerial(settings) : dialTcp(settings, clock)

/** What we use of a socket and of a serial port alike. */
interface Stream {
  readonly write: (bytes: Buffer) => unknown
  on(event: 'data', listener: (chunk: Buffer) => void): unknown
  on(event: 'error', listener: (error: Error) => void): unknown
  on(event: 'close' | 'end', listener: () => void): unknown
}

/** An error after the wire is open ends it; one that nobody listens for would end the process. */
function wireOver(stream: Stream, release: () => Promise<void>): Wire {
  let end: string | null = null
  let released: Promise<void> | null = null
  const destroy = (): Promise<void> => (released ??= release())
  let tell: ((detail: string) => void) | null = null
  const ended = (detail: string): void => {
    if (end !== null) return
    end = detail
    void destroy()
    tell?.(detail)
  }
  stream.on('error', (error) => ended(error.message))
  stream.on('end', () => ended('the other side closed the connection'))
  stream.on('close', () => ended('closed'))
  return {
    write: (bytes) => {
      if (end === null) stream.write(bytes)
    },
    destroy,
    onData: (listener) => void stream.on('data', listener),
    onEnd: (listener) => {
      tell = listener
      if (end !== null) listener(end)
    },
  }
}

function releaseSocket(socket: Socket): Promise<void> {
  return new Promise((resolve) => {
    if (socket.closed) return resolve()
    socket.once('close', () => resolve())
    socket.destroy()
  })
}

/** Destroying a serial port's stream leaves the device open: only `close` gives it back. */
function releasePort(port: SerialPort): Promise<void> {
  return new Promise((resolve) => {
    if (!port.isOpen) return resolve()
    port.close(() => resolve())
  })
}

/** A connection attempt may take longer than an answer: the first packets of a sleeping switch or gateway get lost. */
const LEAST_CONNECT_MS = 3000

function dialTcp(settings: Extract<ModbusSource, { readonly host: string }>, clock: Clock): Dial {
  const socket = connect({ host: settings.host, port: settings.port, noDelay: true, keepAlive: true, keepAliveInitialDelay: 10_000 })
  const wait_ms = Math.max(LEAST_CONNECT_MS, settings.timeout_ms)
  let refuse: (detail: string) => void = () => {}
  const done = new Promise<Dialled>((resolve) => {
    const timer = clock.after(wait_ms, () => refuse(`no connection within ${wait_ms} ms`))
    refuse = (detail) => {
      timer.cancel()
      socket.destroy()
      resolve({ kind: 'refused', detail })
    }
    const fail = (error: Error): void => refuse(error.message === '' ? error.name : error.message)
    socket.once('error', fail)
    socket.once('connect', () => {
      timer.cancel()
      const wire = wireOver(socket, () => releaseSocket(socket))
      socket.off('error', fail)
      resolve({ kind: 'open', wire })
    })
  })
  return { done, abort: () => refuse('given up') }
}

function dialSerial(settings: Extract<ModbusSource, { readonly kind: 'modbus_serial' }>): Dial {
  let aborted = false
  return {
    done: openSerial(settings).then((dialled) => {
      if (!aborted || dialled.kind === 'refused') return dialled
      void dialled.wire.destroy()
      return { kind: 'refused', detail: 'given up' }
    }),
    abort: () => (aborted = true),
  }
}

async function openSerial(settings: Extract<ModbusSource, { readonly kind: 'modbus_serial' }>): Promise<Dialled> {
  const { device, baud, dataBits, parity, stopBits } = settings
  // Loaded only here: the package is optional and brings a native add-on.
  const found = await import('serialport').catch((error: unknown) => String(error))
  if (typeof found === 'string') {
    return { kind: 'refused', detail: `serial lines need the package serialport, which could not be loaded: ${found}` }
  }
  return new Promise((resolve) => {
    const port = new found.SerialPort({ path: device, baudRate: baud, dataBits, parity, stopBits, autoOpen: false })
    port.open((error) => {
      if (error === null) resolve({ kind: 'open', wire: wireOver(port, () => releasePort(port)) })
      else resolve({ kind: 'refused', detail: error.message })
    })
  })
}
