import type { ChildProcess } from 'node:child_process'
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { Worker } from 'node:worker_threads'
import { expect, vi } from 'vitest'
import { channelsOf, messagesFor } from '../../alerts/outbox-messages.ts'
import { loadSite } from '../../config/load.ts'
import { openHistory } from '../../history/sqlite.ts'
import type { StoredRecord } from '../../history/store.ts'
import type { AlarmEvent } from '../../rules/event.ts'
import { ModbusServer, type Bank, type Traffic } from '../../simulator/modbus-server.ts'
import type { Heard } from '../alerts/mosquitto.ts'
import { samples, type Sample } from '../dashboards/exposition.ts'
import { startRun, type Logged } from './stage.ts'

/** A unit of three registers that a test sets by hand. */
export interface Device {
  readonly port: number
  /** °C; the bench's rule `too_warm` begins above 40 °C. */
  readonly warm: (degC: number) => void
  /** What was asked for: of each server on this port, one after the other. */
  readonly traffic: () => readonly Traffic[]
  /** Answers with exception 11 as a gateway does whose unit is off. */
  readonly dead: (address: number, on: boolean) => void
  readonly restart: () => Promise<void>
  readonly close: () => Promise<void>
}

export const PROFILE = `format: 1
name: bench
limits: { registers: 20, gap: 5 }
defaults: { table: holding_register, type: int16 }
signals:
  temperature.main_line: { address: 0, decimals: 1, unit: °C }
  flow_rate: { address: 1, decimals: 1, unit: l/min }
`
/** What every unit of a bench has. */
export const UNIT = 'profile: ./bench.yaml, poll: 100 ms, stale_after: 1 s, booting: 0 s'
/** Delays as short as tests need them. */
export const RULES = `rules:
  too_warm: { kind: high, signal: temperature.main_line, limit: 40 °C, deadband: 1 K, on_delay: 0 s, off_delay: 0 s }
  contact.lost: { after: 2 s }
  contact.lost_hot: { after_hot: 2 s }
`

export async function device(addresses: readonly number[] = [1]): Promise<Device> {
  const values = new Uint16Array([250, 300])
  const off = new Set<number>()
  const bank = (address: number): Bank => ({
    link: () => ({ state: off.has(address) ? 'gateway' : 'up', delay_ms: 0 }),
    words: (table, first, count, into, at) => {
      if (table !== 'holding_register' || first + count > values.length) return false
      for (let i = 0; i < count; i++) into.writeUInt16BE(values[first + i] ?? 0, at + 2 * i)
      return true
    },
    bit: () => null,
  })
  const banks = new Map(addresses.map((address) => [address, bank(address)]))
  let server = new ModbusServer(banks)
  const port = await server.listen('127.0.0.1', 0)
  const served = [server]
  return {
    port,
    warm: (degC) => void (values[0] = Math.round(degC * 10)),
    traffic: () => served.map((each) => each.traffic()),
    dead: (address, on) => void (on ? off.add(address) : off.delete(address)),
    restart: async () => {
      await server.close()
      server = new ModbusServer(banks)
      served.push(server)
      await server.listen('127.0.0.1', port)
    },
    close: () => server.close(),
  }
}

export interface Look {
  readonly all: readonly Sample[]
  /** The one value with these labels; null where there is none. */
  readonly value: (name: string, labels?: Readonly<Record<string, string>>) => number | null
}
export interface Running {
  readonly child: ChildProcess
  readonly log: readonly Logged[]
  readonly look: () => Promise<Look>
  readonly ready: () => Promise<{ readonly status: number; readonly codes: readonly string[] }>
  /** Worst start of a poll of these sources, and polls that were late, since the last call. */
  readonly lateness: (sources: readonly string[]) => Promise<{ readonly lag_ms: number; readonly late: number; readonly polls: number }>
  /** SIGTERM; the exit code. */
  readonly stop: () => Promise<number | null>
}

