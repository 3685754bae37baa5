import { openModbus } from '../../collector/adapters/modbus.ts'
import { systemClock } from '../../collector/clock.ts'
import { sourceContract, type SourceBench } from '../contract/source.ts'
import { circuit, map, noSecrets, row, tcp, unit } from './plans.ts'
import { proxyTo, registers, rtuAnswer, scripted, tcpAnswer } from './wire.ts'

const plan = circuit(
  'north-01',
  'a',
  map([
    row('temperature.main_line', 0, { decimals: 1 }),
    row('temperature.set_value', 1, { decimals: 1 }),
    row('flow_rate', 30, { decimals: 1, unit: 'l_min' }),
  ]),
)

const bench = (kind: 'modbus_tcp' | 'modbus_rtu_over_tcp') => async (): Promise<SourceBench> => {
  const answer = kind === 'modbus_tcp' ? tcpAnswer : rtuAnswer
  const device = await scripted(kind === 'modbus_tcp' ? 'tcp' : 'rtu', (asked, say) => {
    say(answer(asked, registers(...Array.from({ length: asked.count }, (_, at) => (asked.address + at) * 10 - 5))))
  })
  const way = await proxyTo(() => device.port)
  return {
    open: (sink) => openModbus(tcp(way.port, ['north-01'], { kind }), [unit('north-01', [plan])], sink, systemClock(), noSecrets),
    circuit: plan.key,
    values: [-0.5, 0.5, 29.5],
    cut: async () => way.silence(true),
    restore: async () => way.silence(false),
    slow: async () => void (way.delay_ms = 60),
    connections: way.connections,
    end: async () => {
      await way.end()
      await device.end()
    },
  }
}

sourceContract('Modbus TCP', bench('modbus_tcp'))
sourceContract('Modbus RTU over TCP', bench('modbus_rtu_over_tcp'))
