import { OPCUAClient, StatusCodes } from 'node-opcua'
import { afterAll, beforeAll, beforeEach, describe, expect, test } from 'vitest'
import type { FoundUnit } from '../../collector/source.ts'
import { serveOpcUa, type OpcUaHall } from '../../simulator/opcua/server.ts'
import { METRIC, US } from '../../simulator/opcua/wire.ts'
import { find, listen, planOf, settingsFor, STEADY, tempFolder, testUnit, type Listening } from './opcua-bench.ts'

const folder = tempFolder()
const metric = testUnit('KH-1001', ['A', 'B'])
const us = testUnit('KH-2002', ['A', 'B'], { external_degC: 79.5 })
const pki = `${folder.path}/own`
const LIMITS = { ReadRequest: 10, BrowseRequest: 7, CreateMonitoredItemsRequest: 5 }
const largest = new Map<string, number>()
let hall: OpcUaHall
let found: readonly FoundUnit[]
let open: Listening

beforeAll(async () => {
  hall = await serveOpcUa([metric.unit, us.unit], {
    port: 0,
    pki: `${folder.path}/server`,
    allowAnonymous: true,
    speech: new Map([['KH-2002', US]]),
    maxNodesPerRead: LIMITS.ReadRequest,
    maxNodesPerBrowse: LIMITS.BrowseRequest,
    maxMonitoredItemsPerCall: LIMITS.CreateMonitoredItemsRequest,
    onRequest: (name, size) => void largest.set(name, Math.max(size, largest.get(name) ?? 0)),
  })
  found = await find(settingsFor(hall.endpoint, pki))
  open = listen(settingsFor(hall.endpoint, pki), planOf(found))
  await open.until(() => open.sample('kh-2002/b', 'flow_rate')?.quality === 'good')
})
afterAll(async () => {
  await open.source.close()
  await hall.close()
  folder.remove()
})
beforeEach(() => {
  for (const each of [metric, us]) for (const zone of ['A', 'B']) each.set(zone, STEADY)
  us.set('A', { external_degC: 79.5 })
  us.set('B', { external_degC: 79.5 })
  hall.refresh()
})

const good = (value: number) => ({ quality: 'good', value })

describe('finding', () => {
  test('two units with two zones each, grouped by serial number, in order', () => {
    expect(found.map(({ serial, manufacturer, model, location }) => ({ serial, manufacturer, model, location }))).toEqual([
      { serial: 'KH-1001', manufacturer: 'Kestrel Hall', model: 'Test unit 9', location: 'Bay 3' },
      { serial: 'KH-2002', manufacturer: 'Kestrel Hall', model: 'Test unit 9', location: 'Bay 3' },
    ])
    expect(found.map(({ circuits }) => circuits.map(({ id }) => id))).toEqual([
      ['a', 'b'],
      ['a', 'b'],
    ])
  })

  test('nodes carry the URI of their namespace, not its index', () => {
    const nodes = found.flatMap(({ circuits }) => circuits.flatMap(({ signals }) => signals.map(({ node }) => node)))
    expect(nodes.length).toBe(2 * 34 + 2 * 35)
    expect(nodes.filter((node) => !node.startsWith('nsu=urn:kestrel-hall:virtual-units;s='))).toEqual([])
  })

  test('a plan that covers the finding is not told again', () => expect(open.findings).toEqual([]))

  test('a plan that lacks a zone is told the finding once, and what it has goes on; a unit that is not shown stays, as bad', async () => {
    const [unit] = planOf(found, 100)
    const gone = planOf([{ serial: 'KH-9', model: '', manufacturer: '', location: '', circuits: found[0]?.circuits ?? [] }], 100)
    const moved = gone.map((each) => ({
      ...each,
      circuits: each.circuits.map((circuit) => ({ ...circuit, nodes: circuit.nodes.map((node) => node.replace('KH-1001', 'KH-9')) })),
    }))
    const own = listen(settingsFor(hall.endpoint, pki), [
      ...(unit === undefined ? [] : [{ ...unit, circuits: unit.circuits.slice(0, 1) }]),
      ...moved,
    ])
    try {
      const finding = await own.until(() => own.findings[0])
      expect(finding).toMatchObject({ kind: 'discovery', source: 'hall', units: found })
      await own.until(() => own.sample('kh-1001/a', 'flow_rate')?.quality === 'good')
      await own.until(() => own.readings.filter(({ circuit }) => circuit === 'kh-9/a').length > 2)
      expect(own.sample('kh-9/a', 'flow_rate')).toEqual({ quality: 'bad', reason: 'no_such_register' })
      expect(own.faults).toContainEqual({
        kind: 'nothing_found',
        unit: 'kh-9',
        address: hall.endpoint,
        detail: 'the server does not show the unit with serial number KH-9',
      })
      expect(own.findings).toHaveLength(1)
    } finally {
      await own.source.close()
    }
  })
})

