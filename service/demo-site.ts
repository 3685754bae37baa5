import * as z from 'zod'

const zone = z.object({
  id: z.string(),
  setValue_degC: z.number(),
  controlPoint: z.number(),
  tolerance_K: z.number(),
  designFlow_l_min: z.number(),
})
const unit = z.object({
  serial: z.string(),
  layout: z.string(),
  medium: z.string(),
  model: z.string(),
  place: z.string(),
  zones: z.array(zone),
})
/** First line of the hall: where its units are to be found and what will happen. */
export const hallSchema = z.object({
  modbus: z.array(z.object({ port: z.number(), units: z.array(unit.extend({ address: z.number() })) })),
  opcua: z.array(z.object({ endpoint: z.string(), units: z.array(unit) })),
  story: z.array(z.object({ at_s: z.number(), until_s: z.number(), unit: z.string(), place: z.string(), what: z.string() })),
})
export type HallReady = z.infer<typeof hallSchema>

const slug = (text: string): string =>
  text
    .toLowerCase()
    .replaceAll(/[^a-z0-9]+/g, '-')
    .replaceAll(/^-|-$/g, '')
const short = (place: string): string => place.replace(/^Kestrel Hall, /, '')
const sentence = (text: string): string => text.charAt(0).toUpperCase() + text.slice(1)

/** The demo's site file, written as a person would write it. Delays are shorter than the defaults, since a minute has to suffice. */
export function demoSite(
  hall: HallReady,
  at: { readonly httpPort: number; readonly mqttPort: number; readonly wsPort: number; readonly folder: string },
): string {
  const all = [...hall.modbus.flatMap((line) => line.units), ...hall.opcua.flatMap((server) => server.units)]
  const places = all.map(
    (one) =>
      `  - { id: ${slug(short(one.place))}, name: "${sentence(short(one.place))}", machine: "${sentence(short(one.place).split(',')[0] ?? '')}" }`,
  )
  const lines = hall.modbus.map((line, i) => `  gateway-${i + 1}: { host: 127.0.0.1, port: ${line.port} }`)
  const modbus = hall.modbus.flatMap((line, i) => line.units.map((one) => modbusUnit(one, `gateway-${i + 1}`)))
  const opcua = hall.opcua.map(
    (server, i) => `  - { id: ocean-${i + 1}, opcua: "${server.endpoint}", place: ${slug(short(server.units[0]?.place ?? ''))} }`,
  )
  return `# Kestrel Hall, an invented place: what the demo watches. Written for this run; ports differ from run to run.
site: kestrel-hall
timezone: UTC
places:
${places.join('\n')}
lines:
${lines.join('\n')}
units:
${[...modbus, ...opcua].join('\n')}
# The demo has a minute, not a shift: shorter delays than the defaults, which \`mouldtend check\` shows.
rules:
  temperature.deviation: { on_delay: 5 s, off_delay: 5 s }
  contact.lost: { after: 15 s }
  contact.lost_hot: { after_hot: 10 s }
  off_hot.warn: { on_delay: 5 s }
  off_hot.high: { on_delay: 5 s }
history: { file: "${at.folder}/kestrel-hall.db" }
http: { port: ${at.httpPort} }
mqtt: { embedded: { port: ${at.mqttPort}, websocket_port: ${at.wsPort} }, accept_commands: true }
canary: 10 s
`
}

function modbusUnit(one: HallReady['modbus'][number]['units'][number], line: string): string {
  const several = one.zones.length > 1
  const limits = (flow: number): string => `limits: { flow_rate: { low: ${(flow * 0.8).toFixed(1)} l/min } }`
  const rules = 'rules: { flow_rate.low: { on_delay: 5 s } }'
  const head = `  - id: ${one.serial.toLowerCase()}
    serial: ${one.serial}
    medium: ${one.medium}
    line: ${line}
    address: ${one.address}
    profile: ${one.layout}
    place: ${slug(short(one.place))}
    pressure_rating: 25 bar`
  if (!several) return `${head}\n    ${limits(one.zones[0]?.designFlow_l_min ?? 10)}\n    ${rules}`
  const circuits = one.zones.map((each) => `      ${each.id.toLowerCase()}: { ${limits(each.designFlow_l_min)}, ${rules} }`)
  return `${head}\n    circuits:\n${circuits.join('\n')}`
}
