import { writeFileSync } from 'node:fs'
import { join } from 'node:path'

/** What a poll of the bench asks for: one block of 40 input registers, as the fleet of simulator/ serves them. */
export const REGISTERS = 40

/** 14 signals out of these 40 registers. The gap of 39 makes one block of them; the last one is only there to end it. */
const PROFILE = `format: 1
name: bench
limits: { registers: 125, gap: 39 }
defaults: { table: input_register, type: int16 }
signals:
  temperature.set_value: { address: 0, decimals: 1, unit: °C, min: -30 °C, max: 400 °C }
  temperature.main_line: { address: 1, decimals: 1, unit: °C, not_available: [0x7FFF], min: -50 °C, max: 450 °C }
  temperature.return_line: { address: 2, decimals: 1, unit: °C, not_available: [0x7FFF], min: -50 °C, max: 450 °C }
  temperature.actual: { address: 4, decimals: 1, unit: °C, not_available: [0x7FFF], min: -50 °C, max: 450 °C }
  flow_rate: { address: 5, decimals: 1, unit: l/min, not_available: [0x7FFF] }
  pressure.main_line: { address: 6, decimals: 2, unit: bar, not_available: [0x7FFF] }
  pressure.return_line: { address: 7, decimals: 2, unit: bar, not_available: [0x7FFF] }
  regulation_ratio: { address: 8, decimals: 1, unit: '%', min: -100 %, max: 100 % }
  process_power: { address: 9, decimals: 1, unit: kW }
  pump_speed: { address: 10, decimals: 1, unit: '%' }
  pump_speed_rpm: { address: 11, type: uint16, unit: 1/min }
  hours_of_operation: { address: 14, type: uint32, decimals: 1, unit: h }
  pump.running: { address: 18, bit: 0 }
  refill.count: { address: 39, type: uint16 }
`

/** A Modbus port with the units behind it, as the fleet announces them. */
export interface FleetLine {
  readonly port: number
  readonly units: readonly { readonly unit: number; readonly address: number }[]
}
export interface SiteOrder {
  readonly folder: string
  readonly lines: readonly FleetLine[]
  readonly poll_ms: number
  readonly brokerUrl: string
}

/** A site of bare units with ten rules for each, one of which has no delay. Returns the file. */
export function writeModbusSite({ folder, lines, poll_ms, brokerUrl }: SiteOrder): string {
  writeFileSync(join(folder, 'bench.yaml'), PROFILE)
  const units = lines.flatMap(({ units: behind }, line) =>
    behind.map(({ unit, address }) => `  - { id: unit-${unit}, template: bare, line: gateway-${line + 1}, address: ${address} }`),
  )
  const file = join(folder, 'site.yaml')
  writeFileSync(
    file,
    `site: kestrel-hall
lines:
${lines.map(({ port }, line) => `  gateway-${line + 1}: { host: 127.0.0.1, port: ${port} }`).join('\n')}
templates:
  bare:
    medium: water
    profile: ./bench.yaml
    poll: ${poll_ms} ms
    pressure_rating: 25 bar
    limits:
      temperature.main_line: { high: 85 degC }
    rules:
      no_reserve: { enabled: false }
      temperature.main_line.high: { on_delay: 0 s, off_delay: 0 s }
units:
${units.join('\n')}
history: { file: bench.db }
http: { port: 0 }
mqtt: { url: "${brokerUrl}" }
`,
  )
  return file
}

/** A site of one OPC UA server that is found by itself. */
export function writeOpcUaSite(order: {
  readonly folder: string
  readonly endpoint: string
  readonly sampling_ms: number
  readonly brokerUrl: string
}): string {
  const file = join(order.folder, 'site.yaml')
  writeFileSync(
    file,
    `site: kestrel-hall
units:
  - { id: ocean, opcua: { endpoint: "${order.endpoint}", sampling: ${order.sampling_ms} ms } }
history: { file: bench.db }
http: { port: 0 }
mqtt: { url: "${order.brokerUrl}" }
`,
  )
  return file
}
