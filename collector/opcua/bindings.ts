import type { DataValue } from 'node-opcua'
import type { OpcUaSource } from '../../config/plan.ts'
import { QUALITY } from '../../rules/reading.ts'
import type { ReadFault } from '../source.ts'
import type { Circuit } from './circuit.ts'
import type { Finding, NodeFacts } from './discover.ts'
import { present } from './node-string.ts'
import { nodeText, type Services } from './services.ts'
import { qualityOf } from './status.ts'
import type { Item } from './subscription.ts'
import { understand, type Understood, type UnitOfMeasure } from './value.ts'

const HAS_PROPERTY = 'ns=0;i=46'
const VARIABLE_CLASS = 2

/** What the bindings have to tell while values come in. */
export interface Told {
  readonly fault: (subject: string, fault: ReadFault) => void
  readonly over: (subject: string) => void
  /** A second value of a signal within one answer: the reading with the first one goes out before it is replaced. */
  readonly flush: (circuit: Circuit) => void
  /** The zones of the server have changed. */
  readonly renew: () => void
  /** The units of measure of these variables have changed; value and unit are to be read together, a little later. */
  readonly reread: (bindings: readonly Binding[]) => void
}
export interface Seat {
  readonly unit: string
  readonly circuit: Circuit
}
/** One signal of one circuit, tied to a node of this session. */
export interface Binding extends Seat {
  readonly index: number
  readonly signal: string
  /** As in the plan, for messages. */
  readonly text: string
  readonly node: string
  readonly facts: NodeFacts
}

/** Ties the plan's signals to nodes of this session and learns in which units they come. */
export async function bindAll(
  seats: readonly Seat[],
  settings: OpcUaSource,
  finding: Finding,
  namespaces: readonly string[],
  services: Services,
  told: Told,
): Promise<readonly Binding[]> {
  const wanted = seats.flatMap((seat) =>
    seat.circuit.plan.signals.flatMap((signal, index) => {
      const text = seat.circuit.plan.nodes[index]
      if (text === undefined) return []
      const node = present(text, namespaces)
      if (node !== null) return [{ ...seat, index, signal, text, node }]
      missing({ ...seat, index, signal, text }, QUALITY.no_such_register, told)
      return []
    }),
  )
  const facts = await factsOf(wanted, finding, services)
  const bindings = wanted.map((each, index): Binding => ({ ...each, facts: facts[index] ?? NO_FACTS }))
  await learnUnits(bindings, settings, services, told)
  return bindings
}

const NO_FACTS: NodeFacts = { unitNode: null, usedNode: null }

/** What discovery knows; a node that somebody named by hand is asked for its EngineeringUnits. */
async function factsOf(
  wanted: readonly { readonly text: string; readonly node: string }[],
  finding: Finding,
  services: Services,
): Promise<readonly NodeFacts[]> {
  const unknown = wanted.filter(({ text }) => !finding.nodes.has(text))
  const answers =
    unknown.length === 0
      ? []
      : await services.browse(
          unknown.map(({ node }) => node),
          HAS_PROPERTY,
          VARIABLE_CLASS,
        )
  const asked = new Map(
    unknown.map(({ text }, index): [string, NodeFacts] => {
      const units = answers[index]?.find(({ browseName }) => browseName.name === 'EngineeringUnits' && browseName.namespaceIndex === 0)
      return [text, { unitNode: units === undefined ? null : nodeText(units.nodeId), usedNode: null }]
    }),
  )
  return wanted.map(({ text }) => finding.nodes.get(text) ?? asked.get(text) ?? NO_FACTS)
}

/** Reads the units of measure of these bindings and applies them. */
async function learnUnits(bindings: readonly Binding[], settings: OpcUaSource, services: Services, told: Told): Promise<void> {
  const nodes = [...new Set(bindings.flatMap(({ facts }) => facts.unitNode ?? []))]
  const answers = nodes.length === 0 ? [] : await services.read(nodes)
  const found = new Map(nodes.map((node, index) => [node, unitIn(answers[index])]))
  for (const binding of bindings) {
    applyUnit(binding, binding.facts.unitNode === null ? null : (found.get(binding.facts.unitNode) ?? null), settings, told)
  }
}

/** Reads every value once, so that the first reading is whole and does not trickle in with the first answers. */
export async function readAll(bindings: readonly Binding[], services: Services): Promise<void> {
  const used = bindings.flatMap(({ circuit, facts }) => (facts.usedNode === null ? [] : [{ circuit, node: facts.usedNode }]))
  const answers = await services.read([...bindings.map(({ node }) => node), ...used.map(({ node }) => node)])
  for (const [place, value] of answers.entries()) {
    const binding = bindings[place]
    if (binding !== undefined) binding.circuit.take(binding.index, value)
    else used[place - bindings.length]?.circuit.takeExternalUsed(value)
  }
}

