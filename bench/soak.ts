import { setTimeout as sleep } from 'node:timers/promises'
import { onStage, openBroker, openHall, openMeasured, untilReady } from './processes.ts'
import { writeModbusSite } from './site.ts'

// (d) A hall of 200 units, polled once a second: is every poll on time, and what does it cost?

export interface SoakOrder {
  readonly units: number
  readonly ports: number
  readonly poll_ms: number
  readonly seconds: number
}
export interface Soak {
  readonly seconds: number
  readonly polls: number
  readonly late: number
  readonly lag_max_ms: number
  /** Of a bare read loop beside it: what the machine itself had in the way of everybody. */
  readonly bareLate: number
  readonly bareLag_max_ms: number
  readonly faults: number
  /** Of one core, in percent. */
  readonly cpu_percent: number
  readonly rssStart_MB: number
  readonly rssEnd_MB: number
}
/** Until every unit has been polled and the first garbage is gone. */
const SETTLED_MS = 10_000

export function measureSoak(order: SoakOrder): Promise<Soak> {
  return onStage(async (stage) => {
    const hall = await openHall(stage, '--fleet', String(order.units), '--ports', String(order.ports))
    const brokerUrl = await openBroker(stage)
    const site = writeModbusSite({ folder: stage.folder, lines: hall.modbus, poll_ms: order.poll_ms, brokerUrl })
    const service = await openMeasured(stage, './run-service.ts', [site])
    const bare = await openMeasured(stage, './run-modbus.ts', [String(order.poll_ms), JSON.stringify(hall.modbus)])
    await Promise.all([untilReady(service), untilReady(bare)])
    await sleep(SETTLED_MS)
    const [before, bareBefore] = await Promise.all([service.look(), bare.look()])
    await sleep(order.seconds * 1000)
    const [after, bareAfter] = await Promise.all([service.look(), bare.look()])
    const seconds = (after.at_ms - before.at_ms) / 1000
    return {
      seconds,
      polls: after.done - before.done,
      late: after.late - before.late,
      lag_max_ms: after.lag_max_ms,
      bareLate: bareAfter.late - bareBefore.late,
      bareLag_max_ms: bareAfter.lag_max_ms,
      faults: after.faults - before.faults,
      cpu_percent: (after.cpu_us - before.cpu_us) / (seconds * 1e4),
      rssStart_MB: before.rss_bytes / 1e6,
      rssEnd_MB: after.rss_bytes / 1e6,
    }
  })
}
