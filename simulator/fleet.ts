import { z } from 'zod'
import { done, refuse, type Commands } from './control-port.ts'
import { LINK_UP } from './faults.ts'
import { REGISTERS, TENTHS16 } from './layouts.ts'
import { ModbusServer, type Bank } from './modbus-server.ts'

/** Of the layout tenths16: main line and actual value. */
const MAIN = 1
const ACTUAL = 4
const SET_TENTHS = 800
const MOST_CHANGES = 100_000

/** A value that was asked for, and when the first answer with it left. Unix ms with fractions, from the monotonic clock. */
export interface Change {
  readonly unit: number
  readonly value: number
  readonly asked_ms: number
  readonly sent_ms: number
}
interface Pending {
  readonly value: number
  readonly asked_ms: number
}

export const now_ms = (): number => performance.timeOrigin + performance.now()

const stepBody = z.strictObject({ unit: z.number().int().min(1), value: z.number().min(-3000).max(3000) })

/**
 * Many bare units for measuring: no physics, values from a counter, registers of the layout tenths16.
 * A unit's actual value changes only when asked to.
 */
export class Fleet {
  readonly #registers: readonly Uint16Array[]
  readonly #pending = new Map<number, Pending>()
  readonly #changes: Change[] = []
  #overtaken = 0
  readonly #servers: readonly ModbusServer[]
  readonly #units: readonly (readonly number[])[]

  constructor(count: number, ports: number) {
    this.#registers = Array.from({ length: count }, () => still())
    const perPort = Math.ceil(count / ports)
    this.#units = Array.from({ length: Math.ceil(count / perPort) }, (_, port) =>
      Array.from({ length: Math.min(perPort, count - port * perPort) }, (_, i) => port * perPort + i + 1),
    )
    this.#servers = this.#units.map(
      (units) => new ModbusServer(new Map(units.map((unit, index) => [index + 1, this.#bank(unit)] as const))),
    )
  }

  async listen(
    host: string,
  ): Promise<readonly { readonly port: number; readonly units: readonly { readonly unit: number; readonly address: number }[] }[]> {
    const ports = await Promise.all(this.#servers.map((server) => server.listen(host, 0)))
    return ports.map((port, index) => ({
      port,
      units: (this.#units[index] ?? []).map((unit, at) => ({ unit, address: at + 1 })),
    }))
  }

  async close(): Promise<void> {
    await Promise.all(this.#servers.map((server) => server.close()))
  }

  #bank(unit: number): Bank {
    const registers = this.#registers[unit - 1] ?? still()
    let count = 0
    return {
      link: () => LINK_UP,
      bit: () => null,
      words: (table, address, length, into, at) => {
        if (table !== TENTHS16.table || address + length > REGISTERS) return false
        // The neighbours move, so that a poll is never a copy of the one before.
        count = (count + 1) & 0xffff
        registers[5] = 200 + (count % 5)
        registers[31] = count
        for (let i = 0; i < length; i++) into.writeUInt16BE(registers[address + i] ?? 0, at + 2 * i)
        return true
      },
      sending: (_table, address, length) => {
        const pending = this.#pending.get(unit)
        if (pending === undefined || address > ACTUAL || address + length <= ACTUAL) return
        this.#pending.delete(unit)
        if (this.#changes.length < MOST_CHANGES) this.#changes.push({ unit, ...pending, sent_ms: now_ms() })
      },
    }
  }

  commands(): Commands {
    return {
      commands: {
        step: (body) => {
          const parsed = stepBody.safeParse(body)
          const registers = parsed.success ? this.#registers[parsed.data.unit - 1] : undefined
          if (!parsed.success) return refuse('bad_command', `${z.prettifyError(parsed.error)}; nothing was done`)
          const { unit, value } = parsed.data
          if (registers === undefined) return refuse('unknown_unit', `the fleet has units 1 to ${this.#registers.length}; nothing was done`)
          registers[MAIN] = registers[ACTUAL] = Math.round(value * 10) & 0xffff
          if (this.#pending.has(unit)) this.#overtaken += 1
          const pending = { value, asked_ms: now_ms() }
          this.#pending.set(unit, pending)
          return done(pending)
        },
        forget: () => {
          const forgotten = this.#changes.splice(0).length
          return done({ forgotten })
        },
      },
      views: {
        changes: () => this.#changes,
        state: () => ({
          units: this.#registers.length,
          waiting: this.#pending.size,
          overtaken: this.#overtaken,
          kept: this.#changes.length,
          modbus: this.#servers.map((server) => {
            const traffic = server.traffic()
            return { ...traffic, port: server.port, requests: Object.fromEntries(traffic.requests) }
          }),
        }),
      },
    }
  }
}

/** A unit in tolerance at 80 degC. */
function still(): Uint16Array {
  const registers = new Uint16Array(REGISTERS)
  const values = { setValue_degC: SET_TENTHS / 10, mainLine_degC: SET_TENTHS / 10, actual_degC: SET_TENTHS / 10 }
  const nothing = { standby_degC: 56, limitation_degC: 95, switchingOff_degC: 60, tolerance_K: 3, controlPoint: 0, errors: [] }
  TENTHS16.encode(
    {
      ...values,
      ...nothing,
      returnLine_degC: 81.5,
      external_degC: Number.NaN,
      flow_l_min: 20,
      mainLine_bar: 4.6,
      returnLine_bar: 1,
      regulation_percent: -12,
      process_kW: -2,
      pumpSpeed_percent: 100,
      pumpSpeed_rpm: 2850,
      pump_kW: 0.4,
      pumpRunning: true,
      operatingMode: 2,
      hoursOfOperation_h: 4321.5,
      refills: 17,
      alarmContact: false,
    },
    0,
    registers,
  )
  return registers
}
