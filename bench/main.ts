import { existsSync, readFileSync, writeFileSync } from 'node:fs'
import { fileURLToPath } from 'node:url'
import { parseArgs } from 'node:util'
import { measureChangeCost } from './change-cost.ts'
import { measure as measureEngine } from './engine.ts'
import { measureLatency } from './latency.ts'
import { measurePollCost } from './poll-cost.ts'
import { earlier, page, type Measurements } from './report.ts'
import { measureSoak } from './soak.ts'

const USAGE = `npm run bench -- [--quick] [--only a,o,b,c,d]
  a  CPU per poll against a bare read loop         o  CPU per value change against a bare OPC UA subscription
  b  rule evaluations per second
  c  from the unit's answer to the subscriber                   d  200 units every second
Writes docs/performance.md; parts that are not measured keep what an earlier run found.
`
const PARTS = ['a', 'o', 'b', 'c', 'd'] as const
const PAGE = fileURLToPath(new URL('../docs/performance.md', import.meta.url))
const HALL = { units: 200, ports: 8, poll_ms: 1000 }
const say = (line: string): void => void process.stdout.write(`${line}\n`)

const { values } = parseArgs({ options: { quick: { type: 'boolean' }, only: { type: 'string' }, help: { type: 'boolean' } } })
const isQuick = values.quick === true
const wanted = new Set(values.only?.split(',') ?? PARTS)
if (values.help === true || [...wanted].some((part) => !PARTS.some((known) => known === part))) {
  process.stdout.write(USAGE)
  process.exit(values.help === true ? 0 : 2)
}

const at = new Date().toISOString().slice(0, 10)
/** Onto what stands there, part by part: a run that is broken off keeps what it had. */
function keep(part: Measurements): void {
  const found = existsSync(PAGE) ? earlier(readFileSync(PAGE, 'utf8')) : {}
  writeFileSync(PAGE, page({ ...found, ...part }))
}

const pace = isQuick ? { rounds: 1, warm_s: 15, windows: 3, window_s: 8 } : { rounds: 2, warm_s: 30, windows: 4, window_s: 12 }

if (wanted.has('b')) {
  say('(b) rule evaluations')
  const { evaluations_per_s } = measureEngine(isQuick ? 500_000 : 2_000_000)
  say(`  ${Math.round(evaluations_per_s)} per second`)
  keep({ engine: { at, isQuick, evaluations_per_s } })
}
if (wanted.has('a')) {
  for (const [key, poll_ms] of [
    ['pollCost', HALL.poll_ms],
    ['pollCostDense', HALL.poll_ms / 4],
  ] as const) {
    say(`(a) Modbus, every ${poll_ms} ms: service / bare`)
    const { rounds: _, ...cost } = await measurePollCost({ ...HALL, poll_ms, pollsPerEvent: 100, ...pace }, say)
    keep({ [key]: { at, isQuick, poll_ms, cost } })
  }
}
if (wanted.has('o')) {
  say('(a) OPC UA: service / bare')
  const cost = await measureChangeCost({ units: 20, speed: 10, sampling_ms: 250, ...pace, warm_s: 100 }, say)
  keep({ changeCost: { at, isQuick, cost } })
}
if (wanted.has('c')) {
  say('(c) latency')
  const latency = await measureLatency({ ...HALL, changes: isQuick ? 800 : 3000, changesPerSecond: 40 })
  say(
    `  p50 ${latency.p50_ms.toFixed(1)} ms, p99 ${latency.p99_ms.toFixed(1)} ms, max ${latency.max_ms.toFixed(1)} ms, lost ${latency.lost}`,
  )
  keep({ latency: { at, isQuick, latency } })
}
if (wanted.has('d')) {
  say('(d) hall')
  const soak = await measureSoak({ ...HALL, seconds: isQuick ? 60 : 600 })
  say(
    `  late ${soak.late}, lag ${soak.lag_max_ms} ms, CPU ${soak.cpu_percent.toFixed(1)} %, ${soak.rssStart_MB.toFixed(0)} to ${soak.rssEnd_MB.toFixed(0)} MB`,
  )
  keep({ soak: { at, isQuick, soak } })
}
say(`written: ${PAGE}`)
