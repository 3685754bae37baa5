import * as z from 'zod'
import { PHASES } from '../rules/phases.ts'
import { anyQuantity, choice, flag, quantity, says, slug, text, whole } from './schema-words.ts'

const SECOND = 1000
const HOUR = 3600 * SECOND
const DAY = 24 * HOUR
const time = (min: number, max: number, hint: string) => quantity('ms', { min, max, hint })
const anyTime = time(0, 30 * DAY, 'from 0 s to 30 d')
const positive_K = quantity('K', { min: 0.01, max: 200, hint: 'above 0 K, up to 200 K' })

/** Where a secret is found; the secret itself never stands in the file. */
const secret = z
  .strictObject({ env: text('the name of an environment variable').optional(), file: text('a file').optional() })
  .refine((ref) => (ref.env === undefined) !== (ref.file === undefined), {
    error: says(
      'expected env or file, one of them',
      'Write { env: NAME } or { file: /path }; the secret itself never stands in this file.',
    ),
  })
  .transform((ref) => (ref.env === undefined ? { file: ref.file ?? '' } : { env: ref.env }))

const words = z.strictObject({
  what: text('what is wrong').optional(),
  causes: z.array(text('a cause')).max(10).optional(),
  first_step: text('a first step', 400).optional(),
  consequence: text('the consequence', 400).optional(),
  respond: anyTime.optional(),
})
const start = z.strictObject({
  timeout: time(0, DAY, 'from 0 s to 24 h').optional(),
  hold: anyTime.optional(),
  on_start: flag.optional(),
  on_set_value: flag.optional(),
  set_value_step: quantity('K', { min: 0, max: 200 }).optional(),
  cap: anyTime.optional(),
  cap_window: anyTime.optional(),
})
const CUSTOM_KINDS = ['high', 'low', 'band', 'high_above', 'off_normal', 'discrepancy'] as const
/** Changes to a default rule, or with `kind` a rule of the site's own. */
const rule = z.strictObject({
  enabled: flag.optional(),
  kind: choice(...CUSTOM_KINDS).optional(),
  signal: text('a signal', 80).optional(),
  /** Signal or value that the signal is compared with (band, high_above, discrepancy). */
  reference: anyQuantity.optional(),
  limit: anyQuantity.optional(),
  plus: anyQuantity.optional(),
  minus: anyQuantity.optional(),
  deadband: anyQuantity.optional(),
  normal: z.number().optional(),
  tolerance: anyQuantity.optional(),
  expected: anyTime.optional(),
  after: anyTime.optional(),
  after_hot: anyTime.optional(),
  priority: choice('high', 'medium', 'low').optional(),
  severity: whole(1, 1000).optional(),
  on_delay: anyTime.optional(),
  off_delay: anyTime.optional(),
  latch: flag.optional(),
  re_alarm: anyTime.optional(),
  re_alarm_max: whole(1, 1000).optional(),
  max_shelve: time(SECOND, 30 * DAY, 'from 1 s to 30 d').optional(),
  phases: z
    .array(choice(...PHASES))
    .min(1)
    .optional(),
  armed_by_start: flag.optional(),
  start: start.optional(),
  words: words.optional(),
})
export type RuleSettings = z.infer<typeof rule>

const limit = z.strictObject({
  low_low: anyQuantity.optional(),
  low: anyQuantity.optional(),
  high: anyQuantity.optional(),
  high_high: anyQuantity.optional(),
})
const tolerance = z.union([
  positive_K.transform((both) => ({ plus_K: both, minus_K: both })),
  z.strictObject({ plus: positive_K, minus: positive_K }).transform(({ plus, minus }) => ({ plus_K: plus, minus_K: minus })),
])

