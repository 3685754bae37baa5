import type { FoundCircuit, FoundUnit } from '../source.ts'
import { lasting } from './node-string.ts'
import { nodeText, type Services } from './services.ts'
import { EXTERNAL_USED, FACTS, INTERFACE_TYPE, NAMESPACES, signalsAt, step, UNITS_STEP, VERSION_STEP } from './tcd-signals.ts'

const HIERARCHICAL = 'ns=0;i=33'
const AGGREGATES = 'ns=0;i=44'
const HAS_SUBTYPE = 'ns=0;i=45'
const OBJECTS = 'ns=0;i=85'
const SERVER = 'ns=0;i=2253'
const OBJECT_CLASS = 1
const VARIABLE_CLASS = 2
const TYPE_CLASS = 8
const DEEPEST = 6
/** A server with more than this is no temperature control device, and we stop looking. */
const MOST_NODES = 20_000

/** What the adapter knows of a node that gives a signal, besides the plan. Node ids are those of this session. */
export interface NodeFacts {
  /** EngineeringUnits of the variable, null where it has none. */
  readonly unitNode: string | null
  /** For control_point: ExternalSensor/Used of the zone, null where there is none. */
  readonly usedNode: string | null
}
export interface Finding {
  readonly units: readonly FoundUnit[]
  /** By lasting node string. */
  readonly nodes: ReadonlyMap<string, NodeFacts>
  /** Nodes whose change says that the zones have changed. */
  readonly versionNodes: readonly string[]
}
export const NOTHING: Finding = { units: [], nodes: new Map(), versionNodes: [] }

/** Finds every zone of every temperature control device of OPC 40082-1 that the server shows. */
export async function discover(services: Services, namespaces: readonly string[]): Promise<Finding> {
  const tcd = namespaces.indexOf(NAMESPACES.T)
  if (tcd < 0) return NOTHING
  const types = await subtypes(services, `ns=${tcd};i=${INTERFACE_TYPE}`)
  const zones = []
  for (const instance of await instances(services, types)) zones.push(await walk(services, instance, namespaces))
  const facts = await readFacts(services, zones)
  return assemble(zones, facts, namespaces)
}

async function subtypes(services: Services, type: string): Promise<ReadonlySet<string>> {
  const all = new Set([type])
  let level = [type]
  while (level.length > 0) {
    const found = (await services.browse(level, HAS_SUBTYPE, TYPE_CLASS)).flat()
    level = found.flatMap((reference) => nodeText(reference.nodeId) ?? []).filter((node) => !all.has(node))
    for (const node of level) all.add(node)
  }
  return all
}

interface Found {
  readonly node: string
  readonly name: string
}

/** Breadth first from Objects; the type definition comes with the browse answer. Does not look below a hit. */
async function instances(services: Services, types: ReadonlySet<string>): Promise<readonly Found[]> {
  const seen = new Set([OBJECTS, SERVER])
  const hits: Found[] = []
  let level: string[] = [OBJECTS]
  for (let depth = 0; depth < DEEPEST && level.length > 0 && seen.size < MOST_NODES; depth++) {
    const below: string[] = []
    for (const reference of (await services.browse(level, HIERARCHICAL, OBJECT_CLASS)).flat()) {
      const node = nodeText(reference.nodeId)
      if (node === null || seen.has(node)) continue
      seen.add(node)
      const type = nodeText(reference.typeDefinition)
      if (type !== null && types.has(type)) hits.push({ node, name: reference.browseName.name ?? '' })
      else below.push(node)
    }
    level = below
  }
  return hits
}

interface ZoneTree extends Found {
  /** Node by path of BrowseNames below the instance. */
  readonly paths: ReadonlyMap<string, string>
}

async function walk(services: Services, instance: Found, namespaces: readonly string[]): Promise<ZoneTree> {
  const paths = new Map<string, string>()
  let level: { readonly node: string; readonly path: string }[] = [{ node: instance.node, path: '' }]
  for (let depth = 0; depth < DEEPEST && level.length > 0 && paths.size < MOST_NODES; depth++) {
    const answers = await services.browse(
      level.map(({ node }) => node),
      AGGREGATES,
      OBJECT_CLASS | VARIABLE_CLASS,
    )
    const below: typeof level = []
    for (const [index, references] of answers.entries()) {
      const parent = level[index]?.path ?? ''
      for (const reference of references) {
        const node = nodeText(reference.nodeId)
        if (node === null) continue
        const own = step(namespaces[reference.browseName.namespaceIndex] ?? '', reference.browseName.name ?? '')
        const path = parent === '' ? own : `${parent}/${own}`
        if (paths.has(path)) continue
        paths.set(path, node)
        // Below a variable there are only properties, and of these one is wanted.
        const nodeClass: number = reference.nodeClass
        if (nodeClass === OBJECT_CLASS || !own.startsWith('0:')) below.push({ node, path })
      }
    }
    level = below
  }
  return { ...instance, paths }
}

