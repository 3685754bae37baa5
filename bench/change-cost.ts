import { setTimeout as sleep } from 'node:timers/promises'
import { median, onStage, openBroker, openHall, openMeasured, untilReady, useBetween } from './processes.ts'
import { writeOpcUaSite } from './site.ts'

// (a) for OPC UA: CPU of the whole service per changed value, against a bare subscription to the same nodes in the same run.

export interface ChangeCostOrder {
  readonly units: number
  /** Virtual seconds per second: how fast values change. */
  readonly speed: number
  readonly sampling_ms: number
  readonly warm_s: number
  readonly windows: number
  readonly window_s: number
  /** For the service alone, e.g. a profiler. */
  readonly execArgv?: readonly string[]
}
export interface ChangeCost {
  readonly nodes: number
  readonly changesPerSecond: number
  readonly service_us: number
  readonly bare_us: number
  readonly ratio: number
  readonly ratios: readonly number[]
}

export function measureChangeCost(order: ChangeCostOrder, say: (line: string) => void): Promise<ChangeCost> {
  return onStage(async (stage) => {
    const hall = await openHall(stage, '--units', `opcua:${order.units}`, '--speed', String(order.speed))
    const endpoint = hall.opcua[0]?.endpoint ?? ''
    const brokerUrl = await openBroker(stage)
    const site = writeOpcUaSite({ folder: stage.folder, endpoint, sampling_ms: order.sampling_ms, brokerUrl })
    const service = await openMeasured(stage, './run-service.ts', [site], order.execArgv)
    await untilReady(service)
    let nodes = await service.nodes()
    while (nodes.length === 0) {
      await sleep(200)
      nodes = await service.nodes()
    }
    const bare = await openMeasured(stage, './run-opcua.ts', [endpoint, String(order.sampling_ms), JSON.stringify(nodes)])
    await untilReady(bare)
    await sleep(order.warm_s * 1000)
    const rounds: { readonly service_us: number; readonly bare_us: number; readonly perSecond: number }[] = []
    for (let window = 0; window < order.windows; window++) {
      const before = await Promise.all([service.look(), bare.look()])
      await sleep(order.window_s * 1000)
      const after = await Promise.all([service.look(), bare.look()])
      const [of_service, of_bare] = [useBetween(before[0], after[0]), useBetween(before[1], after[1])]
      // Both watch the same values of one server at the same time: what one is told, the other is told.
      const changes = of_bare.done
      rounds.push({
        service_us: of_service.cpu_us / changes,
        bare_us: of_bare.cpu_us / changes,
        perSecond: changes / of_bare.seconds,
      })
      say(
        `  ${(of_service.cpu_us / changes).toFixed(0)} / ${(of_bare.cpu_us / changes).toFixed(0)} µs = ` +
          `${(of_service.cpu_us / of_bare.cpu_us).toFixed(2)}; ${(changes / of_bare.seconds).toFixed(0)} changes per second of ${nodes.length} nodes`,
      )
    }
    const ratios = rounds.map(({ service_us, bare_us }) => service_us / bare_us)
    return {
      nodes: nodes.length,
      changesPerSecond: median(rounds.map(({ perSecond }) => perSecond)),
      service_us: median(rounds.map(({ service_us }) => service_us)),
      bare_us: median(rounds.map(({ bare_us }) => bare_us)),
      ratio: median(ratios),
      ratios,
    }
  })
}