const circuitFields = {
  place: slug('a place').optional(),
  control_point: choice('main_line', 'return_line', 'external', 'unit').optional(),
  tolerance: tolerance.optional(),
  switch_off: quantity('degC', { min: 20, max: 200 }).optional(),
  /** How far a start usually has to go, for the longest start that is still waited for. */
  start_distance: quantity('K', { min: 1, max: 400 }).optional(),
  /** What the weakest part of the circuit (hose, coupling, mould) is made for. */
  pressure_rating: quantity('bar', { min: 0.1, max: 1000 }).optional(),
  limits: z.record(z.string(), limit).optional(),
  rules: z.record(z.string(), rule).optional(),
  nodes: z.record(z.string(), text('a node id', 500)).optional(),
  /** What a recording gives, where no profile says it. */
  signals: z.array(text('a signal', 80)).min(1).optional(),
}
const circuit = z.strictObject({ ...circuitFields, base: whole(0, 65_535).optional() })

const link = {
  host: text('a host name or address', 253).optional(),
  port: whole(1, 65_535).optional(),
  /** tcp: Modbus TCP; rtu: RTU frames through a TCP connection. */
  framing: choice('tcp', 'rtu').optional(),
  device: text('a serial device').optional(),
  baud: whole(300, 1_000_000).optional(),
  parity: choice('none', 'even', 'odd').optional(),
  data_bits: whole(7, 8).optional(),
  stop_bits: whole(1, 2).optional(),
  timeout: time(50, 60 * SECOND, 'from 50 ms to 60 s').optional(),
  retries: whole(0, 5).optional(),
}
const connection = z.strictObject(link)
export type LinkSettings = z.infer<typeof connection>

const endpoint = z
  .string({ error: says('expected an endpoint', 'Write it like opc.tcp://10.0.0.5:4840.') })
  .regex(/^opc\.tcp:\/\/[^\s/@]+(?:\/\S*)?$/, {
    error: says('expected an endpoint like opc.tcp://10.0.0.5:4840', 'User and password do not belong into it.'),
  })
const opcuaLong = z.strictObject({
  endpoint,
  security_mode: choice('None', 'Sign', 'SignAndEncrypt').optional(),
  security_policy: choice('None', 'Basic256Sha256', 'Aes128_Sha256_RsaOaep', 'Aes256_Sha256_RsaPss').optional(),
  user: text('a user').optional(),
  password: secret.optional(),
  certificate: text('a file').optional(),
  private_key: text('a file').optional(),
  pki: text('a folder').optional(),
  sampling: time(50, HOUR, 'from 50 ms to 1 h').optional(),
  queue: whole(1, 1000).optional(),
  timeout: time(100, 120 * SECOND, 'from 100 ms to 120 s').optional(),
  discover: flag.optional(),
})
export type OpcUaSettings = z.infer<typeof opcuaLong>
const opcua = z.union([endpoint.transform((url): OpcUaSettings => ({ endpoint: url })), opcuaLong])
const replay = z.union([
  text('a file').transform((file) => ({ file, speed: 1 as number | 'full' })),
  z.strictObject({ file: text('a file'), speed: z.union([z.number().min(0.01).max(100_000), z.literal('full')]).default(1) }),
])

/** '1..40', or a list of numbers and ranges. */
const list = z.union([text('a range', 40), whole(0, 9999), z.array(z.union([text('a range', 40), whole(0, 9999)])).min(1)], {
  error: says('expected a range', 'Write it like 1..40, or [1, 3, 5..9].'),
})

