import {
  DATA_TYPES,
  MAINTENANCE_STATES,
  membersOf,
  NAMESPACE,
  OPERATING_MODES,
  quantityAt,
  TYPES,
  type DataTypeName,
  type Member,
  type Ref,
  type Space,
  type TypeName,
} from './model.ts'
import { unitId, wireRange, wireUnit, type Speech } from './wire.ts'

/** Namespace indexes inside our documents: all three list the same URIs in this order. */
const INDEX: Readonly<Record<Space | 'UA', number>> = { UA: 0, DI: 1, GT: 2, TCD: 3 }
export const OWN_INDEX = 4
const TYPES_XSD = 'http://opcfoundation.org/UA/2008/02/Types.xsd'
const BUILT_IN: Readonly<Record<DataTypeName, string>> = {
  Boolean: 'i=1',
  UInt16: 'i=5',
  Int32: 'i=6',
  UInt32: 'i=7',
  Double: 'i=11',
  String: 'i=12',
  LocalizedText: 'i=21',
}
const PROPERTY_TYPE = 'i=68'
const ANALOG_ITEM = 'i=2368'
const MULTI_STATE_VALUE_DISCRETE = 'i=11238'
const BASE_DATA_VARIABLE = 'i=63'

const escaped = (text: string): string =>
  text.replaceAll('&', '&amp;').replaceAll('<', '&lt;').replaceAll('>', '&gt;').replaceAll('"', '&quot;')
const refId = (ref: Ref): string => (ref.space === 'UA' ? `i=${ref.id}` : `ns=${INDEX[ref.space]};i=${ref.id}`)
const dataTypeId = (type: DataTypeName | Ref): string => (typeof type === 'string' ? BUILT_IN[type] : refId(type))
const browseName = (space: Space | 'UA', name: string): string => escaped(space === 'UA' ? name : `${INDEX[space]}:${name}`)

/** A variable of an instance that somebody has to fill. */
export interface Leaf {
  readonly path: string
  readonly node: string
  readonly member: Extract<Member, { readonly kind: 'analog' | 'choice' | 'property' | 'variable' }>
}
export interface MethodNode {
  readonly path: string
  readonly node: string
}

/** How one document differs from another: where ids come from, what is in it, and in which units. */
interface Style {
  readonly idOf: (member: Member, path: readonly string[]) => string
  readonly extraId: (owner: string, name: string) => string
  /** Names under which a member appears here; none where it does not. */
  readonly names: (member: Member, path: readonly string[]) => readonly string[]
  readonly isType: boolean
  readonly speech: Speech | null
  readonly leaves: Leaf[]
  readonly methods: MethodNode[]
}

class Document {
  readonly #lines: string[] = []

