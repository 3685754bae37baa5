import { spawn, type ChildProcess } from 'node:child_process'
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { connect, createServer } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { once } from 'node:events'

/** A port that was free a moment ago; who takes it too late tries again. */
export async function freePort(): Promise<number> {
  const server = createServer().listen(0, '127.0.0.1')
  await once(server, 'listening')
  const address = server.address()
  await new Promise((resolve) => server.close(resolve))
  if (address === null || typeof address === 'string') throw new Error('no port')
  return address.port
}

const answers = (port: number): Promise<boolean> =>
  new Promise((resolve) => {
    const socket = connect(port, '127.0.0.1')
    socket.once('connect', () => resolve(true)).once('error', () => resolve(false))
    socket.once('connect', () => socket.destroy())
  })

export interface Mosquitto {
  readonly port: number
  readonly folder: string
  readonly start: () => Promise<void>
  /** SIGTERM: it keeps retained messages and sessions. */
  readonly stop: () => Promise<void>
  readonly close: () => Promise<void>
}

/** Debian's broker as an independent peer. mosquitto knows no port 0: a free one is looked for, again where somebody was faster. */
export async function startMosquitto(
  program: string,
  lines: (folder: string) => readonly string[] = () => ['allow_anonymous true'],
): Promise<Mosquitto> {
  const folder = mkdtempSync(join(tmpdir(), 'mouldtend-broker-'))
  const settings = join(folder, 'mosquitto.conf')
  let child: ChildProcess | null = null
  const stop = async (): Promise<void> => {
    const running = child
    child = null
    if (running === null || running.exitCode !== null) return
    const gone = once(running, 'exit')
    running.kill('SIGTERM')
    await gone
  }
  const run = async (port: number): Promise<boolean> => {
    const started = spawn(program, ['-c', settings], { stdio: 'ignore' })
    child = started
    while (started.exitCode === null) {
      if (await answers(port)) return true
      await new Promise((resolve) => setTimeout(resolve, 10))
    }
    return false
  }
  for (let tries = 0; tries < 5; tries += 1) {
    const port = await freePort()
    // Started by root it would become another user, who cannot read this folder.
    const persistence = ['user root', 'persistence true', `persistence_location ${folder}/`]
    writeFileSync(settings, [`listener ${port} 127.0.0.1`, 'max_queued_messages 100000', ...persistence, ...lines(folder)].join('\n'))
    if (!(await run(port))) continue
    return {
      port,
      folder,
      stop,
      start: async () => {
        while (!(await run(port))) await new Promise((resolve) => setTimeout(resolve, 20))
      },
      close: async () => {
        await stop()
        rmSync(folder, { recursive: true, force: true })
      },
    }
  }
  rmSync(folder, { recursive: true, force: true })
  throw new Error('mosquitto does not start')
}

export interface Heard {
  readonly topic: string
  readonly isRetained: boolean
  readonly payload: string
}
export interface Subscriber {
  readonly heard: Heard[]
  /** How often the broker let it in. */
  readonly connects: () => number
  readonly close: () => Promise<void>
}

/** mosquitto_sub; resolves when it is subscribed. */
export async function subscribe(program: string, port: number, topic: string, more: readonly string[] = []): Promise<Subscriber> {
  const own = ['-h', '127.0.0.1', '-p', String(port), '-q', '1', '-t', topic, '-d', '-F', 'M\t%t\t%r\t%p']
  // Into a pipe it would keep its lines until a block is full.
  const child = spawn('stdbuf', ['-oL', program, ...own, ...more], { stdio: ['ignore', 'pipe', 'inherit'] })
  const heard: Heard[] = []
  const exit = once(child, 'exit')
  let connects = 0
  await new Promise<void>((resolve, reject) => {
    child.once('exit', (code) => reject(new Error(`mosquitto_sub ended with ${code}`)))
    createInterface({ input: child.stdout }).on('line', (line) => {
      if (line.startsWith('Subscribed')) resolve()
      if (line.includes('received CONNACK')) connects += 1
      const [mark, topic, retained, payload] = line.split('\t')
      if (mark === 'M' && topic !== undefined) heard.push({ topic, isRetained: retained === '1', payload: payload ?? '' })
    })
  })
  return {
    heard,
    connects: () => connects,
    close: async () => {
      child.kill('SIGTERM')
      await exit
    },
  }
}