type Facts = Readonly<Record<keyof typeof FACTS, string>>

async function readFacts(services: Services, zones: readonly ZoneTree[]): Promise<readonly Facts[]> {
  const wanted = zones.flatMap((zone) => Object.entries(FACTS).map(([fact, path]) => ({ zone, fact, node: zone.paths.get(path) })))
  const nodes = wanted.flatMap(({ node }) => node ?? [])
  const answers = nodes.length === 0 ? [] : await services.read(nodes)
  const texts = new Map(nodes.map((node, index) => [node, textIn(answers[index]?.value?.value)]))
  return zones.map((zone) => {
    const fact = (name: keyof typeof FACTS): string => texts.get(zone.paths.get(FACTS[name]) ?? '') ?? ''
    return {
      manufacturer: fact('manufacturer'),
      model: fact('model'),
      serial: fact('serial'),
      zone: fact('zone'),
      location: fact('location'),
    }
  })
}

/** A String or the text of a LocalizedText. */
function textIn(value: unknown): string {
  if (typeof value === 'string') return value.trim()
  if (typeof value === 'object' && value !== null && 'text' in value && typeof value.text === 'string') return value.text.trim()
  return ''
}

/** Zones of one serial number and maker are one unit. Units and zones are put in order, so that the same hall gives the same plan. */
function assemble(zones: readonly ZoneTree[], facts: readonly Facts[], namespaces: readonly string[]): Finding {
  const nodes = new Map<string, NodeFacts>()
  const groups = new Map<string, { facts: Facts; zones: { tree: ZoneTree; zone: string }[] }>()
  for (const [index, tree] of zones.entries()) {
    const own = facts[index]
    if (own === undefined) continue
    // The standard asks for a real serial number. Where it is missing, the instance's name has to do.
    const known = own.serial === '' ? { ...own, serial: tree.name } : own
    const key = JSON.stringify([known.manufacturer, known.serial])
    const group = groups.get(key) ?? { facts: known, zones: [] }
    group.zones.push({ tree, zone: own.zone })
    groups.set(key, group)
  }
  const units = [...groups.values()].map(({ facts: { serial, model, manufacturer, location }, zones: own }): FoundUnit => {
    own.sort((one, other) => (one.zone === other.zone ? order(one.tree.name, other.tree.name) : order(one.zone, other.zone)))
    const taken = new Set<string>()
    const circuits = own.map(({ tree, zone }, position): FoundCircuit => {
      const wanted = own.length === 1 && zone === '' ? 'a' : slug(zone === '' ? ending(tree.name) : zone)
      const id = wanted !== '' && !taken.has(wanted) ? wanted : unused(taken, position)
      taken.add(id)
      return { id, signals: signalsOf(tree, nodes, namespaces) }
    })
    return { serial, model, manufacturer, location, circuits: circuits.sort((one, other) => order(one.id, other.id)) }
  })
  units.sort((one, other) => (one.serial === other.serial ? order(one.manufacturer, other.manufacturer) : order(one.serial, other.serial)))
  const versionNodes = zones.flatMap((zone) => [...zone.paths].flatMap(([path, node]) => (path.endsWith(`/${VERSION_STEP}`) ? node : [])))
  return { units, nodes, versionNodes }
}

function signalsOf(tree: ZoneTree, nodes: Map<string, NodeFacts>, namespaces: readonly string[]): FoundCircuit['signals'] {
  return signalsAt(tree.paths.keys()).flatMap(({ path, signal }) => {
    const node = lasting(tree.paths.get(path) ?? '', namespaces)
    if (node === null) return []
    nodes.set(node, {
      unitNode: tree.paths.get(`${path}/${UNITS_STEP}`) ?? null,
      usedNode: signal === 'control_point' ? (tree.paths.get(EXTERNAL_USED) ?? null) : null,
    })
    return [{ signal, node }]
  })
}

const order = (one: string, other: string): number => (one < other ? -1 : one > other ? 1 : 0)
const slug = (text: string): string =>
  text
    .toLowerCase()
    .replaceAll(/[^a-z0-9]+/g, '-')
    .replaceAll(/^-|-$/g, '')
/** What several zones of one device add to their BrowseName. */
const ending = (name: string): string => /_([A-Za-z0-9]{1,3})$/.exec(name)?.[1] ?? ''
function unused(taken: ReadonlySet<string>, position: number): string {
  const letter = String.fromCharCode(97 + (position % 26))
  return taken.has(letter) ? `zone-${position + 1}` : letter
}