  object(at: { id: string; name: string; parent: string; reference: string; type: string; rule: string; notifier?: number }): void {
    const notifier = at.notifier === undefined ? '' : ` EventNotifier="${at.notifier}"`
    this.#node('UAObject', at.id, at.name, ` ParentNodeId="${at.parent}"${notifier}`, [
      `<Reference ReferenceType="i=40">${at.type}</Reference>`,
      `<Reference ReferenceType="${at.reference}" IsForward="false">${at.parent}</Reference>`,
      at.rule,
    ])
  }

  variable(at: {
    id: string
    name: string
    parent: string
    reference: string
    type: string
    dataType: string
    rule: string
    isArray?: boolean
    writable?: boolean
    value?: string
  }): void {
    // A virtual unit lets nobody write: what the standard calls writeable is so in AccessLevel, but not for any user.
    const access = at.writable === true ? ' AccessLevel="3" UserAccessLevel="1"' : ''
    const rank = at.isArray === true ? ' ValueRank="1" ArrayDimensions="0"' : ''
    this.#node(
      'UAVariable',
      at.id,
      at.name,
      ` ParentNodeId="${at.parent}" DataType="${at.dataType}"${rank}${access}`,
      [
        `<Reference ReferenceType="i=40">${at.type}</Reference>`,
        `<Reference ReferenceType="${at.reference}" IsForward="false">${at.parent}</Reference>`,
        at.rule,
      ],
      at.value === undefined ? '' : `<Value>${at.value}</Value>`,
    )
  }

  method(at: { id: string; name: string; parent: string; rule: string; declaration: string | null }): void {
    const declaration = at.declaration === null ? '' : ` MethodDeclarationId="${at.declaration}"`
    this.#node('UAMethod', at.id, at.name, ` ParentNodeId="${at.parent}"${declaration}`, [
      `<Reference ReferenceType="i=47" IsForward="false">${at.parent}</Reference>`,
      at.rule,
    ])
  }

  type(
    element: 'UAObjectType' | 'UADataType',
    id: string,
    name: string,
    superType: string,
    extra = '',
    more: readonly string[] = [],
  ): void {
    this.#node(element, id, name, '', [`<Reference ReferenceType="i=45" IsForward="false">${superType}</Reference>`, ...more], extra)
  }

  #node(element: string, id: string, name: string, attributes: string, references: readonly string[], extra = ''): void {
    const shown = name.replace(/^\d+:/, '')
    this.#lines.push(
      `<${element} NodeId="${escaped(id)}" BrowseName="${name}"${attributes}><DisplayName>${shown}</DisplayName>` +
        `<References>${references.join('')}</References>${extra}</${element}>`,
    )
  }

  render(model: string, required: readonly string[], own: string | null): string {
    const uris = [NAMESPACE.DI, NAMESPACE.GT, NAMESPACE.TCD, ...(own === null ? [] : [own])]
    return (
      `<?xml version="1.0" encoding="utf-8"?><UANodeSet xmlns="http://opcfoundation.org/UA/2011/03/UANodeSet.xsd">` +
      `<NamespaceUris>${uris.map((uri) => `<Uri>${escaped(uri)}</Uri>`).join('')}</NamespaceUris>` +
      `<Models><Model ModelUri="${escaped(model)}" Version="1.01" PublicationDate="2020-06-01T00:00:00Z">` +
      `${required.map((uri) => `<RequiredModel ModelUri="${uri}"/>`).join('')}</Model></Models>` +
      `${this.#lines.join('\n')}</UANodeSet>`
    )
  }
}

const extension = (typeId: string, body: string): string =>
  `<ExtensionObject xmlns="${TYPES_XSD}"><TypeId><Identifier>${typeId}</Identifier></TypeId><Body>${body}</Body></ExtensionObject>`
const extensions = (typeId: string, bodies: readonly string[]): string =>
  `<ListOfExtensionObject xmlns="${TYPES_XSD}">${bodies.map((body) => extension(typeId, body)).join('')}</ListOfExtensionObject>`
const enumValues = (texts: readonly string[]): string =>
  extensions(
    'i=7616',
    texts.map((text, value) => `<EnumValueType><Value>${value}</Value><DisplayName><Text>${text}</Text></DisplayName></EnumValueType>`),
  )
const rule = (member: Member, isType: boolean): string =>
  isType ? `<Reference ReferenceType="i=37">${{ M: 'i=78', O: 'i=80', P: 'i=11508' }[member.rule]}</Reference>` : ''

/** Renders members below a node, whole subtrees, as declarations or as an instance. */
function members(doc: Document, parent: string, path: readonly string[], of: readonly Member[], style: Style): void {
  for (const member of of) {
    for (const name of style.names(member, [...path, member.name])) one(doc, parent, [...path, name], name, member, style)
  }
}

