import { existsSync } from 'node:fs'
import { join } from 'node:path'
import type * as Opcua from 'node-opcua'
import type { OPCUAServer, UAMethod, UAVariable } from 'node-opcua'
import type { VirtualUnit, Zone, ZoneValues } from '../zone.ts'
import { DATA_TYPES, NAMESPACE, quantityAt, type Ref } from './model.ts'
import { instancesXml, typesXml, OWN_INDEX, type Instance, type Leaf } from './nodeset.ts'
import { METRIC, unitId, wireRange, wireUnit, type Speech } from './wire.ts'
import { CHANNELS, hasMember, show, type Shown } from './zone-values.ts'

export type Security = 'None' | 'Sign' | 'SignAndEncrypt'
export interface ServeOptions {
  /** 0: the system chooses. */
  readonly port: number
  readonly host?: string
  /** Folder of the server's own certificates and of those it trusts. */
  readonly pki: string
  readonly allowAnonymous: boolean
  /** Password by user. */
  readonly users?: ReadonlyMap<string, string>
  readonly securityModes?: readonly Security[]
  /** Without it any client certificate is taken. */
  readonly trustOnlyKnownClients?: boolean
  readonly maxNodesPerRead?: number
  readonly maxNodesPerBrowse?: number
  readonly maxMonitoredItemsPerCall?: number
  /** In which units a virtual unit speaks, by serial; metric where nothing is said. */
  readonly speech?: ReadonlyMap<string, Speech>
  /** Namespaces to stand before ours: indexes are a server's own business. */
  readonly namespacesBefore?: readonly string[]
  /** Told of every request: its name, and how many nodes or items it is about. */
  readonly onRequest?: (name: string, size: number) => void
  /** Name in the certificate's subject and application URI. */
  readonly name?: string
}
export interface OpcUaHall {
  readonly port: number
  readonly endpoint: string
  /** Takes the zones' present values; what changed is sent to whoever watches. */
  readonly refresh: () => void
  /** Puts a status code on a variable instead of its value, until null takes it away. path: `DeviceZone/FlowRate/ActualValue`. */
  readonly force: (serial: string, zone: string, path: string, statusCode: number | null) => void
  /** The unit is switched to other units of measure while it runs. */
  readonly speak: (serial: string, speech: Speech) => void
  /** How often each service was asked for, by name of the request. */
  readonly requests: () => ReadonlyMap<string, number>
  readonly sessions: () => number
  readonly close: () => Promise<void>
}

const OWN_URI = 'urn:kestrel-hall:virtual-units'
const PROFILE = 'http://opcfoundation.org/UA-Profile/PlasticsRubber/TCD/Server/'
type Library = typeof Opcua

interface Served {
  readonly unit: VirtualUnit
  readonly zone: Zone
  readonly instance: Instance
  readonly slots: Slot[]
  /** Shown to machines that look for the device, whatever its address; here simply its position. */
  readonly mappingNumber: number
}
interface Slot {
  readonly leaf: Leaf
  readonly variable: UAVariable
  shown: Shown | undefined
  forced: number | null
}

/** Serves virtual units over OPC UA with the types of OPC 40082-1. Rejects where the port is taken. */
export async function serveOpcUa(units: readonly VirtualUnit[], options: ServeOptions): Promise<OpcUaHall> {
  const opcua = await import('node-opcua')
  opcua.setWarningLogger(() => {})
  opcua.setErrorLogger(() => {})
  const speech = new Map(options.speech)
  const speechOf = (serial: string): Speech => speech.get(serial) ?? METRIC
  const zones = units.flatMap((unit) => unit.zones.map((zone) => ({ unit, zone })))
  const { xml, instances } = instancesXml(
    OWN_URI,
    zones.map(({ unit, zone }) => ({
      key: `${encodeURIComponent(unit.serial)}/${encodeURIComponent(zone.id)}`,
      browseName: `TCD_${unit.manufacturer}_${unit.serial}${unit.zones.length > 1 ? `_${zone.id.toLowerCase()}` : ''}`,
      speech: speechOf(unit.serial),
      has: hasMember(zone),
      channels: CHANNELS,
    })),
  )
  const server = await makeServer(opcua, options, xml)
  await server.initialize()
  const counts = new Map<string, number>()
  server.on('request', (request) => {
    const { name } = request.schema
    counts.set(name, (counts.get(name) ?? 0) + 1)
    options.onRequest?.(name, sizeOf(request))
  })
  const served = zones.map(({ unit, zone }, index): Served => {
    const instance = instances[index]
    if (instance === undefined) throw new Error('one instance per zone')
    return { unit, zone, instance, slots: bind(opcua, server, instance), mappingNumber: index + 1 }
  })
  const write = makeWriter(opcua, server)
  const refresh = (): void => {
    for (const each of served) {
      const values = each.zone.values()
      for (const slot of each.slots) write(each, slot, values, speechOf(each.unit.serial))
    }
  }
  refresh()
  await server.start()
  const port = server.endpoints[0]?.port ?? options.port
  return {
    port,
    endpoint: `opc.tcp://${options.host ?? '127.0.0.1'}:${port}`,
    refresh,
    force(serial, zone, path, statusCode) {
      const each = served.find((one) => one.unit.serial === serial && one.zone.id === zone)
      const slot = each?.slots.find((one) => one.leaf.path === path)
      if (each === undefined || slot === undefined) throw new RangeError(`no ${path} in ${serial} ${zone}`)
      slot.forced = statusCode
      slot.shown = undefined
      write(each, slot, each.zone.values(), speechOf(serial))
    },
    speak(serial, spoken) {
      speech.set(serial, spoken)
      for (const each of served.filter((one) => one.unit.serial === serial)) relabel(opcua, server, each, spoken)
      refresh()
    },
    requests: () => counts,
    sessions: () => server.currentSessionCount,
    close: () => server.shutdown(0),
  }
}

