import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterEach, expect, test } from 'vitest'
import { loadSite } from '../../config/load.ts'
import type { Plan } from '../../config/plan.ts'
import type { Timer } from '../../collector/source.ts'
import { openHistory } from '../../history/sqlite.ts'
import type { Commit, History } from '../../history/store.ts'
import { NO_ERRORS, QUALITY, type Reading } from '../../rules/reading.ts'
import type { Input } from '../../rules/input.ts'
import { openHub } from '../../service/hub.ts'
import { recover } from '../../service/recover.ts'
import { cleanup, readJournal, scratch, writeSite } from './stage.ts'

const opened = cleanup()
afterEach(opened.all)

const START_MS = Date.UTC(2026, 2, 4, 12)
async function planWith(folder: string, units: number, more = ''): Promise<Plan> {
  const file = writeSite(folder, { lines: [{ port: 502, units }], mqtt: '  embedded: { port: 0 }', more })
  const site = await loadSite(file)
  if (site.kind === 'bad') throw new Error(JSON.stringify(site.errors))
  return site.plan
}

/** The hub with a clock of the test's own, and all its commits. Telemetry is committed when the test settles. */
async function open(history: History, fallback: Plan) {
  const recovered = await recover(history, fallback)
  const commits: Commit[] = []
  let now_ms = recovered.last_ms ?? START_MS
  const never: Timer = { cancel: () => undefined }
  const hub = openHub({
    engine: recovered.engine,
    history: {
      ...history,
      commit: (commit) => {
        // Its bytes are handed over with it.
        commits.push({ ...commit })
        return history.commit(commit)
      },
    },
    clock: { now_ms: () => now_ms, after: () => never },
    lastSeq: recovered.lastSeq,
    isNewPlan: recovered.isNew,
    isSnapshotDue: false,
    onEvents: () => undefined,
    onMessages: () => undefined,
    onDiscovery: () => undefined,
    onFault: () => undefined,
    onDisk: () => undefined,
  })
  const feed = (input: (at_ms: number) => Input, after_ms = 1000): void => {
    now_ms += after_ms
    hub.feed(input(now_ms))
  }
  return { recovered, hub, commits, feed, pass: (by_ms: number) => (now_ms += by_ms) }
}
const started = (at_ms: number): Input => ({ kind: 'service_start', at_ms, last_ms: null, trusted: true, engine: '1' })
/** Of the first signals only: set value 80 °C and the main line; the rest is good and of no interest. */
const reading = (plan: Plan, unit: string, main_degC: number) => {
  const circuit = plan.units.find(({ id }) => id === unit)?.circuits[0]
  if (circuit === undefined) throw new Error(`no ${unit}`)
  return (at_ms: number): Reading => {
    const values = Float64Array.from(circuit.signals, (signal) =>
      signal === 'temperature.main_line' || signal === 'temperature.actual' ? main_degC : signal === 'temperature.set_value' ? 80 : 0,
    )
    const quality = new Uint8Array(values.length).fill(QUALITY.good)
    return { kind: 'reading', circuit: circuit.key, at_ms, values, quality, phase: null, errors: NO_ERRORS }
  }
}
async function historyIn(folder: string): Promise<History> {
  const history = await openHistory(join(folder, 'kestrel.db'), { reserveBytes: 0 })
  opened.add(() => history.close())
  return history
}

test('without any snapshot the replay begins on the plan of the first inputs, not on the last one', async () => {
  const { folder, remove } = scratch()
  opened.add(remove)
  const [before, after] = [await planWith(folder, 2), await planWith(folder, 1)]
  expect(before.version).not.toBe(after.version)
  const history = await historyIn(folder)
  const { hub, feed, commits } = await open({ ...history, commit: (commit) => history.commit({ ...commit, snapshot: null }) }, before)
  feed(started)
  feed(reading(before, 'kh-02', 90))
  feed(reading(before, 'kh-01', 90))
  hub.changePlan(after, 'test', 'kh-02 was taken away')
  feed(reading(after, 'kh-01', 80))
  await hub.settle()
  // Killed here: nothing was closed, and no snapshot reached the disk.
  expect(commits.length).toBeGreaterThan(1)
  const journal = readJournal(folder)
  expect(journal.map(({ event }) => event.event)).toEqual(expect.arrayContaining(['raised', 'plan_changed', 'rule_removed', 'returned']))

  const { recovered } = await open(history, after)
  expect(recovered.engine.plan().version).toBe(after.version)
  expect(recovered.replayed).toBe(5)
  expect(readJournal(folder), 'nothing new, and nothing under another id').toEqual(journal)
  expect(history.figures().conflicts).toBe(0)
})

