import {
  DataType,
  makeEUInformation,
  OPCUACertificateManager,
  OPCUAServer,
  StatusCodes,
  VariantArrayType,
  type UAVariable,
} from 'node-opcua'
import { afterAll, beforeAll, expect, test } from 'vitest'
import { circuitPlan, listen, settingsFor, tempFolder, unitPlan, type Listening } from './opcua-bench.ts'

/** A server of any kind, without OPC 40082-1: a few variables, some with a unit of measure, some with none. */
const folder = tempFolder()
let server: OPCUAServer
let open: Listening
const variables = new Map<string, UAVariable>()
const UNECE = 'http://www.opcfoundation.org/UA/units/un/cefact'
const unit = (unitId: number, text: string, namespaceUri = UNECE) =>
  Object.assign(makeEUInformation('X', text, text), { unitId, namespaceUri })

// Which node gives which signal, and what has to come of it.
const NODES: readonly {
  readonly signal: string
  readonly node: string
  readonly type: DataType
  readonly value: unknown
  readonly unit?: ReturnType<typeof unit>
  readonly sample: object
}[] = [
  // Without a unit of measure a node that a person named is in ours. 80.3 as float32 is 80.30000305…
  { signal: 'temperature.main_line', node: 'main', type: DataType.Float, value: 80.3, sample: good(80.3) },
  // 212 degF boils water: 100 degC by definition.
  { signal: 'temperature.return_line', node: 'return', type: DataType.Double, value: 212, unit: unit(4604232, '°F'), sample: good(100) },
  // 9 degF apart are 5 K apart.
  { signal: 'temperature.difference', node: 'difference', type: DataType.Double, value: 9, unit: unit(4604232, '°F'), sample: good(5) },
  // The name counts where the number is of another list.
  {
    signal: 'pressure.main_line',
    node: 'pressure',
    type: DataType.Double,
    value: 250,
    unit: unit(4711, 'kPa', 'urn:other'),
    sample: good(2.5),
  },
  { signal: 'flow_rate', node: 'flow', type: DataType.Double, value: 3, unit: unit(-1, 'buckets/h'), sample: bad('unknown_unit') },
  // A unit that does not fit the quantity is as good as none.
  { signal: 'process_power', node: 'power', type: DataType.Double, value: 3, unit: unit(4342098, 'bar'), sample: bad('unknown_unit') },
  { signal: 'pump.running', node: 'running', type: DataType.Boolean, value: true, sample: good(1) },
  { signal: 'refill.count', node: 'refills', type: DataType.UInt64, value: [1, 5], sample: good(2 ** 32 + 5) },
  { signal: 'tank_level', node: 'level', type: DataType.Double, value: Number.NaN, sample: bad('not_a_number') },
  { signal: 'machine.running', node: 'machine', type: DataType.String, value: 'yes', sample: bad('decode_error') },
  { signal: 'hours_of_operation', node: 'hours', type: DataType.Double, value: 12345678.9, sample: good(12345678.9) },
]
function good(value: number) {
  return { quality: 'good', value }
}
function bad(reason: string) {
  return { quality: 'bad', reason }
}

beforeAll(async () => {
  const certificates = new OPCUACertificateManager({ rootFolder: `${folder.path}/server`, automaticallyAcceptUnknownCertificate: true })
  await certificates.initialize()
  server = new OPCUAServer({ port: 0, host: '127.0.0.1', hostname: '127.0.0.1', serverCertificateManager: certificates })
  await server.initialize()
  const space = server.engine.addressSpace
  const names = space?.registerNamespace('urn:kestrel-hall:plain;50%')
  for (const { node, type, value, unit: measure } of NODES) {
    const shared = { organizedBy: 'i=85', browseName: node, nodeId: `s=${node}` }
    const variable =
      measure === undefined
        ? names?.addVariable({ ...shared, dataType: DataType[type] })
        : names?.addAnalogDataItem({
            ...shared,
            dataType: DataType[type],
            engineeringUnits: measure,
            engineeringUnitsRange: { low: 0, high: 9 },
          })
    if (variable === undefined) throw new Error('no namespace')
    variable.setValueFromSource({ dataType: type, arrayType: VariantArrayType.Scalar, value })
    variables.set(node, variable)
  }
  await server.start()
  const uri = 'urn:kestrel-hall:plain%3B50%25'
  const signals = [
    ...NODES.map(({ signal, node }) => ({ signal, node: `nsu=${uri};s=${node}` })),
    { signal: 'pump_speed', node: `nsu=${uri};s=not-there` },
    { signal: 'regulation_ratio', node: 'nsu=urn:nobody;s=x' },
  ]
  const endpoint = `opc.tcp://127.0.0.1:${server.endpoints[0]?.port}`
  const settings = settingsFor(endpoint, `${folder.path}/own`, { discover: false })
  open = listen(settings, [unitPlan('north-07', '', [circuitPlan('north-07', 'a', signals)])])
  await open.until(() => open.sample('north-07/a', 'temperature.main_line')?.quality === 'good')
})
afterAll(async () => {
  await open.source.close()
  await server.shutdown(0)
  folder.remove()
})

test.each(NODES)('$signal from node $node', ({ signal, sample }) => expect(open.sample('north-07/a', signal)).toEqual(sample))

test('nodes that are not there, or in no namespace of the server, are bad and told, and the others go on', () => {
  expect(open.sample('north-07/a', 'pump_speed')).toEqual(bad('no_such_register'))
  expect(open.sample('north-07/a', 'regulation_ratio')).toEqual(bad('no_such_register'))
  const told = open.faults.flatMap((fault) => (fault.kind === 'no_such_node' ? [`${fault.unit} ${fault.signal}`] : []))
  expect(told.sort()).toEqual(['north-07 pump_speed', 'north-07 regulation_ratio'])
})

test('each unit of measure that nobody knows is told with what stands there', () => {
  const told = open.faults.flatMap((fault) => (fault.kind === 'unknown_unit_of_measure' ? [fault.found] : []))
  expect(told.sort()).toEqual(['bar', 'buckets/h'])
})

test('good without a value is no data', async () => {
  variables.get('main')?.setValueFromSource({ dataType: DataType.Null, value: null }, StatusCodes.Good)
  await open.until(() => JSON.stringify(open.sample('north-07/a', 'temperature.main_line')) === JSON.stringify(bad('no_data')))
  variables.get('main')?.setValueFromSource({ dataType: DataType.Float, value: 81 })
  await open.until(() => open.sample('north-07/a', 'temperature.main_line')?.quality === 'good')
  expect(open.sample('north-07/a', 'temperature.main_line')).toEqual(good(81))
})

test('looking for temperature control devices here finds none and says so', async () => {
  const endpoint = `opc.tcp://127.0.0.1:${server.endpoints[0]?.port}`
  const looking = listen(settingsFor(endpoint, `${folder.path}/own`), [])
  const fault = await looking.until(() => looking.faults[0])
  await looking.source.close()
  expect(fault).toEqual({
    kind: 'nothing_found',
    unit: 'hall',
    address: endpoint,
    detail: 'the server shows no temperature control device of OPC 40082-1',
  })
})