const unitFields = {
  ...circuitFields,
  serial: text('a serial number', 80).optional(),
  medium: choice('water', 'oil').optional(),
  poll: time(50, HOUR, 'from 50 ms to 1 h').optional(),
  stale_after: time(SECOND, DAY, 'from 1 s to 24 h').optional(),
  booting: time(0, HOUR, 'from 0 s to 1 h').optional(),
  line: slug('a line').optional(),
  connection: connection.optional(),
  opcua: opcua.optional(),
  replay: replay.optional(),
  /** Unit identifier on the wire. */
  address: z
    .union([whole(0, 255), z.string().regex(/^<n{1,4}>$/, { error: says('expected 0..255', 'Write a whole number, or <n> in a list.') })])
    .optional(),
  profile: text('a profile').optional(),
  circuits: z
    .union([
      z.record(slug('a circuit'), circuit),
      z
        .array(slug('a circuit'))
        .min(1)
        .transform((ids): Record<string, CircuitSettings> => Object.fromEntries(ids.map((id) => [id, {}]))),
    ])
    .optional(),
}
const template = z.strictObject(unitFields)
const override = z.strictObject({ ...unitFields, id: slug('an id').optional(), template: slug('a template').optional() })
const unit = z.strictObject({
  id: slug('an id'),
  template: slug('a template').optional(),
  list: list.optional(),
  overrides: z.record(z.string(), override).optional(),
  ...unitFields,
})
export type CircuitSettings = z.infer<typeof circuit>
export type UnitLayer = z.infer<typeof override>

const place = z.strictObject({
  id: slug('an id'),
  list: list.optional(),
  name: text('a name').optional(),
  machine: text('a machine').optional(),
  half: text('a mould half').optional(),
  connection: text('a connection').optional(),
})
const supply = z.strictObject({
  id: slug('an id'),
  name: text('a name').optional(),
  kind: choice('cooling_water', 'electricity', 'network', 'gateway', 'compressed_air', 'other'),
  /** Unit ids; a star stands for any rest: `north-*`. */
  units: z.array(text('a unit', 80)).min(1),
})

const webUrl = z.string().regex(/^https?:\/\/[^\s@]+$/, {
  error: says('expected an address like https://hooks.kestrel.example/alarms', 'User and password do not belong into it; use headers.'),
})
const brokerUrl = z.string().regex(/^(?:mqtts?|wss?):\/\/[^\s@]+$/, {
  error: says('expected an address like mqtts://broker.kestrel.example:8883', 'User and password have keys of their own.'),
})

export const siteSchema = z
  .strictObject({
    site: slug('a site name'),
    timezone: text('a time zone', 60).optional(),
    altitude: quantity('m', { min: -500, max: 6000 }).optional(),
    places: z.array(place).optional(),
    supplies: z.array(supply).optional(),
    lines: z.record(slug('a line'), connection).optional(),
    templates: z.record(slug('a template'), template).optional(),
    units: z.array(unit).min(1, { error: says('expected one unit at least', 'Add a unit.') }),
    rules: z.record(z.string(), rule).optional(),
    history: z.strictObject({ file: text('a file').optional(), keep: time(HOUR, 3660 * DAY, 'from 1 h to 3660 d').optional() }).optional(),
    http: z.strictObject({ host: text('a host').optional(), port: whole(0, 65_535).optional() }).optional(),
    mqtt: z
      .strictObject({
        url: brokerUrl.optional(),
        embedded: z
          .strictObject({ host: text('a host').optional(), port: whole(0, 65_535).optional(), websocket_port: whole(0, 65_535).optional() })
          .optional(),
        client_id: text('a client id', 120).optional(),
        user: text('a user').optional(),
        password: secret.optional(),
        ca: text('a file').optional(),
        certificate: text('a file').optional(),
        private_key: text('a file').optional(),
        heartbeat: time(SECOND, HOUR, 'from 1 s to 1 h').optional(),
        accept_commands: flag.optional(),
      })
      .optional(),
    webhook: z
      .strictObject({
        url: webUrl,
        headers: z.record(text('a header', 100), z.union([text('a value', 1000), secret])).optional(),
        timeout: time(100, 120 * SECOND, 'from 100 ms to 120 s').optional(),
        min_priority: choice('high', 'medium', 'low').optional(),
      })
      .optional(),
    canary: time(SECOND, HOUR, 'from 1 s to 1 h').optional(),
  })
  .meta({ title: 'mouldtend site', description: 'What one site has and how it is watched' })
export type SiteFile = z.infer<typeof siteSchema>
export type UnitEntry = SiteFile['units'][number]