function one(doc: Document, parent: string, path: readonly string[], name: string, member: Member, style: Style): void {
  const id = style.idOf(member, path)
  const at = { id, name: browseName(member.space, name), parent, rule: rule(member, style.isType) }
  const mandatory = style.isType ? '<Reference ReferenceType="i=37">i=78</Reference>' : ''
  const property = (own: string, dataType: string, isArray: boolean, value?: string): void =>
    doc.variable({
      id: style.extraId(id, own),
      name: own,
      parent: id,
      reference: 'i=46',
      type: PROPERTY_TYPE,
      dataType,
      isArray,
      rule: mandatory,
      ...(value === undefined ? {} : { value }),
    })
  switch (member.kind) {
    case 'object': {
      const type = TYPES[member.type]
      doc.object({ ...at, reference: 'i=47', type: refId(type) })
      members(doc, id, path, membersOf(member.type), style)
      return
    }
    case 'method': {
      doc.method({ ...at, declaration: null })
      style.methods.push({ path: path.join('/'), node: id })
      if (member.inputs.length === 0) return
      const inputs = member.inputs.map(
        (input) =>
          `<Argument><Name>${input.name}</Name><DataType><Identifier>${input.dataType}</Identifier></DataType>` +
          `<ValueRank>-1</ValueRank><ArrayDimensions/></Argument>`,
      )
      property('InputArguments', 'i=296', true, extensions('i=297', inputs))
      return
    }
    case 'analog': {
      doc.variable({
        ...at,
        reference: 'i=47',
        type: ANALOG_ITEM,
        dataType: dataTypeId(member.dataType),
        writable: member.writable,
      })
      const quantity = quantityAt(path, member.quantity)
      const range = style.speech === null ? null : wireRange(quantity, style.speech)
      const unit = style.speech === null ? null : wireUnit(quantity, style.speech)
      property(
        'EURange',
        'i=884',
        false,
        range === null ? undefined : extension('i=885', `<Range><Low>${range.low}</Low><High>${range.high}</High></Range>`),
      )
      property(
        'EngineeringUnits',
        'i=887',
        false,
        unit === null
          ? undefined
          : extension(
              'i=888',
              `<EUInformation><NamespaceUri>http://www.opcfoundation.org/UA/units/un/cefact</NamespaceUri>` +
                `<UnitId>${unitId(unit.code)}</UnitId><DisplayName><Text>${unit.shown}</Text></DisplayName>` +
                `<Description><Text>${unit.shown}</Text></Description></EUInformation>`,
            ),
      )
      style.leaves.push({ path: path.join('/'), node: id, member })
      return
    }
    case 'choice':
      doc.variable({
        ...at,
        reference: 'i=47',
        type: MULTI_STATE_VALUE_DISCRETE,
        dataType: BUILT_IN.UInt16,
        writable: member.writable,
      })
      property('EnumValues', 'i=7594', true, enumValues(member.texts))
      property('ValueAsText', BUILT_IN.LocalizedText, false)
      style.leaves.push({ path: path.join('/'), node: id, member })
      return
    case 'property':
    case 'variable':
      doc.variable({
        ...at,
        reference: member.kind === 'property' ? 'i=46' : 'i=47',
        type: member.kind === 'property' ? PROPERTY_TYPE : BASE_DATA_VARIABLE,
        dataType: dataTypeId(member.dataType),
        isArray: member.isArray,
        writable: member.writable,
      })
      style.leaves.push({ path: path.join('/'), node: id, member })
      return
  }
}

/** Nodeset of the types of one namespace. Declarations without a published id are numbered from 50000; no client relies on them. */
export function typesXml(space: 'GT' | 'TCD'): string {
  const doc = new Document()
  let next = 50_000
  const number = (): string => `ns=${INDEX[space]};i=${next++}`
  for (const [name, type] of Object.entries(TYPES) as [TypeName, (typeof TYPES)[TypeName]][]) {
    if (type.space !== space) continue
    const id = refId(type)
    const superType = typeof type.superType === 'string' ? refId(TYPES[type.superType]) : refId(type.superType)
    doc.type('UAObjectType', id, browseName(space, name), superType)
    members(doc, id, [], type.members, {
      idOf: (member, path) => (path.length === 1 && member.id !== null ? `ns=${INDEX[space]};i=${member.id}` : number()),
      extraId: number,
      names: (member) => [member.name],
      isType: true,
      speech: null,
      leaves: [],
      methods: [],
    })
  }
  if (space === 'GT') generalDataTypes(doc, number)
  else tcdDataTypes(doc)
  metadata(doc, space, space === 'TCD' ? refId({ space, id: 5033 }) : number(), number)
  const required = ['http://opcfoundation.org/UA/', NAMESPACE.DI, ...(space === 'TCD' ? [NAMESPACE.GT] : [])]
  return doc.render(NAMESPACE[space], required, null)
}