/** How many operations a request asks for; 0 where it is about none. */
function sizeOf(request: object): number {
  const lists = ['nodesToRead', 'nodesToBrowse', 'itemsToCreate'].map((name): unknown => Reflect.get(request, name))
  return lists.reduce<number>((size, list) => (Array.isArray(list) ? size + list.length : size), 0)
}

async function makeServer(opcua: Library, options: ServeOptions, instances: string): Promise<OPCUAServer> {
  const name = options.name ?? 'Kestrel Hall virtual units'
  const applicationUri = `urn:kestrel-hall:${encodeURIComponent(name)}`
  const certificates = new opcua.OPCUACertificateManager({
    rootFolder: options.pki,
    automaticallyAcceptUnknownCertificate: options.trustOnlyKnownClients !== true,
  })
  await certificates.initialize()
  const certificateFile = join(options.pki, 'own', 'certs', 'virtual-units.pem')
  if (!existsSync(certificateFile)) {
    await certificates.createSelfSignedCertificate({
      outputFile: certificateFile,
      subject: `/CN=${name}/O=Kestrel Hall`,
      applicationUri,
      dns: ['localhost'],
      ip: ['127.0.0.1'],
      startDate: new Date(Date.now() - 3_600_000),
      validity: 3650,
    })
  }
  const secured = (options.securityModes ?? ['None']).some((mode) => mode !== 'None')
  return new opcua.OPCUAServer({
    port: options.port,
    host: options.host ?? '127.0.0.1',
    hostname: options.host ?? '127.0.0.1',
    serverInfo: { applicationUri, applicationName: { text: name }, productUri: 'urn:kestrel-hall:virtual-units' },
    buildInfo: { productName: name, manufacturerName: 'Kestrel Hall', softwareVersion: '1', buildNumber: '1' },
    serverCertificateManager: certificates,
    userCertificateManager: certificates,
    certificateFile,
    privateKeyFile: certificates.privateKey,
    nodesets: [
      opcua.nodesets.standard,
      opcua.nodesets.di,
      ...(options.namespacesBefore ?? []).map((uri) => ({ name: uri, source: emptyNodeset(uri) })),
      { name: 'general types', source: typesXml('GT') },
      { name: 'temperature control devices', source: typesXml('TCD') },
      { name: 'virtual units', source: instances },
    ],
    securityModes: (options.securityModes ?? ['None']).map((mode) => opcua.MessageSecurityMode[mode]),
    securityPolicies: [opcua.SecurityPolicy.None, ...(secured ? [opcua.SecurityPolicy.Basic256Sha256] : [])],
    allowAnonymous: options.allowAnonymous,
    userManager: { isValidUser: (user: string, password: string) => options.users?.get(user) === password },
    maxAllowedSessionNumber: 50,
    maxConnectionsPerEndpoint: 50,
    serverCapabilities: {
      serverProfileArray: [...opcua.defaultServerCapabilities.serverProfileArray, `${PROFILE}Basic`, `${PROFILE}Maintenance`],
      operationLimits: {
        ...(options.maxNodesPerRead === undefined ? {} : { maxNodesPerRead: options.maxNodesPerRead }),
        ...(options.maxNodesPerBrowse === undefined ? {} : { maxNodesPerBrowse: options.maxNodesPerBrowse }),
        ...(options.maxMonitoredItemsPerCall === undefined ? {} : { maxMonitoredItemsPerCall: options.maxMonitoredItemsPerCall }),
      },
    },
  })
}

const emptyNodeset = (uri: string): string =>
  `<UANodeSet xmlns="http://opcfoundation.org/UA/2011/03/UANodeSet.xsd"><NamespaceUris><Uri>${uri}</Uri></NamespaceUris>` +
  `<Models><Model ModelUri="${uri}" Version="1" PublicationDate="2026-01-01T00:00:00Z"/></Models></UANodeSet>`

