import { fork, spawn, spawnSync, type ChildProcess } from 'node:child_process'
import { once } from 'node:events'
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { connect, createServer } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { setTimeout as sleep } from 'node:timers/promises'
import { fileURLToPath } from 'node:url'
import type { Asked, Look } from './look.ts'
import type { FleetLine } from './site.ts'

const here = (file: string): string => fileURLToPath(new URL(file, import.meta.url))

/** Closes what was opened, last first. */
export class Stage {
  readonly folder = mkdtempSync(join(tmpdir(), 'mouldtend-bench-'))
  readonly #closers: (() => Promise<void>)[] = []
  add(close: () => Promise<void>): void {
    this.#closers.push(close)
  }
  async close(): Promise<void> {
    for (const close of this.#closers.splice(0).toReversed()) await close()
    rmSync(this.folder, { recursive: true, force: true })
  }
}
/** Runs with a stage of its own and clears it away, whatever happens. */
export async function onStage<T>(play: (stage: Stage) => Promise<T>): Promise<T> {
  const stage = new Stage()
  try {
    return await play(stage)
  } finally {
    await stage.close()
  }
}

async function stop(child: ChildProcess): Promise<void> {
  if (child.exitCode !== null || child.signalCode !== null) return
  const ended = once(child, 'exit')
  child.kill('SIGTERM')
  const late = setTimeout(() => child.kill('SIGKILL'), 10_000)
  await ended
  clearTimeout(late)
}

/** First line of the simulator: only what the bench uses. */
export interface Hall {
  readonly modbus: readonly FleetLine[]
  readonly opcua: readonly { readonly endpoint: string }[]
  readonly control: number
  readonly command: (name: string, body: object) => Promise<void>
  readonly view: <T>(name: string) => Promise<T>
}

/** The virtual hall or a fleet, in its own process. */
export async function openHall(stage: Stage, ...args: string[]): Promise<Hall> {
  const child = spawn(process.execPath, [here('../simulator/main.ts'), ...args], { stdio: ['pipe', 'pipe', 'inherit'] })
  stage.add(() => stop(child))
  const lines = createInterface({ input: child.stdout })
  const [first] = (await once(lines, 'line')) as [string]
  const ready = JSON.parse(first) as Pick<Hall, 'modbus' | 'opcua' | 'control'>
  const url = `http://127.0.0.1:${ready.control}`
  return {
    ...ready,
    command: async (name, body) => {
      const response = await fetch(`${url}/${name}`, { method: 'POST', body: JSON.stringify(body) })
      if (!response.ok) throw new Error(await response.text())
      await response.arrayBuffer()
    },
    // The simulator's own answer; what it holds is named by who asks.
    view: async <T>(name: string) => (await (await fetch(`${url}/${name}`)).json()) as T,
  }
}

/** A broker in a process of its own, so that its CPU is not the service's. */
export async function openBroker(stage: Stage): Promise<string> {
  const env = { ...process.env, PATH: `${process.env['PATH'] ?? ''}:/usr/sbin` }
  if (spawnSync('mosquitto', ['-h'], { env }).error !== undefined) {
    throw new Error('mosquitto is missing: the bench needs a broker outside of the service. scripts/test-tools.sh installs it.')
  }
  const port = await freePort()
  const config = join(stage.folder, 'mosquitto.conf')
  writeFileSync(config, `listener ${port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n`)
  const child = spawn('mosquitto', ['-c', config], { stdio: 'ignore', env })
  stage.add(() => stop(child))
  for (;;) {
    if (await answers(port)) return `mqtt://127.0.0.1:${port}`
    if (child.exitCode !== null) throw new Error('mosquitto ended at once')
    await sleep(50)
  }
}
async function freePort(): Promise<number> {
  const server = createServer()
  server.listen(0, '127.0.0.1')
  await once(server, 'listening')
  const address = server.address()
  await new Promise((resolve) => server.close(resolve))
  return address !== null && typeof address === 'object' ? address.port : 0
}
const answers = (port: number): Promise<boolean> =>
  new Promise((resolve) => {
    const socket = connect(port, '127.0.0.1')
    socket.once('connect', () => {
      socket.destroy()
      resolve(true)
    })
    socket.once('error', () => resolve(false))
  })

/** A process that is measured. */
export interface Measured {
  readonly look: () => Promise<Look>
  readonly nodes: () => Promise<readonly string[]>
  readonly close: () => Promise<void>
}
export async function openMeasured(
  stage: Stage,
  file: string,
  args: readonly string[],
  execArgv: readonly string[] = [],
): Promise<Measured> {
  const child = fork(here(file), args, { execArgv: [...execArgv], stdio: ['ignore', 'inherit', 'inherit', 'ipc'] })
  const ended = once(child, 'exit').then(() => {
    throw new Error(`${file} ended by itself`)
  })
  ended.catch(() => undefined)
  const answer = async (): Promise<unknown> => ((await Promise.race([once(child, 'message'), ended])) as [unknown])[0]
  const ask = async (asked: Asked): Promise<unknown> => {
    const got = answer()
    child.send(asked)
    return got
  }
  const close = async (): Promise<void> => {
    if (child.exitCode !== null || child.signalCode !== null) return
    child.send('end' satisfies Asked)
    await ended.catch(() => undefined)
  }
  stage.add(close)
  await answer()
  // Both ends of this channel belong to the bench.
  return { look: async () => (await ask('look')) as Look, nodes: async () => (await ask('nodes')) as readonly string[], close }
}

/** What was used between two looks. */
export interface Use {
  readonly seconds: number
  readonly done: number
  readonly events: number
  readonly late: number
  readonly lag_max_ms: number
  readonly faults: number
  /** CPU of the whole process. */
  readonly cpu_us: number
  readonly rss_bytes: number
}
export async function untilReady(measured: Measured): Promise<void> {
  while (!(await measured.look()).isReady) await sleep(100)
}
export function useBetween(before: Look, after: Look): Use {
  return {
    seconds: (after.at_ms - before.at_ms) / 1000,
    done: after.done - before.done,
    events: after.events - before.events,
    late: after.late - before.late,
    lag_max_ms: after.lag_max_ms,
    faults: after.faults - before.faults,
    cpu_us: after.cpu_us - before.cpu_us,
    rss_bytes: after.rss_bytes,
  }
}
export const median = (values: readonly number[]): number => {
  const sorted = values.toSorted((a, b) => a - b)
  const middle = Math.floor(sorted.length / 2)
  const upper = sorted[middle] ?? Number.NaN
  return sorted.length % 2 === 1 ? upper : ((sorted[middle - 1] ?? Number.NaN) + upper) / 2
}
