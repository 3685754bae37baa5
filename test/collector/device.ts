import { spawn } from 'node:child_process'
import { once } from 'node:events'
import { createInterface } from 'node:readline'
import type { Table } from '../../config/register-map.ts'

/** What to put into the registers of the independent device; it encodes the value itself. */
export interface Put {
  readonly unit: number
  readonly table: Table
  readonly address: number
  readonly type: string
  /** null: NaN. */
  readonly value: number | boolean | null
  readonly words?: 'low_first'
}

export interface Device {
  readonly put: (...rows: readonly Put[]) => Promise<void>
  readonly serve: (how: {
    readonly kind: 'tcp' | 'rtu_over_tcp' | 'serial'
    readonly port?: number
    readonly device?: string
  }) => Promise<number>
  readonly stop: () => Promise<void>
  readonly end: () => Promise<void>
}

/** A device in its own process, made of pymodbus. */
export function device(python: string): Device {
  const process = spawn(python, [new URL('device.py', import.meta.url).pathname], { stdio: ['pipe', 'pipe', 'inherit'] })
  const lines = createInterface({ input: process.stdout })[Symbol.asyncIterator]()
  const ask = async (rows: readonly object[]): Promise<{ port?: number }> => {
    process.stdin.write(`${JSON.stringify(rows)}\n`)
    const line = await lines.next()
    if (line.done === true) throw new Error('the device ended')
    return JSON.parse(line.value) as { port?: number }
  }
  return {
    put: async (...rows) => void (await ask(rows.map((row) => ({ do: 'put', ...row })))),
    serve: async (how) => (await ask([{ do: 'serve', ...how }])).port ?? 0,
    stop: async () => void (await ask([{ do: 'stop' }])),
    end: async () => {
      process.stdin.end()
      process.kill()
      if (process.exitCode === null && process.signalCode === null) await once(process, 'exit')
    },
  }
}