// What a zone shows, in the units that mouldtend keeps: °C, K, bar, l/min, kW, %.
const SHOWN: readonly (readonly [signal: string, value: number])[] = [
  ['temperature.main_line', 80],
  ['temperature.return_line', 82.5],
  ['temperature.actual', 80],
  ['temperature.set_value', 81],
  ['temperature.difference', 2.5],
  ['temperature.tolerance_upper', 5],
  ['temperature.standby', 40],
  ['temperature.limitation', 140],
  ['temperature.switching_off', 60],
  ['flow_rate', 30],
  ['flow_rate.set_value', 40],
  ['pressure.main_line', 6],
  ['pressure.return_line', 2],
  ['pressure.difference', 4],
  ['regulation_ratio', -15],
  ['process_power', -3.5],
  ['pump_speed', 90],
  ['pump_speed_rpm', 2700],
  ['pump_power', 1.25],
  ['operating_mode', 2],
  ['control_point', 0],
  ['hours_of_operation', 1234.5],
  ['active_errors', 0],
  ['highest_active_severity', 0],
  ['channel.1.flow_rate', 16.5],
  ['channel.2.temperature.return_line', 82.25],
  ['channel.2.temperature.difference', 2.25],
]
describe.each(['kh-1001/a', 'kh-2002/b'])('values of %s', (circuit) => {
  test.each(SHOWN)('%s', async (signal, value) => {
    await open.until(() => open.last(circuit)?.samples[signal]?.quality === 'good')
    expect(open.sample(circuit, signal)).toEqual(good(value))
  })
})

test('the second unit does speak °F, psi and US gallons on the wire', async () => {
  // 80 degC = 176 degF and 2.5 K = 4.5 degF by definition; 6 bar = 87.0226 psi and 30 l/min = 7.92516 gal/min (NIST SP 811, B.8)
  const client = OPCUAClient.create({ endpointMustExist: false, connectionStrategy: { maxRetry: 0 } })
  await client.connect(hall.endpoint)
  const session = await client.createSession()
  const index = (await session.readNamespaceArray()).indexOf('urn:kestrel-hall:virtual-units')
  const read = async (path: string): Promise<unknown> => {
    const { value } = await session.readVariableValue(`ns=${index};s=KH-2002/A/DeviceZone/${path}`)
    return value.value
  }
  expect(await read('TemperatureMainLine')).toBe(176)
  expect(await read('TemperatureDifference/ActualValue')).toBeCloseTo(4.5, 12)
  expect(await read('PressureMainLine')).toBeCloseTo(87.0226, 4)
  expect(await read('FlowRate/ActualValue')).toBeCloseTo(7.92516, 5)
  await client.disconnect()
})

