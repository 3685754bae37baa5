import { mkdtempSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { AttributeIds, BrowseDirection, DataType, NodeClass, OPCUAClient, StatusCodes, type ClientSession } from 'node-opcua'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { serveOpcUa, type OpcUaHall } from '../../simulator/opcua/server.ts'
import { unitId } from '../../simulator/opcua/wire.ts'
import type { VirtualUnit, ZoneValues } from '../../simulator/zone.ts'

const VALUES: ZoneValues = {
  mainLine_degC: 120,
  returnLine_degC: Number.NaN,
  external_degC: 110,
  actual_degC: 120,
  setValue_degC: 121,
  standby_degC: 40,
  limitation_degC: 160,
  switchingOff_degC: 60,
  flow_l_min: 24,
  mainLine_bar: 8,
  returnLine_bar: 3,
  regulation_percent: 40,
  process_kW: 4,
  pumpSpeed_percent: 80,
  pumpSpeed_rpm: 2400,
  pump_kW: 1,
  pumpRunning: true,
  operatingMode: 9,
  controlPoint: 2,
  hoursOfOperation_h: 3950,
  refills: 0,
  alarmContact: false,
  errors: [{ id: 'E4', severity: 700, text: 'Flow too low' }],
  tolerance_K: 4,
}
const unit: VirtualUnit = {
  serial: 'KH-9',
  model: 'Test unit',
  manufacturer: 'Kestrel',
  location: 'Bay 1',
  maxTemperature_degC: 160,
  heating_kW: 12,
  nominalFlow_l_min: 60,
  zones: ['A', 'B'].map((id) => ({ id, values: () => VALUES })),
}
const TCD = 'http://opcfoundation.org/UA/PlasticsRubber/TCD/'
const GT = 'http://opcfoundation.org/UA/PlasticsRubber/GeneralTypes/'
const DI = 'http://opcfoundation.org/UA/DI/'
const pki = mkdtempSync(join(tmpdir(), 'mouldtend-virtual-'))
let hall: OpcUaHall
let client: OPCUAClient
let session: ClientSession
let namespaces: readonly string[]

beforeAll(async () => {
  hall = await serveOpcUa([unit], { port: 0, pki, allowAnonymous: true })
  client = OPCUAClient.create({ endpointMustExist: false, connectionStrategy: { maxRetry: 0 } })
  await client.connect(hall.endpoint)
  session = await client.createSession()
  namespaces = await session.readNamespaceArray()
})
afterAll(async () => {
  await client.disconnect()
  await hall.close()
  rmSync(pki, { recursive: true, force: true })
})

const id = (uri: string, number: number): string => `ns=${namespaces.indexOf(uri)};i=${number}`
const zone = (path: string): string => `ns=${namespaces.indexOf('urn:kestrel-hall:virtual-units')};s=KH-9/A/${path}`
async function browse(nodeId: string, referenceTypeId: string) {
  const found = await session.browse({
    nodeId,
    referenceTypeId,
    browseDirection: BrowseDirection.Forward,
    includeSubtypes: true,
    nodeClassMask: 0,
    resultMask: 63,
  })
  return found.references ?? []
}
const AGGREGATES = 'i=44'
/** Two packages of the library declare the same enumeration. */
const is = (one: number, other: number): boolean => one === other

// Type ids as published with OPC 40082-1 v1.01 and OPC 40083.
test.each([
  [TCD, 1002, 'ExternalChannelType'],
  [TCD, 1003, 'ExternalChannelsType'],
  [TCD, 1004, 'MaintenanceInformationType'],
  [TCD, 1005, 'MouldEvacuationType'],
  [TCD, 1006, 'LeakStopperType'],
  [TCD, 1007, 'ExternalSensorType'],
  [TCD, 1008, 'DeviceZoneType'],
  [TCD, 1009, 'TCDHelpOffNormalAlarmType'],
  [TCD, 1010, 'OperationType'],
  [TCD, 1011, 'TCDSpecificationType'],
  [TCD, 1012, 'TCD_InterfaceType'],
  [TCD, 3002, 'OperatingModeEnumeration'],
  [GT, 1016, 'MachineConfigurationType'],
  [GT, 1052, 'HelpOffNormalAlarmType'],
  [GT, 1053, 'MaintenanceType'],
  [GT, 1054, 'ClosedLoopControlType'],
  [GT, 1056, 'MonitoredParameterType'],
  [GT, 1057, 'ControlledParameterType'],
  [GT, 1058, 'IdentificationType'],
  [GT, 3013, 'MaintenanceStatusEnumeration'],
  [GT, 3023, 'PIDParametersDataType'],
  [GT, 3028, 'ActiveErrorDataType'],
  [GT, 5048, 'Default Binary'],
])('%s i=%i is %s', async (uri, number, name) => {
  const { value } = await session.read({ nodeId: id(uri, number), attributeId: AttributeIds.BrowseName })
  expect(value.value).toMatchObject({ name })
})

test('the namespaces, their metadata and the profiles are there', async () => {
  expect(namespaces).toEqual(expect.arrayContaining([DI, GT, TCD]))
  const metadata = (await browse('i=11715', AGGREGATES)).map(({ browseName }) => browseName.name)
  expect(metadata).toEqual(expect.arrayContaining([GT, TCD]))
  const profiles: unknown = (await session.readVariableValue('i=2269')).value.value
  expect(profiles).toEqual(expect.arrayContaining(['http://opcfoundation.org/UA-Profile/PlasticsRubber/TCD/Server/Basic']))
})

describe('the instances', () => {
  test('stand under DeviceSet, one per zone, named after maker and serial number with an ending, and may be watched for events', async () => {
    const found = (await browse(id(DI, 5001), AGGREGATES)).filter(({ browseName }) => (browseName.name ?? '').startsWith('TCD_'))
    expect(found.map(({ browseName }) => browseName.name)).toEqual(['TCD_Kestrel_KH-9_a', 'TCD_Kestrel_KH-9_b'])
    for (const each of found) {
      expect(each.typeDefinition.toString().startsWith(id(TCD, 1012))).toBe(true)
      expect((await session.read({ nodeId: each.nodeId, attributeId: AttributeIds.EventNotifier })).value.value).toBe(1)
    }
  })

  test('have every mandatory member of their types, in every object, each with the type definition of its declaration', async () => {
    let mandatory = 0
    const wrong: string[] = []
    const compare = async (instance: string, type: string): Promise<void> => {
      const own = await browse(instance, AGGREGATES)
      for (const declared of await browse(type, AGGREGATES)) {
        const rules = await browse(declared.nodeId.toString(), 'i=37')
        const isMandatory = rules.some(({ nodeId }) => nodeId.value === 78)
        if (isMandatory) mandatory++
        const name = `${declared.browseName.toString()} below ${instance}`
        const there = own.find(({ browseName }) => browseName.toString() === declared.browseName.toString())
        if (there === undefined) {
          if (isMandatory) wrong.push(`${name} is missing`)
          continue
        }
        if (there.typeDefinition.toString() !== declared.typeDefinition.toString()) wrong.push(`${name} is of another type`)
        if (!is(declared.nodeClass, NodeClass.Method)) await compare(there.nodeId.toString(), declared.nodeId.toString())
      }
    }
    await compare(zone('').slice(0, -1), id(TCD, 1012))
    expect(wrong).toEqual([])
    expect(mandatory).toBeGreaterThan(60)
  })

  test('give every analog variable a range and a unit of measure with a UN/CEFACT number, every choice its texts', async () => {
    const analog: string[] = []
    const choices: string[] = []
    const walk = async (node: string): Promise<void> => {
      for (const child of await browse(node, AGGREGATES)) {
        const type = child.typeDefinition.toString()
        if (type === 'ns=0;i=2368') analog.push(child.nodeId.toString())
        if (type === 'ns=0;i=11238') choices.push(child.nodeId.toString())
        if (is(child.nodeClass, NodeClass.Object)) await walk(child.nodeId.toString())
      }
    }
    await walk(zone('').slice(0, -1))
    const read = async (nodes: readonly string[], property: string): Promise<Record<string, never>[]> =>
      (await session.readVariableValue(nodes.map((node) => `${node}/${property}`))).map(({ value }) => value.value)
    expect(analog.length).toBeGreaterThan(35)
    for (const unit of await read(analog, 'EngineeringUnits')) {
      expect(unit).toMatchObject({ namespaceUri: 'http://www.opcfoundation.org/UA/units/un/cefact' })
      expect(unit['unitId']).toBeGreaterThan(1000)
    }
    for (const range of await read(analog, 'EURange')) expect(range['high']).toBeGreaterThan(range['low'] ?? Number.NaN)
    expect(choices.length).toBeGreaterThan(4)
    for (const texts of await read(choices, 'EnumValues')) expect(texts['length']).toBeGreaterThan(1)
    for (const text of await read(choices, 'ValueAsText')) expect(text['text']).toMatch(/^[A-Z0-9_]+$/)
  })

  test('say what the zone is doing; a broken sensor is a bad status, not a number', async () => {
    const [flow, broken, mode, used] = await session.readVariableValue([
      zone('DeviceZone/FlowRate/ActualValue'),
      zone('DeviceZone/TemperatureReturnLine'),
      zone('Operation/OperatingMode'),
      zone('DeviceZone/ExternalSensor/Used'),
    ])
    expect(flow?.value).toMatchObject({ dataType: DataType.Double, value: 24 })
    expect(broken?.statusCode).toBe(StatusCodes.BadSensorFailure)
    expect(mode?.value).toMatchObject({ dataType: DataType.Int32, value: 9 })
    expect(used?.value).toMatchObject({ dataType: DataType.Boolean, value: true })
  })

  test('a generic client decodes their errors by the data type alone', async () => {
    const { value } = await session.read({ nodeId: zone('Operation/ActiveErrors') })
    expect(value.value).toMatchObject([{ id: 'E4', severity: 700, message: { text: 'Flow too low' } }])
  })

  test('let nobody write or call, and say so', async () => {
    const set = zone('DeviceZone/Temperature/SetValue')
    expect((await session.read({ nodeId: set, attributeId: AttributeIds.AccessLevel })).value.value).toBe(3)
    expect((await session.read({ nodeId: set, attributeId: AttributeIds.UserAccessLevel })).value.value).toBe(1)
    const value = { dataType: DataType.Double, value: 20 }
    const written = await session.write({ nodeId: set, attributeId: AttributeIds.Value, value: { value } })
    expect(written).toBe(StatusCodes.BadUserAccessDenied)
    const call = { objectId: zone('Operation'), methodId: zone('Operation/SwitchOff'), inputArguments: [] }
    expect((await session.call(call)).statusCode).toBe(StatusCodes.BadUserAccessDenied)
  })
})

// Numbers of UN/CEFACT Recommendation 20 codes as OPC UA sends them (OPC 10000-8, 5.6.3).
test.each([
  ['CEL', 4408652],
  ['FAH', 4604232],
  ['L2', 19506],
  ['G2', 18226],
  ['PS', 20563],
  ['BAR', 4342098],
  ['C94', 4405556],
])('code %s is UnitId %i', (code, number) => expect(unitId(code)).toBe(number))
