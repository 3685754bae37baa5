import { spawn, type ChildProcess } from 'node:child_process'
import { once } from 'node:events'
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { DatabaseSync } from 'node:sqlite'
import { fileURLToPath } from 'node:url'
import type { JournalRecord } from '../../history/store.ts'
import type { AlarmEvent, RecordEvent } from '../../rules/event.ts'

/** The command line as it really runs: a process of its own, without bin/, so that its id is that of the service. */
export const MAIN = fileURLToPath(new URL('../../service/main.ts', import.meta.url))

/** What a test opened and has to close, last first. */
export function cleanup(): { readonly add: (close: () => unknown) => void; readonly all: () => Promise<void> } {
  const closers: (() => unknown)[] = []
  return {
    add: (close) => void closers.push(close),
    all: async () => {
      for (const close of closers.splice(0).toReversed()) await close()
    },
  }
}

export function scratch(): { readonly folder: string; readonly remove: () => void } {
  const folder = mkdtempSync(join(tmpdir(), 'mouldtend-service-'))
  return { folder, remove: () => rmSync(folder, { recursive: true, force: true }) }
}

/** A line of the service's log. */
export interface Logged {
  readonly msg: string
  readonly http?: number
  readonly mqtt?: string
  readonly [key: string]: unknown
}
export interface ServiceProcess {
  readonly child: ChildProcess
  readonly log: readonly Logged[]
  readonly stderr: () => string
  /** Resolves with the first line that says this, rejects where the process ends before. */
  readonly says: (part: string) => Promise<Logged>
  /** Port of its HTTP server, as soon as it watches. */
  readonly http: () => Promise<number>
  readonly ended: Promise<{ readonly code: number | null; readonly signal: NodeJS.Signals | null }>
  /** SIGTERM, and how it ended. */
  readonly stop: () => Promise<number | null>
  readonly kill: () => Promise<void>
}

/** @param before a program that starts it, e.g. strace with its arguments. @param env beside what the test itself has. */
export function startRun(site: string, before: readonly string[] = [], env: Readonly<Record<string, string>> = {}): ServiceProcess {
  const [program, ...args] = [...before, process.execPath, MAIN, 'run', site]
  const child = spawn(program, args, { stdio: ['ignore', 'pipe', 'pipe'], env: { ...process.env, ...env } })
  const log: Logged[] = []
  let stderr = ''
  child.stderr.on('data', (data: Buffer) => (stderr += data.toString()))
  const told: (() => void)[] = []
  const wake = (): void => {
    for (const call of told.splice(0)) call()
  }
  createInterface({ input: child.stdout }).on('line', (line) => {
    // Killed in the middle of a line.
    if (!line.endsWith('}')) return
    log.push(JSON.parse(line) as Logged)
    wake()
  })
  let isOver = false
  const ended = once(child, 'close').then(([code, signal]) => {
    isOver = true
    wake()
    return { code: code as number | null, signal: signal as NodeJS.Signals | null }
  })
  const says = async (part: string): Promise<Logged> => {
    for (;;) {
      const found = log.find(({ msg }) => msg.includes(part))
      if (found !== undefined) return found
      if (isOver) throw new Error(`it ended without saying "${part}": ${stderr} ${JSON.stringify(log.slice(-5))}`)
      await new Promise<void>((resolve) => told.push(resolve))
    }
  }
  return {
    child,
    log,
    stderr: () => stderr,
    says,
    http: async () => (await says('mouldtend watches')).http ?? 0,
    ended,
    stop: async () => {
      child.kill('SIGTERM')
      return (await ended).code
    },
    kill: async () => {
      child.kill('SIGKILL')
      await ended
    },
  }
}

/** `mouldtend` with these arguments, to its end. */
export async function mouldtend(...args: string[]): Promise<{ readonly code: number | null; readonly out: string; readonly err: string }> {
  const child = spawn(process.execPath, [MAIN, ...args], { stdio: ['ignore', 'pipe', 'pipe'] })
  let [out, err] = ['', '']
  child.stdout.on('data', (data: Buffer) => (out += data.toString()))
  child.stderr.on('data', (data: Buffer) => (err += data.toString()))
  const [code] = (await once(child, 'close')) as [number | null]
  return { code, out, err }
}

export interface SiteOptions {
  /** Modbus ports with the number of bare units behind each. */
  readonly lines: readonly { readonly port: number; readonly units: number }[]
  readonly poll?: string
  /** Lines of YAML below `mqtt:`. */
  readonly mqtt: string
  readonly rules?: string
  readonly more?: string
}

/** A site of bare units: each has one quick alarm above 85 °C and one of its deviation. Units are numbered through: kh-01, kh-02 … */
export function writeSite(folder: string, options: SiteOptions): string {
  const { lines, poll = '50 ms', mqtt, rules = QUICK, more = '' } = options
  let number = 0
  const units = lines.flatMap(({ units: count }, line) =>
    Array.from({ length: count }, (_, at) => {
      number += 1
      return `  - { id: ${unitId(number)}, template: bare, line: gateway-${line + 1}, address: ${at + 1} }`
    }),
  )
  const file = join(folder, 'site.yaml')
  writeFileSync(
    file,
    `site: kestrel-hall
timezone: UTC
lines:
${lines.map(({ port }, line) => `  gateway-${line + 1}: { host: 127.0.0.1, port: ${port} }`).join('\n')}
templates:
  bare:
    medium: water
    profile: tenths16
    poll: ${poll}
    pressure_rating: 25 bar
    limits: { temperature.main_line: { high: 85 degC } }
    rules:
${rules}
units:
${units.join('\n')}
history: { file: kestrel.db }
http: { port: 0 }
mqtt:
${mqtt}
${more}`,
  )
  return file
}
const QUICK = `      temperature.main_line.high: { on_delay: 0 s, off_delay: 0 s }
      temperature.deviation: { on_delay: 300 ms, off_delay: 200 ms }`
export const unitId = (number: number): string => `kh-${String(number).padStart(2, '0')}`

export interface Line extends JournalRecord {
  readonly row: number
  readonly recorded_ms: number
}

/** The whole journal, read beside the service: the file itself, and nothing of the service's own code. */
export function readJournal(folder: string, name = 'kestrel.db'): readonly Line[] {
  const db = new DatabaseSync(join(folder, name), { readOnly: true })
  try {
    return db
      .prepare('select row, recorded_ms, body from journal order by row')
      .all()
      .map(({ row, recorded_ms, body }) => ({
        ...(JSON.parse(String(body)) as JournalRecord),
        row: Number(row),
        recorded_ms: Number(recorded_ms),
      }))
  } finally {
    db.close()
  }
}
export const alarmsOf = (lines: readonly Line[]): readonly (Line & { readonly event: AlarmEvent })[] =>
  lines.filter((line): line is Line & { readonly event: AlarmEvent } => line.event.kind === 'alarm')
export const recordsOf = (lines: readonly Line[], event: RecordEvent['event']): readonly (Line & { readonly event: RecordEvent })[] =>
  lines.filter((line): line is Line & { readonly event: RecordEvent } => line.event.event === event)

/** Asks until the answer fits; the condition that a test waits for, instead of a time. */
export async function until<T>(what: string, ask: () => Promise<T | null> | T | null, within_ms = 15_000): Promise<T> {
  const end_ms = performance.now() + within_ms
  for (;;) {
    const answer = await ask()
    if (answer !== null) return answer
    if (performance.now() > end_ms) throw new Error(`waited ${within_ms} ms in vain: ${what}`)
    await new Promise((resolve) => setTimeout(resolve, 20))
  }
}