// Names of OPC 10000-6 annex A; what they mean for a sensor: OPC 10000-8, 7.3.2. The codes come from the library, not from us.
test.each([
  [StatusCodes.BadNoCommunication, 'no_communication'],
  [StatusCodes.BadSensorFailure, 'sensor_failure'],
  [StatusCodes.BadDeviceFailure, 'device_failure'],
  [StatusCodes.BadNotConnected, 'not_connected'],
  [StatusCodes.BadOutOfService, 'out_of_service'],
  [StatusCodes.BadWaitingForInitialData, 'waiting_for_initial_data'],
  [StatusCodes.BadOutOfRange, 'out_of_range'],
  [StatusCodes.BadNoData, 'no_data'],
  [StatusCodes.BadInternalError, 'not_available'],
])('status %s over the wire is bad: %s', async (status, reason) => {
  hall.force('KH-1001', 'A', 'DeviceZone/FlowRate/ActualValue', status.value)
  const bad = { quality: 'bad', reason }
  await open.until(() => JSON.stringify(open.sample('kh-1001/a', 'flow_rate')) === JSON.stringify(bad))
  expect(open.sample('kh-1001/a', 'pressure.main_line')).toEqual(good(6))
  hall.force('KH-1001', 'A', 'DeviceZone/FlowRate/ActualValue', null)
  await open.until(() => open.sample('kh-1001/a', 'flow_rate')?.quality === 'good')
})

test('an uncertain value keeps its value', async () => {
  hall.force('KH-1001', 'A', 'DeviceZone/FlowRate/ActualValue', StatusCodes.UncertainSensorNotAccurate.value)
  await open.until(() => open.sample('kh-1001/a', 'flow_rate')?.quality === 'uncertain')
  expect(open.sample('kh-1001/a', 'flow_rate')).toEqual({ quality: 'uncertain', value: 30 })
  hall.force('KH-1001', 'A', 'DeviceZone/FlowRate/ActualValue', null)
  await open.until(() => open.sample('kh-1001/a', 'flow_rate')?.quality === 'good')
})

// OperatingModeEnumeration of OPC 40082-1; the right column is our own reading of it.
test.each([
  [0, null],
  [1, 'off'],
  [2, null],
  [3, 'leak_stop'],
  [4, 'evacuating'],
  [5, null],
  [6, 'cooling'],
  [7, 'cooling'],
  [8, null],
  [9, null],
])('operating mode %i is phase %s', async (operatingMode, phase) => {
  metric.set('B', { operatingMode })
  hall.refresh()
  const shown = await open.until(() => {
    const last = open.last('kh-1001/b')
    return JSON.stringify(last?.samples['operating_mode']) === JSON.stringify(good(operatingMode)) && last
  })
  expect(shown.phase).toBe(phase)
})

test.each([
  [0, 'main line'],
  [1, 'return line'],
  [2, 'external sensor'],
])('control point %i: %s', async (controlPoint) => {
  us.set('A', { controlPoint })
  hall.refresh()
  await open.until(() => JSON.stringify(open.sample('kh-2002/a', 'control_point')) === JSON.stringify(good(controlPoint)))
  expect(open.sample('kh-2002/a', 'temperature.external')).toEqual(good(79.5))
})

test('not knowing whether the external sensor is used is not knowing the control point', async () => {
  hall.force('KH-2002', 'A', 'DeviceZone/ExternalSensor/Used', StatusCodes.BadDeviceFailure.value)
  const bad = JSON.stringify({ quality: 'bad', reason: 'device_failure' })
  await open.until(() => JSON.stringify(open.sample('kh-2002/a', 'control_point')) === bad)
  expect(open.sample('kh-2002/a', 'temperature.actual')).toEqual(good(80))
  hall.force('KH-2002', 'A', 'DeviceZone/ExternalSensor/Used', null)
  await open.until(() => open.sample('kh-2002/a', 'control_point')?.quality === 'good')
})

test("the unit's own errors come with their texts, as one frozen list while nothing changes", async () => {
  const errors = [
    { id: 'E17', severity: 700, text: 'Überdruck' },
    { id: 'W02', severity: 400, text: '' },
  ]
  metric.set('A', { errors })
  hall.refresh()
  const first = await open.until(() => open.last('kh-1001/a')?.errors.length === 2 && open.last('kh-1001/a'))
  expect(first.errors).toEqual(errors)
  expect(Object.isFrozen(first.errors)).toBe(true)
  expect(first.samples['active_errors']).toEqual(good(2))
  await open.until(() => JSON.stringify(open.sample('kh-1001/a', 'highest_active_severity')) === JSON.stringify(good(700)))
  metric.set('A', { errors, flow_l_min: 31 })
  hall.refresh()
  await open.until(() => JSON.stringify(open.sample('kh-1001/a', 'flow_rate')) === JSON.stringify(good(31)))
  expect(open.last('kh-1001/a')?.errors).toBe(first.errors)
  metric.set('A', { errors: [] })
  hall.refresh()
  await open.until(() => open.last('kh-1001/a')?.errors.length === 0)
})