/** The whole service as it really runs: a process of its own, seen from outside alone. */
export async function run(file: string): Promise<Running> {
  const service = startRun(file)
  const { child, log } = service
  const base = `http://127.0.0.1:${await service.http()}`
  const worst = new Map<string, number>()
  const before = new Map<string, { late: number; polls: number }>()
  const look = async (): Promise<Look> => {
    const all = samples(await (await fetch(`${base}/metrics`)).text())
    const value: Look['value'] = (name, labels = {}) =>
      all.find((one) => one.name === name && Object.entries(labels).every(([key, wanted]) => one.labels[key] === wanted))?.value ?? null
    // The largest lag starts anew with each scrape: kept here from all scrapes.
    for (const { name, labels, value: lag_s } of all) {
      if (name !== 'mouldtend_source_start_lag_max_seconds') continue
      const source = labels['source'] ?? ''
      worst.set(source, Math.max(worst.get(source) ?? 0, lag_s * 1000))
    }
    return { all, value }
  }
  return {
    child,
    log,
    look,
    ready: async () => {
      const answer = await fetch(`${base}/readyz`)
      const body = (await answer.json()) as { readonly reasons?: readonly { readonly code: string }[] }
      return { status: answer.status, codes: (body.reasons ?? []).map(({ code }) => code) }
    },
    lateness: async (sources) => {
      const now = await look()
      const sum = { lag_ms: 0, late: 0, polls: 0 }
      for (const source of sources) {
        const late = now.value('mouldtend_source_polls_late_total', { source }) ?? Number.NaN
        const polls = now.value('mouldtend_source_polls_total', { source }) ?? Number.NaN
        const then = before.get(source) ?? { late: 0, polls: 0 }
        before.set(source, { late, polls })
        sum.late += late - then.late
        sum.polls += polls - then.polls
        sum.lag_ms = Math.max(sum.lag_ms, worst.get(source) ?? 0)
        worst.delete(source)
      }
      return sum
    },
    stop: async () => (child.exitCode === null && child.signalCode === null ? service.stop() : child.exitCode),
  }
}

/** How long this machine itself holds up whoever wants to run, without any doing of ours. */
export interface Machine {
  /** Since the last call: the worst delay of a bare timer, and how long in all the service's main thread stood in the queue for a core. */
  readonly held_ms: () => number
  readonly close: () => Promise<unknown>
}
export function watchMachine(service: Running): Machine {
  const shared = new Float64Array(new SharedArrayBuffer(8))
  const code = `const { workerData } = require('node:worker_threads')
    let due = performance.now() + 5
    setInterval(() => {
      const now = performance.now()
      workerData[0] = Math.max(workerData[0], now - due)
      due = now + 5
    }, 5)`
  const worker = new Worker(code, { eval: true, workerData: shared })
  // Second number: time spent waiting on a run queue, ns (Linux kernel documentation, scheduler/sched-stats, "/proc/<pid>/schedstat").
  const file = `/proc/${String(service.child.pid)}/schedstat`
  // A kernel without these figures, or a service that has ended: the bare timer alone speaks then.
  const queued_ms = (): number => (existsSync(file) ? Number(readFileSync(file, 'utf8').split(' ')[1] ?? 0) / 1e6 : 0)
  let before_ms = queued_ms()
  return {
    held_ms: () => {
      const [worst_ms, now_ms] = [shared[0] ?? 0, queued_ms()]
      const held_ms = worst_ms + now_ms - before_ms
      shared[0] = 0
      before_ms = now_ms
      return held_ms
    },
    close: () => worker.terminate(),
  }
}

/**
 * No poll of these sources started more than 100 ms after it was due, but for the time that the machine itself held the service up: on
 * an idle machine that is a few milliseconds.
 */