const space = (server: OPCUAServer) => {
  const { addressSpace } = server.engine
  if (addressSpace === null) throw new Error('the server has no address space yet')
  return addressSpace
}
/** A node id of our documents as the server has it. */
const here = (server: OPCUAServer, node: string): string =>
  node.replace(`ns=${OWN_INDEX};`, `ns=${space(server).getNamespaceIndex(OWN_URI)};`)

function variableAt(server: OPCUAServer, node: string): UAVariable {
  const found = space(server).findNode(here(server, node))
  if (found === null) throw new Error(`${node} is missing from the address space`)
  return found as UAVariable // our own document says that it is a variable
}

function bind(opcua: Library, server: OPCUAServer, instance: Instance): Slot[] {
  for (const { node } of instance.methods) {
    const method = space(server).findNode(here(server, node)) as UAMethod | null // our own document says that it is a method
    // Nobody may operate a virtual unit from afar, so every method is there and refuses.
    method?.bindMethod((_inputs, _context, callback) =>
      callback(null, { statusCode: opcua.StatusCodes.BadUserAccessDenied, outputArguments: [] }),
    )
  }
  return instance.leaves.map((leaf) => ({ leaf, variable: variableAt(server, leaf.node), shown: undefined, forced: null }))
}

type Writer = (each: Served, slot: Slot, values: ZoneValues, speech: Speech) => void

/** Sends a leaf's value to the address space where it changed. */
function makeWriter(opcua: Library, server: OPCUAServer): Writer {
  const { DataType, StatusCodes, VariantArrayType } = opcua
  const typeOf = (ref: Ref) => {
    const index = ref.space === 'UA' ? 0 : space(server).getNamespaceIndex(NAMESPACE[ref.space])
    const type = space(server).findDataType(opcua.resolveNodeId(`ns=${index};i=${ref.id}`))
    if (type === null) throw new Error(`data type ${ref.space} ${ref.id} is missing`)
    return type
  }
  const errorType = typeOf(DATA_TYPES.ActiveErrorDataType)
  const timeZone = space(server).constructExtensionObject(typeOf({ space: 'UA', id: 8912 }), { offset: 0, daylightSavingInOffset: false })
  const variant = (each: Served, { leaf }: Slot, value: Shown) => {
    const { member } = leaf
    if (typeof value === 'object' && value !== null) {
      const errors = value.map(({ id, severity, text }) =>
        space(server).constructExtensionObject(errorType, { id, severity, message: { text } }),
      )
      return { dataType: DataType.ExtensionObject, arrayType: VariantArrayType.Array, value: errors }
    }
    if (member.name === 'TimeZoneOffset') return { dataType: DataType.ExtensionObject, value: timeZone }
    if (member.name === 'DeviceMappingNumber') return { dataType: DataType.UInt32, value: each.mappingNumber }
    if (member.kind === 'choice') return { dataType: DataType.UInt16, value }
    if (typeof member.dataType !== 'string') return { dataType: DataType.Int32, value }
    return { dataType: DataType[member.dataType], value: member.dataType === 'LocalizedText' ? { text: String(value) } : value }
  }
  return (each, slot, values, speech) => {
    const { value, text } = show(slot.leaf, values, each.unit, each.zone, speech)
    if (slot.shown !== undefined && Object.is(slot.shown, value)) return
    slot.shown = value
    const broken = typeof value === 'number' && Number.isNaN(value)
    const status =
      slot.forced !== null ? opcua.getStatusCodeFromCode(slot.forced) : broken ? StatusCodes.BadSensorFailure : StatusCodes.Good
    slot.variable.setValueFromSource(variant(each, slot, value), status)
    if (slot.leaf.member.kind === 'choice') {
      variableAt(server, `${slot.leaf.node}/ValueAsText`).setValueFromSource({ dataType: DataType.LocalizedText, value: { text } })
    }
  }
}

/** New EngineeringUnits and EURange on every analog variable of a zone. */
function relabel(opcua: Library, server: OPCUAServer, each: Served, speech: Speech): void {
  const { DataType } = opcua
  for (const { leaf } of each.slots) {
    if (leaf.member.kind !== 'analog') continue
    const quantity = quantityAt(leaf.path.split('/'), leaf.member.quantity)
    const { code, shown } = wireUnit(quantity, speech)
    const unit = space(server).constructExtensionObject(opcua.resolveNodeId('i=887'), {
      namespaceUri: 'http://www.opcfoundation.org/UA/units/un/cefact',
      unitId: unitId(code),
      displayName: { text: shown },
      description: { text: shown },
    })
    const range = space(server).constructExtensionObject(opcua.resolveNodeId('i=884'), wireRange(quantity, speech))
    variableAt(server, `${leaf.node}/EngineeringUnits`).setValueFromSource({ dataType: DataType.ExtensionObject, value: unit })
    variableAt(server, `${leaf.node}/EURange`).setValueFromSource({ dataType: DataType.ExtensionObject, value: range })
  }
}
