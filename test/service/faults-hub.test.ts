import { join } from 'node:path'
import { afterEach, expect, test } from 'vitest'
import { loadSite } from '../../config/load.ts'
import type { Timer } from '../../collector/source.ts'
import { openHistory } from '../../history/sqlite.ts'
import { StoreError, type StoredMessage } from '../../history/store.ts'
import { NO_ERRORS, QUALITY } from '../../rules/reading.ts'
import { openHub } from '../../service/hub.ts'
import { recover } from '../../service/recover.ts'
import { cleanup, readJournal, scratch, writeSite } from './stage.ts'

const opened = cleanup()
afterEach(opened.all)

const START_MS = Date.UTC(2026, 2, 4, 12)
const BOUND = 64 * 1024

/** A hub over a real store that can be told to say that the disk is full, as the store itself does. */
async function begin(mayKeep: (what: 'readings' | 'records') => boolean) {
  const { folder, remove } = scratch()
  opened.add(remove)
  const site = await loadSite(writeSite(folder, { lines: [{ port: 502, units: 2 }], mqtt: '  embedded: { port: 0 }' }))
  if (site.kind === 'bad') throw new Error(JSON.stringify(site.errors))
  const { plan } = site
  const history = await openHistory(join(folder, 'kestrel.db'), { reserveBytes: 0 })
  opened.add(() => history.close())
  const { engine, ...recovered } = await recover(history, plan)
  let now_ms = START_MS
  const never: Timer = { cancel: () => undefined }
  const events: { readonly event: string; readonly recorded: boolean }[] = []
  const messages: StoredMessage[] = []
  const disk: string[] = []
  const hub = openHub({
    engine,
    history: {
      ...history,
      commit: async (commit) => {
        if (mayKeep(commit.records.length > 0 || commit.outbox.length > 0 ? 'records' : 'readings')) return history.commit(commit)
        throw new StoreError({ kind: 'disk_full', detail: 'as the test wants' }, 'the disk is full', commit.chunk)
      },
      figures: () => ({ ...history.figures(), reserve: false }),
    },
    clock: { now_ms: () => now_ms, after: () => never },
    lastSeq: recovered.lastSeq,
    isNewPlan: recovered.isNew,
    isSnapshotDue: false,
    mostWaitingBytes: BOUND,
    onEvents: (all, recorded) => void events.push(...all.map(({ event }) => ({ event: event.event, recorded }))),
    onMessages: (all) => void messages.push(...all),
    onDiscovery: () => undefined,
    onFault: () => undefined,
    onDisk: (fault) => void disk.push(fault === null ? 'well' : fault.fault.kind),
  })
  const circuit = plan.units[0]?.circuits[0]
  if (circuit === undefined) throw new Error('no circuit')
  hub.feed({ kind: 'service_start', at_ms: now_ms, last_ms: null, trusted: true, engine: '1' })
  await hub.settle()
  return {
    hub,
    history,
    engine,
    plan,
    folder,
    events,
    messages,
    disk,
    /** Readings of one temperature, one second apart; the answer of the sink to the last. */
    read: (degC: number, times = 1): boolean => {
      let isOpen = true
      for (let n = 0; n < times; n++) {
        now_ms += 1000
        const values = Float64Array.from(circuit.signals, (signal, i) => {
          if (signal === 'temperature.main_line' || signal === 'temperature.actual') return degC
          if (signal === 'temperature.set_value') return 80
          // Something to keep; states stay as they are.
          return /^(?:flow|pressure|process)/.test(signal) ? Math.sin(n + i) : 0
        })
        const quality = new Uint8Array(values.length).fill(QUALITY.good)
        isOpen = hub.sink([{ kind: 'reading', circuit: circuit.key, at_ms: now_ms, values, quality, phase: null, errors: NO_ERRORS }])
      }
      return isOpen
    },
    /** Whatever was fed has been offered to a store that does not take it. */
    offered: async (): Promise<void> => {
      void hub.settle()
      for (let n = 0; n < 10; n++) await new Promise((resolve) => setImmediate(resolve))
    },
  }
}

test('a disk full for long: memory stays bounded, looking goes on, alarms are told once, and recovery finds the state as it was', async () => {
  let isFull = false
  const { hub, history, engine, plan, folder, events, messages, disk, read, offered } = await begin(() => !isFull)
  isFull = true
  let most = 0
  for (let n = 0; n < 60; n++) {
    expect(read(n % 2 === 0 ? 90 : 70, 50)).toBe(true)
    await offered()
    most = Math.max(most, hub.figures().waitingBytes)
  }
  expect(most, 'the bound was reached').toBeGreaterThan(BOUND / 2)
  expect(most).toBeLessThan(2 * BOUND)
  expect(hub.figures().droppedInputs).toBeGreaterThan(0)
  const raised = events.filter(({ event }) => event === 'raised')
  expect(raised.length).toBeGreaterThanOrEqual(30)
  expect(raised.every(({ recorded }) => !recorded)).toBe(true)
  expect(disk).toEqual(['disk_full'])

  isFull = false
  await hub.settle()
  read(70)
  await hub.settle()
  expect(disk).toEqual(['disk_full', 'well'])
  expect(events.filter(({ event }) => event === 'raised')).toHaveLength(raised.length)
  const journal = readJournal(folder)
  expect(journal.filter(({ event }) => event.event === 'raised')).toHaveLength(raised.length)
  expect(journal.map(({ event }) => event.event)).toContain('gap')
  // Each once without a row and once with it: the drainer knows them by their id.
  for (const which of [messages.filter(({ row }) => row <= 0), messages.filter(({ row }) => row > 0)]) {
    expect(new Set(which.map(({ id }) => id)).size).toBe(which.length)
    expect(which.length).toBeGreaterThanOrEqual(raised.length)
  }
  const again = await recover(history, plan)
  expect(again.engine.save()).toEqual(engine.save())
  expect(again.lastSeq).toBeGreaterThan(3000)
  expect(history.figures().conflicts).toBe(0)
})

test('room for records alone: alarms are journalled past the readings that wait, with the state in their place', async () => {
  let isTight = false
  const { hub, history, engine, plan, events, disk, read, offered } = await begin((what) => !isTight || what === 'records')
  // Its own story first: switched off and hot.
  read(70, 30)
  await hub.settle()
  const before = events.length
  isTight = true
  read(70, 10)
  await offered()
  expect(disk).toEqual(['disk_full'])
  read(90)
  await hub.settle()
  expect(events.slice(before).filter(({ event }) => event === 'raised')).toEqual([{ event: 'raised', recorded: true }])
  expect(events.find(({ event }) => event === 'gap')).toEqual({ event: 'gap', recorded: true })
  expect(disk, 'the disk is full all the same').toEqual(['disk_full'])
  // Killed here: the state that came with the records is all that recovery needs.
  const again = await recover(history, plan)
  expect(again.engine.save()).toEqual(engine.save())
  isTight = false
  read(90)
  await hub.settle()
  expect(disk).toEqual(['disk_full', 'well'])
})
