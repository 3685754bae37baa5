import { availableParallelism, cpus, totalmem } from 'node:os'
import type { ChangeCost } from './change-cost.ts'
import type { Latency } from './latency.ts'
import type { PollCost } from './poll-cost.ts'
import type { Soak } from './soak.ts'

/** What was measured, part by part. Kept as JSON in the page, so that a part can be measured again alone. */
interface Run {
  readonly at: string
  readonly isQuick: boolean
}
type PollCostRun = Run & { readonly poll_ms: number; readonly cost: Omit<PollCost, 'rounds'> }
export interface Measurements {
  readonly pollCost?: PollCostRun
  readonly pollCostDense?: PollCostRun
  readonly changeCost?: Run & { readonly cost: ChangeCost }
  readonly engine?: Run & { readonly evaluations_per_s: number }
  readonly latency?: Run & { readonly latency: Latency }
  readonly soak?: Run & { readonly soak: Soak }
}

const verdict = (isMet: boolean): string => (isMet ? 'met' : '**missed**')
const date = ({ at, isQuick }: Run): string => (isQuick ? `${at}, short run` : at)
const whole = (value: number): string => value.toLocaleString('en-GB', { maximumFractionDigits: 0 })
const fixed = (value: number, digits: number): string => value.toFixed(digits)
const list = (values: readonly number[]): string => values.map((value) => value.toFixed(2)).join(', ')

