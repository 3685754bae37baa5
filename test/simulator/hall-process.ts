import { spawn, type ChildProcess } from 'node:child_process'
import { once } from 'node:events'
import { createInterface } from 'node:readline'

/** The hall as it really runs: a process of its own, spoken to over its pipes and ports. */
export interface HallProcess {
  readonly child: ChildProcess
  readonly ready: Ready
  readonly nextLine: () => Promise<unknown>
  readonly get: (path: string) => Promise<unknown>
  readonly post: (path: string, body: unknown, headers?: Record<string, string>) => Promise<{ status: number; body: unknown }>
  readonly stop: () => Promise<number | null>
}
export interface Ready {
  readonly modbus: {
    port: number
    units: {
      address: number
      serial: string
      layout: string
      medium: string
      place: string
      zones: { id: string; designFlow_l_min: number }[]
    }[]
  }[]
  readonly opcua: { endpoint: string }[]
  readonly control: number
  readonly story: { at_s: number; unit: string }[]
}

export const MAIN = new URL('../../simulator/main.ts', import.meta.url).pathname

export async function startHall(...args: string[]): Promise<HallProcess> {
  const child = spawn(process.execPath, [MAIN, ...args], { stdio: ['pipe', 'pipe', 'inherit'] })
  const lines = createInterface({ input: child.stdout })[Symbol.asyncIterator]()
  const nextLine = async (): Promise<unknown> => {
    const line = await lines.next()
    if (line.done === true) throw new Error('the hall has ended')
    return JSON.parse(line.value) as unknown
  }
  const ready = (await nextLine()) as Ready
  const base = `http://127.0.0.1:${ready.control}`
  return {
    child,
    ready,
    nextLine,
    get: async (path) => (await fetch(base + path)).json(),
    post: async (path, body, headers = {}) => {
      const response = await fetch(base + path, { method: 'POST', body: JSON.stringify(body), headers })
      return { status: response.status, body: await response.json() }
    },
    stop: async () => {
      if (child.exitCode === null) {
        child.kill('SIGTERM')
        await once(child, 'exit')
      }
      return child.exitCode
    },
  }
}
