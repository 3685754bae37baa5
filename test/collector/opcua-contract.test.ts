import { openOpcUa } from '../../collector/adapters/opcua.ts'
import { systemClock } from '../../collector/clock.ts'
import { serveOpcUa } from '../../simulator/opcua/server.ts'
import { sourceContract, type SourceBench } from '../contract/source.ts'
import { circuitPlan, settingsFor, tempFolder, testUnit, unitPlan } from './opcua-bench.ts'
import { noSecrets } from './plans.ts'
import { proxyTo } from './wire.ts'

async function bench(): Promise<SourceBench> {
  const folder = tempFolder()
  const { unit } = testUnit('KH-4004', ['A'])
  const hall = await serveOpcUa([unit], { port: 0, pki: `${folder.path}/server`, allowAnonymous: true })
  const way = await proxyTo(() => hall.port)
  const node = (path: string): string => `nsu=urn:kestrel-hall:virtual-units;s=KH-4004/A/DeviceZone/${path}`
  const plan = circuitPlan('north-01', 'a', [
    { signal: 'temperature.main_line', node: node('TemperatureMainLine') },
    { signal: 'flow_rate', node: node('FlowRate/ActualValue') },
    { signal: 'process_power', node: node('ActualProcessPower') },
  ])
  const settings = settingsFor(`opc.tcp://127.0.0.1:${way.port}`, `${folder.path}/own`, { discover: false, timeout_ms: 1000 })
  return {
    open: (sink) => openOpcUa(settings, [unitPlan('north-01', '', [plan], 50)], sink, systemClock(), noSecrets),
    circuit: plan.key,
    values: [80, 30, -3.5],
    cut: async () => way.silence(true),
    restore: async () => way.silence(false),
    slow: async () => void (way.delay_ms = 60),
    connections: way.connections,
    end: async () => {
      await way.end()
      await hall.close()
      folder.remove()
    },
  }
}

sourceContract('OPC UA', bench, {
  'late polls': 'nothing is asked per poll: the server sends what changes by itself, and a slow one only sends later',
})