export function page(found: Measurements): string {
  const { pollCost, pollCostDense, changeCost, engine, latency, soak } = found
  const rows = [
    ...[pollCost, pollCostDense].flatMap((one) =>
      one === undefined
        ? []
        : [
            `| a | Modbus, CPU per poll, all threads (200 units every ${one.poll_ms} ms) | ${fixed(one.cost.service_us, 0)} µs | ${fixed(one.cost.bare_us, 0)} µs | **${fixed(one.cost.ratio, 2)}** (${list(one.cost.ratios)}) | ≤ 1.5 | ${verdict(one.cost.ratio <= 1.5)} | ${date(one)} |`,
          ],
    ),
    ...(changeCost === undefined
      ? []
      : [
          `| a | OPC UA, CPU per value change, all threads (${whole(changeCost.cost.changesPerSecond)} changes a second of ${changeCost.cost.nodes} nodes) | ${fixed(changeCost.cost.service_us, 0)} µs | ${fixed(changeCost.cost.bare_us, 0)} µs | **${fixed(changeCost.cost.ratio, 2)}** (${list(changeCost.cost.ratios)}) | ≤ 1.5 | ${verdict(changeCost.cost.ratio <= 1.5)} | ${date(changeCost)} |`,
        ]),
    ...(engine === undefined
      ? []
      : [
          `| b | rule evaluations a second on one core | ${whole(engine.evaluations_per_s)} | | | ≥ 1,000,000 | ${verdict(engine.evaluations_per_s >= 1e6)} | ${date(engine)} |`,
        ]),
    ...(latency === undefined
      ? []
      : [
          `| c | answer sent to alarm received, ${whole(latency.latency.count)} changes, ${latency.latency.lost} lost | p50 ${fixed(latency.latency.p50_ms, 1)} ms, p99 ${fixed(latency.latency.p99_ms, 1)} ms, max ${fixed(latency.latency.max_ms, 1)} ms | a timer of 1 ms beside it: p99 ${fixed(latency.latency.stallP99_ms, 1)} ms, max ${fixed(latency.latency.stallMax_ms, 1)} ms | | p99 ≤ 20 ms, none lost | ${verdict(latency.latency.p99_ms <= 20 && latency.latency.lost === 0)} | ${date(latency)} |`,
        ]),
    ...(soak === undefined
      ? []
      : [
          `| d | 200 units every second for ${whole(soak.soak.seconds)} s: ${whole(soak.soak.polls)} polls, ${soak.soak.faults} faults | ${soak.soak.late} late, largest start lag ${fixed(soak.soak.lag_max_ms, 0)} ms, ${fixed(soak.soak.cpu_percent, 1)} % of one core, ${fixed(soak.soak.rssStart_MB, 0)} → ${fixed(soak.soak.rssEnd_MB, 0)} MB | ${soak.soak.bareLate} late, lag ${fixed(soak.soak.bareLag_max_ms, 0)} ms | | 0 late | ${verdict(soak.soak.late === 0)} | ${date(soak)} |`,
        ]),
  ]
  return `# Performance

Written by \`npm run bench\`; do not edit. \`npm run bench -- --only c,d\` measures some parts anew and
keeps the others, \`--quick\` takes six minutes instead of twenty.

Measured on ${availableParallelism()} cores (${cpus()[0]?.model.trim() ?? 'unknown'}), ${whole(totalmem() / 2 ** 30)} GB of memory, Node ${process.versions.node}, ${process.platform} ${process.arch}.
The unit's side, the broker, the subscriber and the bare client are processes of their own on the same machine, and the machine was not
ours alone: other programs ran on the same cores. A ratio is little touched by that, since both sides are measured side by side; times of
the clock (c, d) are.

| | what | mouldtend | bare | ratio (median, single windows) | aim | | date |
|---|---|---|---|---|---|---|---|
${rows.join('\n')}

## What is compared

**(a) Modbus.** The whole service as \`mouldtend run\` starts it, polling 200 units behind 8 connections: one block of 40 input registers,
14 signals, 10 rules (8 on the circuit, 2 on the unit), readings kept, and one alarm event per 100 polls, each of them journalled with an
fsync, put into the outbox, published at QoS 1 and shown on its retained topic. CPU is user and system time of the whole process with all its
threads. Bare is modbus-serial alone: the same registers of the same units, over as many connections, at the same times, one request at a time
on each, and nothing done with the answers. Both run side by side for the same time; the first 30 seconds, with
ten times as many events so that the compiler has seen their way, are not counted.

**(a) OPC UA.** The virtual hall's server; the service finds its units by itself and watches them; bare is a node-opcua subscription to the
same value nodes with the same sampling and publishing interval, which counts what comes. The number of changes is that of the bare client.
It starts 100 s after the connection. That leaves out what costs more at first: the service looks through the server 30 s and 90 s after it
connected (then ever more rarely, down to every 10 min), and in the first minute the runtime collects garbage far more often. It is worse in that first minute (performance-notes.md).
Every publish response becomes one reading for each circuit with all of its signals,
judged and kept, so the service works on more values than have changed.

**(b) Engine.** One rule on one reading is one evaluation: a unit of 14 signals and 10 rules, an event per 100 readings.

**(c) Latency.** 200 units polled every second; 40 values a second go over or back under a limit without on-delay. From just before the unit's first
answer with the new value goes to its socket, until a subscriber has the event: polling is not in it, the fsync of the journal and two ways through
the broker are. The timer beside it shows what the machine took from everybody at the same time.

**(d) Hall.** As (a), one poll per unit and second, no alarms. Late is a poll that starts over 100 ms after it was due; polls of the bare
loop beside it that are late at the same time show what the machine had in the way of everybody.

**How much the machine decides.** The figures above are those of the last run of each part. [performance-notes.md](performance-notes.md) has the
runs before it, good and bad, and what was measured by hand. Only a machine of its own can tell (c) and (d) for good.

<!-- measurements ${JSON.stringify(found)} -->
`
}

/** What an earlier run found; nothing where the page is new or strange. */
export function earlier(text: string): Measurements {
  const found = /^<!-- measurements (.*) -->$/m.exec(text)?.[1]
  if (found === undefined) return {}
  try {
    // Written by page(), and measured anew where that has changed since.
    return JSON.parse(found) as Measurements
  } catch {
    return {}
  }
}
