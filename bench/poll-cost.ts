import { setTimeout as sleep } from 'node:timers/promises'
import {
  median,
  onStage,
  openBroker,
  openHall,
  openMeasured,
  untilReady,
  useBetween,
  type Hall,
  type Measured,
  type Use,
} from './processes.ts'
import { writeModbusSite } from './site.ts'

// (a) CPU of the whole service per poll, against a bare read loop in the same run.

export interface PollCostOrder {
  readonly units: number
  readonly ports: number
  readonly poll_ms: number
  readonly rounds: number
  readonly warm_s: number
  readonly pollsPerEvent: number
  readonly windows: number
  readonly window_s: number
  /** For the service alone, e.g. a profiler's. */
  readonly execArgv?: readonly string[]
}
export interface Round {
  readonly service_us: number
  readonly bare_us: number
  readonly ratio: number
  readonly service: Use
  readonly bare: Use
}
export interface PollCost {
  readonly rounds: readonly Round[]
  readonly ratio: number
  readonly ratios: readonly number[]
  readonly service_us: number
  readonly bare_us: number
}

export function measurePollCost(order: PollCostOrder, say: (line: string) => void): Promise<PollCost> {
  return onStage(async (stage) => {
    const hall = await openHall(stage, '--fleet', String(order.units), '--ports', String(order.ports))
    const brokerUrl = await openBroker(stage)
    const rounds: Round[] = []
    for (let round = 0; round < order.rounds; round++) {
      await onStage(async (own) => {
        const site = writeModbusSite({ folder: own.folder, lines: hall.modbus, poll_ms: order.poll_ms, brokerUrl })
        const service = await openMeasured(own, './run-service.ts', [site], order.execArgv)
        const bare = await openMeasured(own, './run-modbus.ts', [String(order.poll_ms), JSON.stringify(hall.modbus)])
        for (const pair of await useOfBoth(hall, service, bare, order)) {
          rounds.push(pair)
          say(
            `  ${pair.service_us.toFixed(0)} / ${pair.bare_us.toFixed(0)} µs = ${pair.ratio.toFixed(2)}; ` +
              `${(pair.service.done / pair.service.seconds).toFixed(0)} / ${(pair.bare.done / pair.bare.seconds).toFixed(0)} polls per second, ` +
              `one event per ${(pair.service.done / pair.service.events).toFixed(0)} polls, ` +
              `late ${pair.service.late} / ${pair.bare.late}, faults ${pair.service.faults} / ${pair.bare.faults}`,
          )
        }
      })
    }
    return {
      rounds,
      ratio: median(rounds.map(({ ratio }) => ratio)),
      ratios: rounds.map(({ ratio }) => ratio),
      service_us: median(rounds.map((round) => round.service_us)),
      bare_us: median(rounds.map((round) => round.bare_us)),
    }
  })
}

/** Both at work side by side, so that whatever else the machine has to do meets both. */
async function useOfBoth(hall: Hall, service: Measured, bare: Measured, order: PollCostOrder): Promise<readonly Round[]> {
  await Promise.all([untilReady(service), untilReady(bare)])
  const every_ms = (order.pollsPerEvent * order.poll_ms) / order.units
  // More events at first, or the compiler would not know their way even after minutes; a service runs for months.
  const many = stepEvery(hall, order.units, every_ms / 10)
  await sleep(order.warm_s * 1000)
  await many.close()
  const steps = stepEvery(hall, order.units, every_ms)
  await sleep(3000)
  const rounds: Round[] = []
  for (let window = 0; window < order.windows; window++) {
    const before = await Promise.all([service.look(), bare.look()])
    await sleep(order.window_s * 1000)
    const after = await Promise.all([service.look(), bare.look()])
    const [of_service, of_bare] = [useBetween(before[0], after[0]), useBetween(before[1], after[1])]
    const service_us = of_service.cpu_us / of_service.done
    const bare_us = of_bare.cpu_us / of_bare.done
    rounds.push({ service: of_service, bare: of_bare, service_us, bare_us, ratio: service_us / bare_us })
  }
  await steps.close()
  return rounds
}

/** Raises and returns one alarm after the other, one event each `every_ms`, on a few units in turn: none stays up for long. */
function stepEvery(hall: Hall, units: number, every_ms: number): { readonly close: () => Promise<void> } {
  const few = Math.max(1, Math.min(units, 10))
  let step = 0
  let last: Promise<void> = Promise.resolve()
  const timer = setInterval(() => {
    const unit = 1 + (step % few) * Math.floor(units / few)
    const value = Math.floor(step / few) % 2 === 0 ? 90 : 80
    step++
    last = hall.command('step', { unit, value })
  }, every_ms)
  return {
    close: async () => {
      clearInterval(timer)
      await last
    },
  }
}