/** Reads value and unit of measure together and takes both. */
export async function rereadValues(bindings: readonly Binding[], settings: OpcUaSource, services: Services, told: Told): Promise<void> {
  const answers = await services.read(bindings.flatMap(({ node, facts }) => [node, facts.unitNode ?? node]))
  for (const [place, binding] of bindings.entries()) {
    const value = answers[place * 2]
    const how = understand(binding.signal, unitIn(answers[place * 2 + 1]), !settings.discover)
    if (value !== undefined) binding.circuit.release(binding.index, how, value)
    tellUnit(binding, how, told)
  }
}

function applyUnit(binding: Binding, found: UnitOfMeasure | null, settings: OpcUaSource, told: Told): void {
  const how = understand(binding.signal, found, !settings.discover)
  binding.circuit.understand(binding.index, how)
  tellUnit(binding, how, told)
}

function tellUnit(binding: Binding, how: Understood, told: Told): void {
  const subject = `unit of ${binding.circuit.plan.key} ${binding.signal}`
  if (how.kind !== 'unknown') return told.over(subject)
  told.fault(subject, { kind: 'unknown_unit_of_measure', unit: binding.unit, node: binding.text, found: how.found })
}

/** The EUInformation in a value; null where there is none, or an empty one, or the value is bad. */
function unitIn(answer: DataValue | undefined): UnitOfMeasure | null {
  const value: unknown = answer?.value?.value
  if (typeof value !== 'object' || value === null || !('unitId' in value) || typeof value.unitId !== 'number') return null
  const shown = 'displayName' in value && typeof value.displayName === 'object' && value.displayName !== null ? value.displayName : {}
  return {
    namespaceUri: 'namespaceUri' in value && typeof value.namespaceUri === 'string' ? value.namespaceUri : '',
    unitId: value.unitId,
    displayName: 'text' in shown && typeof shown.text === 'string' ? shown.text : '',
  }
}

/** Everything to be watched: values first, so that a server with few items to give loses the least. */
export function itemsOf(bindings: readonly Binding[], finding: Finding, settings: OpcUaSource, told: Told): readonly Item[] {
  const rare = { sampling_ms: settings.sampling_ms, queue: 1 }
  const values = bindings.map((binding): Item => {
    const { circuit, index, node } = binding
    return {
      node,
      sampling_ms: settings.sampling_ms,
      queue: settings.queue,
      apply: (value) => {
        if (circuit.hasNews(index)) told.flush(circuit)
        if (circuit.take(index, value) && binding.facts.unitNode !== null && circuit.hold(index)) told.reread([binding])
      },
    }
  })
  const used = bindings.flatMap(({ circuit, facts }): Item[] =>
    facts.usedNode === null ? [] : [{ ...rare, node: facts.usedNode, apply: (value) => circuit.takeExternalUsed(value) }],
  )
  // A person may switch the unit from °C to °F while we watch: then the numbers change their meaning.
  const units = [...Map.groupBy(bindings, ({ facts }) => facts.unitNode)].flatMap(([node, those]): Item[] => {
    if (node === null) return []
    return [
      {
        ...rare,
        node,
        apply: (value) => {
          const unit = unitIn(value)
          if (unit === null) return
          const changed = those.filter(({ circuit, index, signal }) => {
            const how = understand(signal, unit, !settings.discover)
            return !circuit.isUnderstood(index, how) && circuit.hold(index)
          })
          if (changed.length > 0) told.reread(changed)
        },
      },
    ]
  })
  const versions = finding.versionNodes.map((node): Item => {
    let before: unknown
    return {
      ...rare,
      node,
      apply: (value) => {
        const version: unknown = value.value?.value
        if (before !== undefined && version !== before) told.renew()
        before = version
      },
    }
  })
  return [...values, ...used, ...units, ...versions]
}

/** What the server would not watch: the signal is bad, and somebody is told why. Returns the nodes. */
export function refusedItems(
  bindings: readonly Binding[],
  statuses: readonly number[],
  settings: OpcUaSource,
  told: Told,
): readonly string[] {
  const refused: string[] = []
  for (const [index, binding] of bindings.entries()) {
    const status = statuses[index] ?? 0
    if (status >>> 30 === 0) {
      told.over(subjectOf(binding))
      continue
    }
    refused.push(binding.node)
    const quality = qualityOf(status)
    if (quality === QUALITY.no_such_register) {
      missing(binding, quality, told)
      continue
    }
    const detail = `it will not watch ${binding.text} (${binding.signal}): status 0x${status.toString(16)}`
    binding.circuit.spoil(binding.index, quality)
    told.fault(subjectOf(binding), { kind: 'refused', unit: binding.unit, address: settings.endpoint, detail })
  }
  return refused
}

type Missing = Pick<Binding, 'circuit' | 'unit' | 'index' | 'signal' | 'text'>
const subjectOf = ({ circuit, signal }: Missing): string => `node of ${circuit.plan.key} ${signal}`
function missing(binding: Missing, quality: number, told: Told): void {
  binding.circuit.spoil(binding.index, quality)
  told.fault(subjectOf(binding), { kind: 'no_such_node', unit: binding.unit, node: binding.text, signal: binding.signal })
}