function generalDataTypes(doc: Document, number: () => string): void {
  const field = (name: string, dataType: string): string => `<Field Name="${name}" DataType="${dataType}"/>`
  const structure = (name: string, ref: Ref, binary: string, xml: string, fields: readonly string[]): void => {
    doc.type(
      'UADataType',
      refId(ref),
      browseName('GT', name),
      'i=22',
      `<Definition Name="${browseName('GT', name)}">${fields.join('')}</Definition>`,
    )
    for (const [encoding, id] of [
      ['Default Binary', binary],
      ['Default XML', xml],
    ] as const) {
      doc.object({ id, name: encoding, parent: refId(ref), reference: 'i=38', type: 'i=76', rule: '' })
    }
  }
  const gt = (id: number): string => refId({ space: 'GT', id })
  structure('ActiveErrorDataType', DATA_TYPES.ActiveErrorDataType, gt(5048), gt(5049), [
    field('Id', BUILT_IN.String),
    field('Severity', BUILT_IN.UInt16),
    field('Message', BUILT_IN.LocalizedText),
  ])
  const double = (name: string): string => field(name, BUILT_IN.Double)
  structure('PIDParametersDataType', DATA_TYPES.PIDParametersDataType, gt(5017), number(), [double('P'), double('I'), double('D')])
  enumeration(doc, 'GT', 'MaintenanceStatusEnumeration', DATA_TYPES.MaintenanceStatusEnumeration, MAINTENANCE_STATES, number())
  doc.type('UAObjectType', gt(1052), browseName('GT', 'HelpOffNormalAlarmType'), 'i=10637')
  doc.variable({
    id: gt(6309),
    name: browseName('GT', 'HelpText'),
    parent: gt(1052),
    reference: 'i=46',
    type: PROPERTY_TYPE,
    dataType: BUILT_IN.LocalizedText,
    rule: '<Reference ReferenceType="i=37">i=78</Reference>',
  })
}

function tcdDataTypes(doc: Document): void {
  const tcd = (id: number): string => refId({ space: 'TCD', id })
  enumeration(doc, 'TCD', 'OperatingModeEnumeration', DATA_TYPES.OperatingModeEnumeration, OPERATING_MODES, tcd(7147))
  doc.type('UAObjectType', tcd(1009), browseName('TCD', 'TCDHelpOffNormalAlarmType'), refId({ space: 'GT', id: 1052 }), '', [
    `<Reference ReferenceType="i=41" IsForward="false">${tcd(1012)}</Reference>`,
  ])
  doc.variable({
    id: tcd(7137),
    name: browseName('TCD', 'DeviceMappingNumber'),
    parent: tcd(1009),
    reference: 'i=46',
    type: PROPERTY_TYPE,
    dataType: BUILT_IN.UInt32,
    rule: '<Reference ReferenceType="i=37">i=78</Reference>',
  })
}

function enumeration(doc: Document, space: Space, name: string, ref: Ref, texts: readonly string[], valuesId: string): void {
  const fields = texts.map((text, value) => `<Field Name="${text}" Value="${value}"/>`).join('')
  doc.type(
    'UADataType',
    refId(ref),
    browseName(space, name),
    'i=29',
    `<Definition Name="${browseName(space, name)}">${fields}</Definition>`,
  )
  doc.variable({
    id: valuesId,
    name: 'EnumValues',
    parent: refId(ref),
    reference: 'i=46',
    type: PROPERTY_TYPE,
    dataType: 'i=7594',
    isArray: true,
    rule: '',
    value: enumValues(texts),
  })
}

