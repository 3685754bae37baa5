import { mkdtemp, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { expect, test } from 'vitest'
import { format } from '../../config/finding.ts'
import { loadSite, loadText } from '../../config/load.ts'
import type { CircuitPlan, Plan, RulePlan, SourcePlan } from '../../config/plan.ts'

const HEAD = 'site: kestrel-hall\n'
const UNIT = 'units:\n  - id: a\n    connection: { host: h }\n    profile: tenths16\n    pressure_rating: 10 bar\n'

async function planOf(text: string): Promise<Plan> {
  const loaded = await loadText(text, 'site.yaml', '/etc/kestrel')
  if (loaded.kind === 'bad') throw new Error(loaded.errors.map(format).join('\n'))
  return loaded.plan
}
async function findings(text: string): Promise<{ errors: string[]; warnings: string[] }> {
  const loaded = await loadText(text, 'site.yaml', '/etc/kestrel')
  return { errors: loaded.kind === 'bad' ? loaded.errors.map(format) : [], warnings: loaded.warnings.map(format) }
}
const circuit = (plan: Plan, key: string): CircuitPlan => {
  const found = plan.units.flatMap((unit) => unit.circuits).find((each) => each.key === key)
  if (found === undefined) throw new Error(`no circuit ${key}`)
  return found
}
const rule = (plan: Plan, key: string, id: string): RulePlan | undefined => circuit(plan, key).rules.find((each) => each.id === id)
const modbus = (plan: Plan) => plan.sources.filter((each): each is Extract<SourcePlan, { host: string }> => each.kind === 'modbus_tcp')

test('ten lines are a site', async () => {
  const plan = await planOf(`${HEAD}${UNIT}`)
  expect(plan.timezone).toBe('UTC')
  expect(plan.units.map((unit) => unit.id)).toEqual(['a'])
  expect(circuit(plan, 'a/a').place).toBe('a')
  expect(plan.places).toEqual([{ id: 'a', name: 'a', machine: '', half: '', connection: '', ofUnit: 'a' }])
  expect(plan.sources).toEqual([
    {
      kind: 'modbus_tcp',
      id: 'a',
      host: 'h',
      port: 502,
      timeout_ms: 1000,
      retries: 1,
      line: 'site.yaml:4',
      units: [{ unit: 'a', address: 1, line: 'site.yaml:3' }],
    },
  ])
})

test('units behind one gateway share one connection, by a line or by the same host and port', async () => {
  const byLine = await planOf(
    `${HEAD}lines: { g: { host: h } }\nunits:\n${[1, 2, 3].map((n) => `  - { id: u${n}, line: g, address: ${n}, profile: tenths16, pressure_rating: 9 bar }`).join('\n')}`,
  )
  expect(modbus(byLine).map((each) => [each.id, each.units.map((unit) => unit.address)])).toEqual([['g', [1, 2, 3]]])
  const byHost = await planOf(
    `${HEAD}units:\n${[1, 2].map((n) => `  - { id: u${n}, connection: { host: h, port: 502 }, address: ${n}, profile: tenths16, pressure_rating: 9 bar }`).join('\n')}`,
  )
  expect(modbus(byHost).map((each) => [each.id, each.units.map((unit) => unit.unit)])).toEqual([['u1', ['u1', 'u2']]])
})

test('a template, a list and overrides: forty units, each layer over the one before', async () => {
  const plan = await planOf(
    [
      HEAD,
      'places: [{ id: p-<nn>, list: 1..40, name: Place <n> }]',
      'lines: { g: { host: h } }',
      'templates:',
      '  t: { profile: tenths16, line: g, address: <n>, place: p-<nn>, tolerance: 4 K, pressure_rating: 9 bar }',
      'units:',
      '  - id: north-<nn>',
      '    list: 1..40',
      '    template: t',
      '    serial: KH-<nnn>',
      '    overrides:',
      '      7: { tolerance: 2 K, medium: oil }',
      '      9: { connection: { host: other } }',
    ].join('\n'),
  )
  expect(plan.units).toHaveLength(40)
  expect(plan.units[6]).toMatchObject({ id: 'north-07', serial: 'KH-007', medium: 'oil', source: 'g' })
  expect(circuit(plan, 'north-07/a')).toMatchObject({ place: 'p-07', tolerance: { plus_K: 2, minus_K: 2 } })
  expect(circuit(plan, 'north-08/a').tolerance).toEqual({ plus_K: 4, minus_K: 4 })
  // The way to a unit is replaced as a whole, not mixed.
  expect(plan.units[8]?.source).toBe('north-09')
  expect(modbus(plan).map((each) => each.units.length)).toEqual([39, 1])
  expect(rule(plan, 'north-07/a', 'temperature.deviation')?.line).toBe('site.yaml:13')
  expect(rule(plan, 'north-08/a', 'temperature.deviation')?.line).toBe('site.yaml:6')
})

test('serial line, RTU over TCP, recording: settings and the slower start values of a serial line', async () => {
  const plan = await planOf(
    [
      HEAD,
      'units:',
      '  - { id: s, connection: { device: /dev/ttyUSB0, parity: none }, profile: tenths16, pressure_rating: 9 bar }',
      '  - { id: r, connection: { host: h, framing: rtu }, profile: tenths16, pressure_rating: 9 bar }',
      '  - { id: f, replay: rec.csv, signals: [temperature.actual, temperature.set_value] }',
    ].join('\n'),
  )
  expect(plan.sources).toMatchObject([
    { kind: 'modbus_serial', device: '/dev/ttyUSB0', baud: 19_200, parity: 'none', dataBits: 8, stopBits: 2 },
    { kind: 'modbus_rtu_over_tcp', host: 'h', port: 502 },
    { kind: 'replay', file: '/etc/kestrel/rec.csv', speed: 1 },
  ])
  // Common practice, no source: 5 s poll on serial, bad after 3 polls and at least 30 s there, 15 s on TCP.
  expect(plan.units.map((unit) => [unit.poll_ms, unit.staleAfter_ms])).toEqual([
    [5000, 30_000],
    [5000, 30_000],
    [1000, 15_000],
  ])
})

test('OPC UA: an endpoint is enough; nodes instead of discovery; secrets are only named', async () => {
  const plan = await planOf(
    [
      HEAD,
      'units:',
      '  - { id: d, opcua: "opc.tcp://h:4840", pressure_rating: 9 bar }',
      '  - id: n',
      '    opcua: { endpoint: "opc.tcp://i:4840", security_mode: SignAndEncrypt, user: reader, password: { env: KESTREL_UA } }',
      '    nodes: { temperature.actual: "ns=2;s=Act", temperature.set_value: "ns=2;s=Set" }',
    ].join('\n'),
  )
  expect(plan.sources).toMatchObject([
    {
      kind: 'opcua',
      id: 'd',
      discover: true,
      securityMode: 'None',
      identity: { kind: 'anonymous' },
      settings: { unit: 'd', medium: 'water' },
    },
    {
      kind: 'opcua',
      discover: false,
      securityMode: 'SignAndEncrypt',
      securityPolicy: 'Basic256Sha256',
      identity: { kind: 'user', user: 'reader', password: { env: 'KESTREL_UA' } },
      pki: '/etc/kestrel/pki',
    },
  ])
  expect(plan.units[0]?.circuits).toEqual([])
  expect(plan.units[0]?.rules.map((each) => each.id)).toEqual(['contact.lost', 'contact.lost_hot'])
  expect(circuit(plan, 'n/a')).toMatchObject({
    signals: ['temperature.actual', 'temperature.set_value'],
    nodes: ['ns=2;s=Act', 'ns=2;s=Set'],
  })
})

test('a profile of the site’s own, and its errors with their own places', async () => {
  const dir = await mkdtemp(join(tmpdir(), 'mouldtend-'))
  const site = join(dir, 'site.yaml')
  await writeFile(site, `${HEAD}units:\n  - { id: a, connection: { host: h }, profile: ./own.yaml }\n`)
  await writeFile(join(dir, 'own.yaml'), 'format: 1\nname: own\nsignals:\n  flow_rate: { address: 1, decimals: 1, unit: l/min }\n')
  const good = await loadSite(site)
  expect(good.kind).toBe('ok')
  await writeFile(join(dir, 'own.yaml'), 'format: 1\nname: own\nsignals:\n  flow_rate: { address: 1, decimals: 1 }\n')
  const bad = await loadSite(site)
  expect(bad.kind === 'bad' ? bad.errors.map(format) : []).toEqual([
    expect.stringMatching(/^own\.yaml:4:14 signals\.flow_rate: the unit of flow_rate is not said/),
    expect.stringMatching(/^site\.yaml:3:48 units\[0\]\.profile: the profile has an error\. Correct own\.yaml first\.$/),
  ])
  const none = await loadSite(join(dir, 'none.yaml'))
  expect(none.kind === 'bad' ? none.errors.map(format) : []).toEqual([expect.stringContaining('none.yaml:1:1 cannot be read (ENOENT)')])
})

test('everything that is wrong is told in one go, in the order of the file', async () => {
  const { errors } = await findings(
    [
      'site: Kestrel Hall',
      'altitude: 310',
      'timezone: Europe/Vienn',
      'places: [{ id: p1 }, { id: p1 }]',
      'lines: { g1: { host: h, prot: 502 } }',
      'units:',
      '  - { id: a, line: g2, address: 1, profile: tenths16 }',
      '  - { id: a, line: g1, address: 300, profile: tenth16, place: p9 }',
      '  - { id: c, connection: { host: h, port: "50x2" }, profile: tenths16, place: p9 }',
    ].join('\n'),
  )
  expect(errors.map((each) => each.replace(/^site\.yaml:/, '').split('. ')[0])).toEqual([
    '1:7 site: expected a site name of small letters, digits and hyphens, found "Kestrel Hall"',
    '2:11 altitude: expected a height with its unit, found 310',
    '3:11 timezone: there is no time zone "Europe/Vienn"',
    '4:28 places[1].id: the place "p1" is there already',
    '5:25 lines.g1.prot: there is no such key',
    '7:20 units[0].line: there is no line "g2"',
    '8:11 units[1].id: the id "a" is taken by units[0]',
    '8:33 units[1].address: expected 0..255, found 300',
    '8:47 units[1].profile: there is no profile "tenth16"',
    '8:63 units[1].place: there is no place "p9"',
    '9:43 units[2].connection.port: expected 1..65535, found "50x2"',
    '9:79 units[2].place: there is no place "p9"',
  ])
})

const unit = (rest: string): string => `${HEAD}${UNIT}${rest}`
test.each<[string, string, string]>([
  ['no YAML', 'site: [', 'site.yaml:1:8 '],
  ['empty', '', 'site.yaml:1:1 the file is empty. Begin with site: and units:.'],
  ['two documents', 'site: a\n---\nsite: b\n', 'site.yaml:2:1 '],
  ['a key twice', 'site: a\nsite: b\nunits: []', 'site.yaml:2:1 '],
  ['a list', '- a', 'expected a mapping, found a list'],
  ['no unit', `${HEAD}units: []`, 'site.yaml:2:8 units: expected one unit at least'],
  ['no units key', HEAD, 'units: expected a list, found nothing'],
  ['port in quotes', `${HEAD}units: [{ id: a, connection: { host: h, port: "502" } }]`, 'Write the number without quotes: 502.'],
  ['misspelt key', unit('    tolerence: 3 K'), 'site.yaml:7:5 units[0].tolerence: there is no such key. Did you mean "tolerance"?'],
  [
    'difference in °C',
    unit('    tolerance: 3 °C'),
    'site.yaml:7:16 units[0].tolerance: expected a temperature difference in K, found "3 °C"',
  ],
  [
    'half a tolerance',
    unit('    tolerance: { plus: 3 K }'),
    'units[0].tolerance.minus: expected a temperature difference in K, found nothing',
  ],
  ['misspelt choice', unit('    medium: watter'), 'expected one of water, oil, found "watter". Did you mean "water"?'],
  ['template', unit('    template: x'), 'units[0].template: there is no template "x"'],
  [
    'list number in a unit that is no list',
    unit('    serial: S-<nn>'),
    'units[0].serial: "S-<nn>" stands for a number of a list, but there is no list here',
  ],
  [
    'list without its number in the id',
    `${HEAD}units:\n  - { id: a, list: 1..2, connection: { host: h-<n> }, profile: tenths16 }`,
    'Put <n> or <nn> into the id of the list.',
  ],
  [
    'override of nobody',
    unit('    list: 1..2\n    overrides: { 3: {} }').replace('id: a', 'id: a-<n>').replace('host: h', 'host: h-<n>'),
    'units[0].overrides.3: the list has no number 3',
  ],
  ['a range that is none', unit('    list: 4..2').replace('id: a', 'id: a-<n>'), 'units[0].list: "4..2" is no range'],
  ['no way to the unit', `${HEAD}units: [{ id: a, profile: tenths16 }]`, 'nothing says how unit "a" is reached'],
  ['two ways to the unit', unit('    opcua: opc.tcp://h:4840'), 'units[0]: has connection and opcua, but a unit is reached in one way'],
  [
    'no address on a line',
    `${HEAD}lines: { g: { host: h } }\nunits: [{ id: a, line: g, profile: tenths16 }]`,
    'unit "a" has no address on line "g"',
  ],
  [
    'address twice on a line',
    `${unit('')}  - { id: b, connection: { host: h }, profile: tenths16 }`,
    'address 1 on h:502 is taken by unit "a"',
  ],
  [
    'one gateway, two settings',
    `${unit('')}  - { id: b, address: 2, connection: { host: h, timeout: 2 s }, profile: tenths16 }`,
    'h:502 is reached with other settings at units[0].connection',
  ],
  [
    'a serial line with a port',
    `${HEAD}units: [{ id: a, connection: { device: /dev/x, port: 1 }, profile: tenths16 }]`,
    'a serial line has no port',
  ],
  [
    'a host with a baud rate',
    `${HEAD}units: [{ id: a, connection: { host: h, baud: 9600 }, profile: tenths16 }]`,
    'baud is for a serial line',
  ],
  ['no profile', `${HEAD}units: [{ id: a, connection: { host: h } }]`, 'unit "a" has no profile'],
  [
    'a profile for OPC UA',
    `${HEAD}units: [{ id: a, opcua: "opc.tcp://h:1", profile: tenths16 }]`,
    'an OPC UA unit has no register profile',
  ],
  ['a circuit that the profile has not', unit('    circuits: [z]'), 'profile tenths16 has no circuit "z"'],
  [
    'user and password in the endpoint',
    `${HEAD}units: [{ id: a, opcua: "opc.tcp://u:p@h:1" }]`,
    'User and password do not belong into it.',
  ],
  ['a node that is none', `${HEAD}units: [{ id: a, opcua: "opc.tcp://h:1", nodes: { flow_rate: abc } }]`, '"abc" is no node id'],
  [
    'a node for no signal',
    `${HEAD}units: [{ id: a, opcua: "opc.tcp://h:1", nodes: { flowrate: i=1 } }]`,
    'there is no signal "flowrate". Did you mean "flow_rate"?',
  ],
  [
    'one endpoint discovered twice',
    `${HEAD}units: [{ id: a, opcua: "opc.tcp://h:1" }, { id: b, opcua: "opc.tcp://h:1" }]`,
    'is asked already at units[0].opcua',
  ],
  [
    'security that does not fit',
    `${HEAD}units: [{ id: a, opcua: { endpoint: "opc.tcp://h:1", security_mode: Sign, security_policy: None } }]`,
    'one of them secures and the other does not',
  ],
  ['a user without a password', `${HEAD}units: [{ id: a, opcua: { endpoint: "opc.tcp://h:1", user: u } }]`, 'has a user but no password'],
  ['a recording without signals', `${HEAD}units: [{ id: a, replay: x.csv }]`, 'nothing says which signals the recording of "a" has'],
  [
    'control point without its sensor',
    `${HEAD}units: [{ id: a, replay: x.csv, signals: [temperature.actual], control_point: external }]`,
    'units[0].control_point: is external, but the map of this circuit does not give temperature.external',
  ],
  [
    'unknown rule',
    unit('    rules: { temperature.deviaton: { priority: high } }'),
    'units[0].rules.temperature.deviaton: there is no such rule. Did you mean "temperature.deviation"?',
  ],
  [
    'rule without its signal',
    `${HEAD}units: [{ id: a, replay: x.csv, signals: [temperature.actual], rules: { alarm_contact: { priority: low } } }]`,
    'this circuit cannot have the rule alarm_contact: its map does not give the signals',
  ],
  [
    'own rule on a signal that the map does not give',
    unit('    rules: { tank.low: { kind: low, signal: tank_level, limit: 20 % } }'),
    'units[0].rules.tank.low.signal: the map of this circuit does not give tank_level',
  ],
  [
    'own rule on no signal',
    unit('    rules: { x.y: { kind: low, signal: flow_rat, limit: 1 l/min } }'),
    'there is no signal "flow_rat". Did you mean "flow_rate"?',
  ],
  ['own rule without its limit', unit('    rules: { x.y: { kind: low, signal: flow_rate } }'), 'a rule of kind low needs limit'],
  [
    'own rule in another unit',
    unit('    rules: { x.y: { kind: low, signal: flow_rate, limit: 1 bar } }'),
    'units[0].rules.x.y.limit: expected a flow with its unit, found "1 bar"',
  ],
  [
    'deadband against tolerance',
    unit('    rules: { temperature.deviation: { deadband: 5 K } }'),
    'the deadband of temperature.deviation is 5 but the tolerance only +3 / -3, so that the alarm could never clear. Lower the deadband below 3.',
  ],
  [
    'tolerance below one step of the sensor',
    unit('    tolerance: 0.05 K'),
    'The sensor tells no smaller steps apart: widen the tolerance.',
  ],
  [
    'a number that the rule has not',
    unit('    rules: { temperature.deviation: { limit: 3 K } }'),
    'the rule temperature.deviation has no limit. It takes plus, minus, deadband.',
  ],
  [
    'limits out of order',
    unit('    limits: { flow_rate: { low: 5 l/min, low_low: 6 l/min } }'),
    'units[0].limits.flow_rate.low: low is 5 and not above low_low, which is 6',
  ],
  [
    'H not below HH',
    unit('    limits: { pressure.return_line: { high: 5 bar, high_high: 5 bar } }'),
    'high_high is 5 and not above high, which is 5',
  ],
  [
    'HH so near that its deadband reaches H',
    unit('    limits: { pressure.return_line: { high: 5 bar, high_high: 5.05 bar } }'),
    'which reaches the inner limit 5',
  ],
  [
    'limit on no signal',
    unit('    limits: { flow_rte: { low: 5 l/min } }'),
    'units[0].limits.flow_rte: there is no such signal. Did you mean "flow_rate"?',
  ],
  [
    'limit on a signal that the map does not give',
    unit('    limits: { tank_level: { low: 5 % } }'),
    'the map of this circuit does not give tank_level',
  ],
  ['switch-off above very hot', unit('    switch_off: 96 °C'), 'units[0].switch_off: is 96 °C and not below 95 °C'],
  [
    'severity of another priority',
    unit('    rules: { temperature.deviation: { severity: 900 } }'),
    'severity 900 is not of priority medium (334..666)',
  ],
  ['never hidden, yet shelved for hours', unit('    rules: { off_hot.high: { max_shelve: 2 h } }'), 'may be shelved for 30 min at most'],
  [
    'never hidden, yet held back by a start',
    unit('    rules: { off_hot.high: { start: { timeout: 5 min } } }'),
    'is never held back by a start',
  ],
  ['a first step that may hurt', unit('    rules: { no_reserve: { words: { first_step: Bleed the circuit. } } }'), 'says "Bleed"'],
  ['the word that is never said', unit('    rules: { no_reserve: { words: { consequence: The unit stays safe. } } }'), 'says "safe"'],
  ['rule of the unit at a circuit', unit('    circuits: { a: { rules: { contact.lost: { after: 90 s } } } }'), 'belongs to the whole unit'],
  ['supply of nobody', unit('supplies: [{ id: s, kind: network, units: [a, c] }]'), 'supplies[0].units[1]: there is no unit "c"'],
  [
    'password in the open',
    unit('mqtt: { url: "mqtt://b", user: u, password: hunter2 }'),
    'mqtt.password: expected a mapping, found something that is not shown here',
  ],
  ['password in the address', unit('mqtt: { url: "mqtt://u:hunter2@b" }'), 'User and password have keys of their own.'],
])('refused: %s', async (_name, text, message) => {
  const { errors } = await findings(text)
  expect(errors.join('\n')).toContain(message)
  expect(errors.join('\n')).not.toContain('hunter2')
})

test.each<[string, string, string]>([
  [
    'no pressure rating',
    `${HEAD}units: [{ id: a, connection: { host: h }, profile: tenths16 }]`,
    'no pressure_rating for a/a: the main-line pressure is not watched there',
  ],
  ['a never hidden rule switched off', unit('    rules: { off_hot.high: { enabled: false } }'), 'Nobody will be told of it.'],
  ['stale before the second poll', unit('    poll: 10 s\n    stale_after: 15 s'), 'one late answer makes every value bad'],
  ['a line for nobody', unit('lines: { g: { host: x } }'), 'lines.g: no unit is on this line'],
  ['a template for nobody', unit('templates: { t: {} }'), 'templates.t: no unit uses this template'],
  ['on-delay longer than the time to respond', unit('    rules: { temperature.outer_high: { on_delay: 20 min } }'), 'leaves no time'],
  ['pages open to others', unit('http: { host: 0.0.0.0 }'), 'http.host: 0.0.0.0 is reachable from other machines'],
  [
    'password unencrypted',
    unit('mqtt: { url: "mqtt://broker.kestrel.example", user: u, password: { env: X } }'),
    'sends the password unencrypted',
  ],
  [
    'no set value',
    `${HEAD}units: [{ id: a, replay: x.csv, signals: [temperature.actual] }]`,
    'unit "a" gives no set value: deviation is not watched',
  ],
])('warned: %s', async (_name, text, message) => {
  const { errors, warnings } = await findings(text)
  expect(errors).toEqual([])
  expect(warnings.join('\n')).toContain(message)
})

test('a missing pressure rating of forty alike units is one warning', async () => {
  const { warnings } = await findings(
    `${HEAD}units:\n  - { id: a-<nn>, list: 1..40, connection: { host: h }, address: <n>, profile: tenths16 }`,
  )
  expect(warnings).toHaveLength(1)
  expect(warnings[0]).toContain('a-01/a, a-02/a, a-03/a, a-04/a, a-05/a and 35 more')
})

test('a site-wide rule changes those circuits that can have it, and is no error for the others', async () => {
  const plan = await planOf(
    `${HEAD}rules: { alarm_contact: { priority: low } }\n${UNIT}  - { id: f, replay: x.csv, signals: [temperature.actual, temperature.set_value] }\n`,
  )
  expect(rule(plan, 'a/a', 'alarm_contact')).toMatchObject({ priority: 'low', severity: 200, line: 'site.yaml:2' })
  expect(rule(plan, 'f/a', 'alarm_contact')).toBeUndefined()
})

test('the same text gives the same version, whatever the order of keys; another number another', async () => {
  const one = await planOf(unit('    medium: oil\n    tolerance: 4 K'))
  const same = await planOf(unit('    medium: oil\n    tolerance: 4 K'))
  const other = await planOf(unit('    medium: oil\n    tolerance: 4.5 K'))
  expect(one.version).toMatch(/^[0-9a-f]{64}$/)
  expect(same.version).toBe(one.version)
  expect(other.version).not.toBe(one.version)
  expect(JSON.parse(JSON.stringify(one))).toEqual(one)
})

test('four hundred units load in a moment', async () => {
  const lines = Array.from({ length: 20 }, (_, n) => `  g${n}: { host: 10.0.0.${n} }`).join('\n')
  const units = Array.from(
    { length: 20 },
    (_, n) => `  - { id: u${n}-<nn>, list: 1..20, line: g${n}, address: <n>, profile: tenths16, circuits: [a, b], pressure_rating: 9 bar }`,
  ).join('\n')
  const started = performance.now()
  const plan = await planOf(`${HEAD}lines:\n${lines}\nunits:\n${units}\n`)
  expect(plan.units).toHaveLength(400)
  expect(performance.now() - started).toBeLessThan(10_000)
})
