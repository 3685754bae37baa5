import { connect } from 'mqtt'
import { monitorEventLoopDelay } from 'node:perf_hooks'
import { setTimeout as sleep } from 'node:timers/promises'
import { onStage, openBroker, openHall, openMeasured, untilReady } from './processes.ts'
import { writeModbusSite } from './site.ts'

/*
 * (c) From the moment at which the unit's first answer with a new value leaves to the moment at which a subscriber of the
 * broker has the alarm: collecting, judging, the fsync of the journal, and two ways over MQTT are in between. Unit, service,
 * broker and subscriber are processes of their own on one machine and read the same clock.
 */
export interface LatencyOrder {
  readonly units: number
  readonly ports: number
  readonly poll_ms: number
  readonly changes: number
  readonly changesPerSecond: number
}
export interface Latency {
  readonly count: number
  readonly p50_ms: number
  readonly p99_ms: number
  readonly max_ms: number
  /** Changes whose message never came. */
  readonly lost: number
  /** How late a timer of 1 ms came in the subscriber's process, which has next to nothing to do: what the machine took from everybody. */
  readonly stallP99_ms: number
  readonly stallMax_ms: number
}

interface Change {
  readonly unit: number
  readonly value: number
  readonly sent_ms: number
}
interface Heard {
  readonly unit: number
  readonly event: string
  readonly at_ms: number
}
const now_ms = (): number => performance.timeOrigin + performance.now()
/** On either side of the limit of 85 °C. */
const [HOT, GOOD] = [90, 80]
const EVENT = { raised: HOT, returned: GOOD } as const

export function measureLatency(order: LatencyOrder): Promise<Latency> {
  return onStage(async (stage) => {
    const hall = await openHall(stage, '--fleet', String(order.units), '--ports', String(order.ports))
    const brokerUrl = await openBroker(stage)
    const site = writeModbusSite({ folder: stage.folder, lines: hall.modbus, poll_ms: order.poll_ms, brokerUrl })
    const heard: Heard[] = []
    const subscriber = connect(brokerUrl, { protocolVersion: 5 })
    stage.add(() => subscriber.endAsync())
    subscriber.on('message', (topic, payload) => {
      const at_ms = now_ms()
      const unit = /\/unit-(\d+)\.a\/event$/.exec(topic)?.[1]
      // Our own payload; its schema has tests of its own.
      const { event } = JSON.parse(payload.toString()) as { readonly event: string }
      if (unit !== undefined) heard.push({ unit: Number(unit), event, at_ms })
    })
    await subscriber.subscribeAsync('mouldtend/+/+/+/event', { qos: 1 })
    const service = await openMeasured(stage, './run-service.ts', [site])
    await untilReady(service)
    await sleep(5000 + order.poll_ms)

    const every_ms = 1000 / order.changesPerSecond
    // A round over all units first, for the compiler; it is not counted.
    await change(order.units, HOT)
    heard.length = 0
    await hall.command('forget', {})
    const stalls = monitorEventLoopDelay({ resolution: 1 })
    stalls.enable()
    await change(order.changes, GOOD)
    stalls.disable()
    const changes = await hall.view<readonly Change[]>('changes')
    return { ...summary(changes, heard), stallP99_ms: stalls.percentile(99) / 1e6, stallMax_ms: stalls.max / 1e6 }

    /** Every unit in turn, from one side of the limit to the other; each is back only after all others. */
    async function change(count: number, first: number): Promise<void> {
      const start_ms = performance.now()
      for (let i = 0; i < count; i++) {
        const isFirst = Math.floor(i / order.units) % 2 === 0
        const value = isFirst ? first : HOT + GOOD - first
        await hall.command('step', { unit: 1 + (i % order.units), value })
        const wait_ms = start_ms + (i + 1) * every_ms - performance.now()
        if (wait_ms > 0) await sleep(wait_ms)
      }
      await sleep(order.poll_ms + 3000)
    }
  })
}

/** Joins what was sent with what was heard: the n-th change of a unit and the n-th alarm of it. */
function summary(changes: readonly Change[], heard: readonly Heard[]): Omit<Latency, 'stallP99_ms' | 'stallMax_ms'> {
  const byUnit = Map.groupBy(heard, ({ unit }) => unit)
  const took: number[] = []
  let lost = 0
  for (const [unit, sent] of Map.groupBy(changes, (one) => one.unit)) {
    const got = (byUnit.get(unit) ?? []).filter(({ event }) => event === 'raised' || event === 'returned')
    for (const [index, { value, sent_ms }] of sent.entries()) {
      const found = got[index]
      if (found === undefined || EVENT[found.event as keyof typeof EVENT] !== value) lost++
      else took.push(found.at_ms - sent_ms)
    }
  }
  took.sort((a, b) => a - b)
  const at = (share: number): number => took[Math.min(took.length - 1, Math.floor(share * took.length))] ?? Number.NaN
  return { count: took.length, p50_ms: at(0.5), p99_ms: at(0.99), max_ms: at(1), lost }
}