/** The metadata object under Server/Namespaces (OPC 10000-5). */
function metadata(doc: Document, space: Space, id: string, number: () => string): void {
  doc.object({ id, name: browseName(space, NAMESPACE[space]), parent: 'i=11715', reference: 'i=47', type: 'i=11616', rule: '' })
  const property = (name: string, dataType: string, value: string, isArray = false): void =>
    doc.variable({ id: number(), name, parent: id, reference: 'i=46', type: PROPERTY_TYPE, dataType, isArray, rule: '', value })
  const typed = (tag: string, text: string): string => `<${tag} xmlns="${TYPES_XSD}">${text}</${tag}>`
  property('NamespaceUri', BUILT_IN.String, typed('String', NAMESPACE[space]))
  property('NamespaceVersion', BUILT_IN.String, typed('String', '1.01'))
  property('NamespacePublicationDate', 'i=13', typed('DateTime', '2020-06-01T00:00:00Z'))
  property('IsNamespaceSubset', BUILT_IN.Boolean, typed('Boolean', 'true'))
  property('StaticNodeIdTypes', 'i=256', `<ListOfInt32 xmlns="${TYPES_XSD}"><Int32>0</Int32></ListOfInt32>`, true)
  property('StaticNumericNodeIdRange', 'i=291', `<ListOfString xmlns="${TYPES_XSD}"></ListOfString>`, true)
  property('StaticStringNodeIdPattern', BUILT_IN.String, typed('String', ''))
}

/** One instance of TCD_InterfaceType: what it is called, in which units it speaks and which optional members it has. */
export interface InstancePlan {
  /** Unique beginning of its string node ids: `<serial>/<zone>`. */
  readonly key: string
  readonly browseName: string
  readonly speech: Speech
  /** Paths of leaves and methods that it has; whatever is above them is there too. Mandatory members are always there. */
  readonly has: (path: string) => boolean
  readonly channels: number
}
export interface Instance {
  readonly node: string
  readonly leaves: readonly Leaf[]
  readonly methods: readonly MethodNode[]
}

/** Nodeset of the instances under DeviceSet, with the nodes that somebody has to fill. */
export function instancesXml(
  own: string,
  plans: readonly InstancePlan[],
): { readonly xml: string; readonly instances: readonly Instance[] } {
  const doc = new Document()
  const deviceSet = refId({ space: 'DI', id: 5001 })
  const instances = plans.map((plan): Instance => {
    const node = `ns=${OWN_INDEX};s=${plan.key}`
    const leaves: Leaf[] = []
    const methods: MethodNode[] = []
    doc.object({
      id: node,
      name: escaped(`${OWN_INDEX}:${plan.browseName}`),
      parent: deviceSet,
      reference: 'i=47',
      type: refId(TYPES.TCD_InterfaceType),
      rule: '',
      notifier: 1,
    })
    members(doc, node, [], membersOf('TCD_InterfaceType'), {
      idOf: (_, path) => `${node}/${path.join('/')}`,
      extraId: (owner, name) => `${owner}/${name}`,
      names: (member, path) => {
        if (member.rule === 'P') return Array.from({ length: plan.channels }, (_, index) => `ExternalChannel_${index + 1}`)
        return member.rule === 'M' || plan.has(path.join('/')) ? [member.name] : []
      },
      isType: false,
      speech: plan.speech,
      leaves,
      methods,
    })
    return { node, leaves, methods }
  })
  return { xml: doc.render(own, ['http://opcfoundation.org/UA/', NAMESPACE.DI, NAMESPACE.GT, NAMESPACE.TCD], own), instances }
}
