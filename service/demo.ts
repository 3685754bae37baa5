import { spawn, type ChildProcess } from 'node:child_process'
import { existsSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { fileURLToPath } from 'node:url'
import * as z from 'zod'
import { format } from '../config/finding.ts'
import { loadSite } from '../config/load.ts'
import { HTTP, MQTT } from '../config/defaults.ts'
import type { Plan } from '../config/plan.ts'
import { ListenError } from '../dashboards/listen-error.ts'
import { demoSite, hallSchema, type HallReady } from './demo-site.ts'
import { narrator, type Narrator } from './narrator.ts'
import { silentLog } from './log.ts'
import { startService, type Service } from './service.ts'

export interface DemoSettings {
  /** After the hall was started; null: until Ctrl-C. */
  readonly seconds: number | null
  readonly seed: number | null
  readonly httpPort: number | null
  readonly mqttPort: number | null
  readonly version: string
}
/** The broker takes the next free port from here. */
const WS_PORT = 8467
const HALL_SPEED = 8
const HALL_STOP_MS = 3000
/** Ports tried from the documented one on. */
const NEAR = 100
const HALL_UNITS = 'tenths16/hot:2,tenths16/cool:2,float32swap/hot:1,float32swap/oil:1,opcua/cool:1'

/** `mouldtend demo`: a hall, the service and a broker, in a folder of its own that is removed at the end. */
export async function demo(settings: DemoSettings): Promise<number> {
  const folder = mkdtempSync(join(tmpdir(), 'mouldtend-demo-'))
  let stopAfter = (_s: number): void => undefined
  const stop = new Promise<string>((resolve) => {
    for (const signal of ['SIGINT', 'SIGTERM', 'SIGHUP'] as const) process.once(signal, () => resolve(signal))
    stopAfter = (s) => void setTimeout(() => resolve(`${s} s are over`), s * 1000).unref()
  })
  const say = (line: string): void => void process.stdout.write(`${line}\n`)
  say(
    `mouldtend demo: a virtual hall on real protocols. No real machine is touched.\nIts units heat and cool ${HALL_SPEED} times as fast as real ones. Starting the hall …`,
  )
  try {
    const hall = await startHall(settings.seed ?? 7, folder)
    // As the times shown: a slow machine sees no shorter story.
    if (settings.seconds !== null) stopAfter(settings.seconds)
    try {
      const { service, story } = await watch(hall, folder, settings, say)
      const why = await Promise.race([stop, hall.ended.then((how) => ({ how }))])
      story.closing(typeof why === 'string' ? why : why.how)
      await service.close()
      // A hall that ends by itself is a fault.
      return typeof why === 'string' ? 0 : 1
    } finally {
      // It writes into the folder until it has ended.
      await hall.close()
    }
  } finally {
    rmSync(folder, { recursive: true, force: true })
  }
}

interface Watching {
  readonly service: Service
  readonly story: Narrator
}

/** The service on the hall. A port that nobody asked for can be taken by somebody else just before we have it: then the next one is. */
async function watch(
  hall: Hall,
  folder: string,
  settings: DemoSettings,
  say: (line: string) => void,
  from: number = HTTP.port,
): Promise<Watching> {
  const httpPort = settings.httpPort ?? (await freeNear(from))
  const file = join(folder, 'kestrel-hall.yaml')
  writeFileSync(file, demoSite(hall.ready, { httpPort, mqttPort: settings.mqttPort ?? MQTT.port, wsPort: WS_PORT, folder }))
  const site = await loadSite(file)
  if (site.kind === 'bad') throw new Error(`the demo's own site file is wrong:\n${site.errors.map(format).join('\n')}`)
  const story = narrator({ say, story: hall.ready.story, plan: site.plan })
  let plan = (): Plan => site.plan
  try {
    const service = await startService({
      plan: site.plan,
      secrets: new Map(),
      version: settings.version,
      log: silentLog,
      onEvents: (events, recorded) => story.events(events, recorded, plan()),
    })
    plan = service.plan
    story.opening({ httpPort: service.httpPort, mqtt: service.mqtt, file, history: site.plan.service.historyFile })
    return { service, story }
  } catch (error) {
    const isTaken = error instanceof ListenError && error.fault.kind === 'port_in_use'
    if (!isTaken || settings.httpPort !== null || httpPort >= HTTP.port + NEAR) throw error
    return watch(hall, folder, settings, say, httpPort + 1)
  }
}

/** The first free port at or above the documented one, so that a second demo starts as well. */
async function freeNear(port: number): Promise<number> {
  const { createServer } = await import('node:net')
  for (let one = port; one < port + NEAR; one += 1) {
    const server = createServer()
    const free = await new Promise<boolean>((resolve) => {
      server.once('error', () => resolve(false))
      server.listen(one, HTTP.host, () => resolve(true))
    })
    if (!free) continue
    await new Promise((resolve) => server.close(resolve))
    return one
  }
  return 0
}

interface Hall {
  readonly ready: HallReady
  readonly ended: Promise<string>
  readonly close: () => Promise<void>
}

/** The hall is a process of its own: mouldtend speaks to it over the network only, as to any other. */
async function startHall(seed: number, folder: string): Promise<Hall> {
  const sources = fileURLToPath(new URL('../simulator/main.ts', import.meta.url))
  const main = existsSync(sources) ? sources : fileURLToPath(new URL('../simulator/main.js', import.meta.url))
  const args = [
    main,
    '--seed',
    String(seed),
    '--speed',
    String(HALL_SPEED),
    '--story',
    'demo',
    '--units',
    HALL_UNITS,
    '--pki',
    join(folder, 'hall-pki'),
  ]
  // In a group of its own: Ctrl-C on the terminal is for the demo, which stops the hall last. It ends with our end of its pipe in any case.
  const child: ChildProcess = spawn(process.execPath, args, { stdio: ['pipe', 'pipe', 'pipe'], detached: true })
  const { stdout, stderr } = child
  if (stdout === null || stderr === null) throw new Error('the hall has no output')
  let complaints = ''
  stderr.on('data', (data: Buffer) => (complaints = `${complaints}${data.toString()}`.slice(-2000)))
  const ended = new Promise<string>((resolve) =>
    child.once('exit', (code) => resolve(`the hall ended by itself (code ${code ?? 'none'}) ${complaints}`.trim())),
  )
  const first = await new Promise<string>((resolve, reject) => {
    createInterface({ input: stdout }).once('line', resolve)
    child.once('error', reject)
    child.once('exit', (code) => reject(new Error(`the virtual hall did not start (code ${code ?? 'none'}): ${complaints}`)))
  })
  const read = hallSchema.safeParse(JSON.parse(first))
  if (!read.success) throw new Error(`the virtual hall said something unexpected: ${z.prettifyError(read.error)}`)
  return {
    ready: read.data,
    ended,
    close: async () => {
      child.kill('SIGTERM')
      const hard = setTimeout(() => child.kill('SIGKILL'), HALL_STOP_MS)
      await ended
      clearTimeout(hard)
    },
  }
}