test('a unit that is switched to °F while it runs goes on in °C', async () => {
  hall.speak('KH-1001', US)
  metric.set('A', { mainLine_degC: 90, flow_l_min: 33 })
  hall.refresh()
  await open.until(() => JSON.stringify(open.sample('kh-1001/a', 'flow_rate')) === JSON.stringify(good(33)))
  await open.until(() => JSON.stringify(open.sample('kh-1001/a', 'temperature.main_line')) === JSON.stringify(good(90)))
  const wrong = open.readings.flatMap(({ samples }) => {
    const sample = samples['temperature.main_line']
    return sample?.quality === 'good' && ![80, 90].includes(sample.value) ? [sample.value] : []
  })
  expect(wrong).toEqual([])
  hall.speak('KH-1001', METRIC)
  hall.refresh()
})

test('values that change together come in one reading of their circuit; what stands still is told once per poll', async () => {
  const slow = listen(settingsFor(hall.endpoint, pki), planOf(found, 60_000))
  try {
    // What is watched last is the use of the external sensor, without which the control point is not known.
    await slow.until(() => slow.sample('kh-2002/b', 'control_point')?.quality === 'good')
    const before = slow.readings.length
    metric.set('A', { flow_l_min: 20, mainLine_degC: 85, returnLine_degC: 88, mainLine_bar: 7, process_kW: 1 })
    hall.refresh()
    await slow.until(() => slow.readings.length > before)
    expect(slow.readings.slice(before).map(({ circuit }) => circuit)).toEqual(['kh-1001/a'])
    expect(slow.last('kh-1001/a')?.samples).toMatchObject({ flow_rate: good(20), 'pressure.main_line': good(7), process_power: good(1) })
  } finally {
    await slow.source.close()
  }
  const steady = open.readings.length
  await open.until(() => new Set(open.readings.slice(steady).map(({ circuit }) => circuit)).size === 4, 2000)
  expect(open.source.figures().polls).toBeGreaterThan(4)
})

test('a full sink stops the polls, which are counted late; with room again everything goes on', async () => {
  const own = listen(settingsFor(hall.endpoint, pki), planOf(found, 50))
  try {
    await own.until(() => own.sample('kh-1001/a', 'flow_rate')?.quality === 'good')
    own.fill(true)
    await own.until(() => own.source.figures().faults.sink_full === 1)
    const late = own.source.figures().polls_late
    // Only its own question whether there is room wakes us now.
    await own.until(() => own.source.figures().polls_late > late + 4)
    metric.set('A', { flow_l_min: 21 })
    hall.refresh()
    own.fill(false)
    await own.until(() => JSON.stringify(own.sample('kh-1001/a', 'flow_rate')) === JSON.stringify(good(21)))
    expect(own.faults.map(({ kind }) => kind)).toEqual(['sink_full'])
  } finally {
    await own.source.close()
  }
})

test('only looking services were asked for, within the limits of the server, and closing frees the session', async () => {
  const own = listen(settingsFor(hall.endpoint, pki), planOf(found))
  await own.until(() => own.sample('kh-1001/a', 'flow_rate')?.quality === 'good')
  const sessions = hall.sessions()
  await own.source.close()
  expect(hall.sessions()).toBe(sessions - 1)
  const looking = [
    'ActivateSessionRequest',
    'BrowseNextRequest',
    'BrowseRequest',
    'CloseSessionRequest',
    'CreateMonitoredItemsRequest',
    'CreateSessionRequest',
    'CreateSubscriptionRequest',
    'GetEndpointsRequest',
    'PublishRequest',
    'ReadRequest',
  ]
  expect([...hall.requests().keys()].filter((name) => !looking.includes(name))).toEqual([])
  expect(hall.requests().get('PublishRequest')).toBeGreaterThan(10)
  for (const [name, limit] of Object.entries(LIMITS)) expect([name, largest.get(name)]).toEqual([name, limit])
})