test('a snapshot that falls due at a plan change waits until the new plan is in force', async () => {
  const { folder, remove } = scratch()
  opened.add(remove)
  const [before, after] = [await planWith(folder, 2), await planWith(folder, 1)]
  const history = await historyIn(folder)
  const { hub, feed, pass, commits } = await open(history, before)
  feed(started)
  feed(reading(before, 'kh-02', 90))
  await hub.settle()
  pass(61_000)
  hub.changePlan(after, 'test', 'kh-02 was taken away')
  await hub.settle()
  feed(reading(after, 'kh-01', 90))
  await hub.settle()
  const kept = commits.flatMap(({ snapshot }) => (snapshot === null ? [] : [snapshot.planVersion]))
  expect(kept).toEqual([after.version])
  const journal = readJournal(folder)

  const { recovered } = await open(history, after)
  expect(recovered.engine.plan().version).toBe(after.version)
  expect(recovered.engine.unit('kh-02')).toBeNull()
  expect(readJournal(folder)).toEqual(journal)
})

test('a plan change that reached the disk alone is carried out at the next start', async () => {
  const { folder, remove } = scratch()
  opened.add(remove)
  const [before, after] = [await planWith(folder, 2), await planWith(folder, 1)]
  const history = await historyIn(folder)
  // The disk takes everything up to the plan change, and then the process is gone.
  let isGone = false
  const mortal: History = {
    ...history,
    commit: (commit) => {
      if (isGone) return new Promise(() => undefined)
      isGone = commit.plan?.version === after.version
      return history.commit(commit)
    },
  }
  const { hub, feed } = await open(mortal, before)
  feed(started)
  feed(reading(before, 'kh-02', 90))
  await hub.settle()
  hub.changePlan(after, 'test', 'kh-02 was taken away')
  await expect.poll(() => readJournal(folder).some(({ event }) => event.event === 'plan_changed')).toBe(true)
  expect(readJournal(folder).some(({ event }) => event.event === 'rule_removed')).toBe(false)

  const { recovered } = await open(history, after)
  expect(recovered.engine.plan().version).toBe(after.version)
  const removed = readJournal(folder).filter(({ event }) => event.event === 'rule_removed')
  expect(removed.map(({ event }) => (event.kind === 'alarm' ? event.alarm : ''))).toEqual(['kh-02/a:temperature.main_line.high'])
  const waiting = await history.pending('mqtt', 0, 100)
  expect(
    waiting.map(({ id }) => id),
    'and people hear of it',
  ).toContain(removed[0]?.id)
})

test('a site that is renamed keeps the ids of what happened under its old name', async () => {
  const { folder, remove } = scratch()
  opened.add(remove)
  const before = await planWith(folder, 1)
  const renamed = join(folder, 'renamed.yaml')
  writeFileSync(renamed, readFileSync(join(folder, 'site.yaml'), 'utf8').replace('site: kestrel-hall', 'site: kestrel-annex'))
  const site = await loadSite(renamed)
  if (site.kind === 'bad') throw new Error(JSON.stringify(site.errors))
  const history = await historyIn(folder)
  const { hub, feed } = await open({ ...history, commit: (commit) => history.commit({ ...commit, snapshot: null }) }, before)
  feed(started)
  feed(reading(before, 'kh-01', 90))
  hub.changePlan(site.plan, 'test', 'renamed')
  feed(reading(site.plan, 'kh-01', 80))
  await hub.settle()
  const journal = readJournal(folder)
  await open(history, site.plan)
  expect(readJournal(folder)).toEqual(journal)
})