export async function expectPunctual(service: Running, sources: readonly string[], machine: Machine, atLeast = 10): Promise<void> {
  const { lag_ms, late, polls } = await service.lateness(sources)
  const held_ms = machine.held_ms()
  expect(polls, 'polls that this speaks of').toBeGreaterThanOrEqual(atLeast)
  expect(lag_ms, `worst start; the machine held us up for ${Math.round(held_ms)} ms`).toBeLessThanOrEqual(100 + held_ms)
  if (held_ms < 50) expect(late, 'late polls').toBe(0)
}

export interface Folder {
  readonly path: string
  readonly write: (name: string, text: string) => string
  readonly remove: () => void
}
export function folder(): Folder {
  const path = mkdtempSync(join(tmpdir(), 'mouldtend-faults-'))
  return {
    path,
    write: (name, text) => {
      writeFileSync(join(path, name), text)
      return join(path, name)
    },
    remove: () => rmSync(path, { recursive: true, force: true }),
  }
}

export interface Told {
  readonly id: string
  readonly alarm: string
  readonly event: string
  readonly circuit: string | null
  readonly unit: string
  readonly event_no: number
  readonly recorded: boolean
  readonly late: boolean
  readonly at: string
}
export const told = (heard: readonly Heard[]): readonly Told[] => heard.map(({ payload }) => JSON.parse(payload) as Told)

/** The journal of a service that has stopped. */
export async function journalOf(file: string): Promise<readonly StoredRecord[]> {
  const history = await openHistory(file)
  const records: StoredRecord[] = []
  for (let afterRow = 0; ;) {
    const page = await history.journal({ afterRow, limit: 500 })
    records.push(...page)
    const last = page.at(-1)
    if (last === undefined) break
    afterRow = last.row
  }
  await history.close()
  return records
}
export const alarmsIn = (records: readonly StoredRecord[]): readonly (StoredRecord & { readonly event: AlarmEvent })[] =>
  records.filter((one): one is StoredRecord & { readonly event: AlarmEvent } => one.event.kind === 'alarm')

/**
 * What the journal has and what a subscriber got are the same: each id once (or again with the same id, where `again` is allowed), and in
 * order for each circuit.
 */
export async function expectNoneLostOrDoubled(
  siteFile: string,
  records: readonly StoredRecord[],
  got: readonly Told[],
  again: 'never' | 'same id' = 'never',
): Promise<void> {
  const site = await loadSite(siteFile)
  if (site.kind === 'bad') throw new Error('the site was good a moment ago')
  const wanted = messagesFor(records, site.plan, channelsOf(site.plan), 0).filter(({ channel }) => channel === 'mqtt')
  const ids = got.map(({ id }) => id)
  const first = got.filter(({ id }, index) => ids.indexOf(id) === index)
  expect(new Set(records.map(({ id }) => id)).size, 'ids in the journal').toBe(records.length)
  expect(first.map(({ id }) => id).toSorted()).toEqual(wanted.map(({ id }) => id).toSorted())
  if (again === 'never') expect(ids).toHaveLength(first.length)
  const byCircuit = (all: readonly { readonly id: string; readonly key: string }[]) =>
    Object.fromEntries([...Map.groupBy(all, ({ key }) => key)].map(([key, list]) => [key, list.map(({ id }) => id)]))
  expect(byCircuit(first.map(({ id, circuit, unit }) => ({ id, key: circuit ?? unit }))), 'order for each circuit').toEqual(
    byCircuit(wanted.map(({ id, orderKey }) => ({ id, key: orderKey }))),
  )
}

/** Waits until a look at the service satisfies, while it is up. */
export async function until(service: Running, what: string, satisfies: (look: Look) => boolean, within_ms = 15_000): Promise<void> {
  await vi.waitFor(
    async () => {
      expect(service.child.exitCode, 'the service is up').toBe(null)
      if (!satisfies(await service.look())) throw new Error(`not within ${within_ms} ms: ${what}`)
    },
    { timeout: within_ms, interval: 100 },
  )
}
