import { mkdtempSync, rmSync, statSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { DatabaseSync } from 'node:sqlite'
import { createChunkWriter, readChunk } from '../history/chunk.ts'
import { openHistory } from '../history/sqlite.ts'
import type { Commit } from '../history/store.ts'
import type { Reading } from '../rules/reading.ts'
import { plan, record, SIGNALS, T0 } from '../test/history/made.ts'

/*
 * What keeping a reading of 14 signals costs, against the plain way in the same run: one INSERT per reading with 14 columns,
 * one transaction and one fsync per second of a hall of 200 circuits, on the thread that collects. CPU is that of all threads.
 */
const CIRCUITS = 200
const SECONDS = Number(process.argv[2] ?? 300)
const folder = mkdtempSync(join(tmpdir(), 'mouldtend-bench-'))
const site = plan(
  'plan-1',
  Array.from({ length: CIRCUITS }, (_, i) => `unit-${i}`),
)
const readings = site.units.map(({ id }, u): Reading => ({
  kind: 'reading',
  circuit: `${id}/a`,
  at_ms: T0,
  values: Float64Array.from(SIGNALS, (_, i) => (600 + 37 * u + 101 * i) / 10),
  quality: new Uint8Array(SIGNALS.length),
  phase: 'in_tolerance',
  errors: [],
}))

interface Cost {
  readonly cpu_us: number
  readonly main_us: number
  readonly bytes: number
}
/** Opening is not part of it: a service does that once. */
async function measure(prepare: () => Promise<() => Promise<{ readonly main_ms: number; readonly bytes: number }>>): Promise<Cost> {
  const run = await prepare()
  const before = process.cpuUsage()
  const { main_ms, bytes } = await run()
  const { user, system } = process.cpuUsage(before)
  const count = CIRCUITS * SECONDS
  return { cpu_us: (user + system) / count, main_us: (1000 * main_ms) / count, bytes: bytes / count }
}

function plainInserts(name: string): () => Promise<{ main_ms: number; bytes: number }> {
  const file = join(folder, `${name}.db`)
  const db = new DatabaseSync(file)
  db.exec('pragma journal_mode = wal; pragma synchronous = full')
  db.exec(`create table readings (circuit text, at_ms real, ${SIGNALS.map((_, i) => `v${i} real, q${i} integer`).join(', ')})`)
  const insert = db.prepare(`insert into readings values (?, ?, ${SIGNALS.map(() => '?, ?').join(', ')})`)
  const row = Array.from({ length: 2 * SIGNALS.length }, () => 0)
  return () => {
    const started = performance.now()
    for (let second = 0; second < SECONDS; second++) {
      db.exec('begin')
      for (const { circuit, values, quality } of readings) {
        for (let i = 0; i < values.length; i++) {
          row[2 * i] = values[i] ?? 0
          row[2 * i + 1] = quality[i] ?? 0
        }
        insert.run(circuit, T0 + 1000 * second, ...row)
      }
      db.exec('commit')
    }
    const main_ms = performance.now() - started
    db.close()
    return Promise.resolve({ main_ms, bytes: statSync(file).size })
  }
}

async function chunks(name: string): Promise<() => Promise<{ main_ms: number; bytes: number }>> {
  const file = join(folder, `${name}.db`)
  const history = await openHistory(file, { reserveBytes: 0 })
  const writer = createChunkWriter(site)
  return async () => {
    let seq = 0
    let main_ms = 0
    for (let second = 0; second < SECONDS; second++) {
      const started = performance.now()
      for (const reading of readings) writer.add(++seq, reading)
      const commit: Commit = { chunk: writer.take(), records: [], outbox: [], snapshot: null, plan: second === 0 ? site : null }
      const receipt = history.commit(commit)
      main_ms += performance.now() - started
      await receipt
    }
    await history.close()
    return { main_ms, bytes: statSync(file).size }
  }
}

function encoding(): { readonly write_us: number; readonly read_us: number } {
  const writer = createChunkWriter(site)
  let seq = 0
  let count = 0
  let bytes = new Uint8Array(0)
  let started = performance.now()
  for (let round = 0; round < 500; round++) {
    for (const reading of readings) writer.add(++seq, reading)
    bytes = writer.take()?.bytes.slice() ?? bytes
    count += CIRCUITS
  }
  const write_us = (1000 * (performance.now() - started)) / count
  started = performance.now()
  for (let round = 0; round < 100; round++) readChunk(bytes, site)
  return { write_us, read_us: (1000 * (performance.now() - started)) / (100 * CIRCUITS) }
}

async function latency(): Promise<readonly number[]> {
  const history = await openHistory(join(folder, 'latency.db'), { reserveBytes: 0 })
  const took: number[] = []
  for (let n = 1; n <= 1000; n++) {
    const started = performance.now()
    await history.commit({ chunk: null, records: [record(n, n)], outbox: [], snapshot: null, plan: null })
    took.push(performance.now() - started)
  }
  await history.close()
  return took.toSorted((a, b) => a - b)
}
async function together(): Promise<number> {
  const history = await openHistory(join(folder, 'together.db'), { reserveBytes: 0 })
  const started = performance.now()
  const all = Array.from({ length: 2000 }, (_, n) =>
    history.commit({ chunk: null, records: [record(n + 1, n)], outbox: [], snapshot: null, plan: null }),
  )
  await Promise.all(all)
  const { transactions } = history.figures()
  console.log(`2000 event commits at once: ${transactions} transactions, ${((performance.now() - started) / 2000).toFixed(3)} ms each`)
  await history.close()
  return transactions
}

encoding()
const { write_us, read_us } = encoding()
console.log(`encode ${write_us.toFixed(2)} µs, decode ${read_us.toFixed(2)} µs per reading of ${SIGNALS.length} signals (encode aim: 2 µs)`)
await measure(() => chunks('warm'))
const ours = await measure(() => chunks('chunks'))
const plain = await measure(() => Promise.resolve(plainInserts('plain')))
const ratio = (key: keyof Cost): string => (ours[key] / plain[key]).toFixed(2)
const show = ({ cpu_us, main_us, bytes }: Cost): string =>
  `CPU ${cpu_us.toFixed(2)} µs, main thread ${main_us.toFixed(2)} µs, ${bytes.toFixed(0)} bytes`
console.log(`per reading, ${CIRCUITS} circuits, ${SECONDS} commits:`)
console.log(`  chunks          ${show(ours)}`)
console.log(`  plain INSERTs   ${show(plain)}`)
console.log(`  ratio           CPU ${ratio('cpu_us')}, main thread ${ratio('main_us')}, bytes ${ratio('bytes')}`)
const took = await latency()
const at = (share: number): string => (took[Math.min(took.length - 1, Math.floor(share * took.length))] ?? 0).toFixed(2)
console.log(`one event from commit() to receipt, fsync included: p50 ${at(0.5)} ms, p99 ${at(0.99)} ms, max ${at(1)} ms`)
await together()
rmSync(folder, { recursive: true })
