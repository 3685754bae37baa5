import type { BrowseResult, ClientSession, DataValue, NodeId, ReferenceDescription } from 'node-opcua'
import type { Await } from './library.ts'

/** What a server takes in one request; 0 from a server means that it does not say. */
export interface Limits {
  nodesPerRead: number
  nodesPerBrowse: number
  itemsPerCall: number
}
/** Where a server sets no limit, this is enough for one request and answers stay small. */
const OURS: Limits = { nodesPerRead: 500, nodesPerBrowse: 100, itemsPerCall: 500 }
const LIMIT_NODES = ['ns=0;i=11705', 'ns=0;i=11710', 'ns=0;i=11714'] as const // MaxNodesPerRead, MaxNodesPerBrowse, MaxMonitoredItemsPerCall

/** The server found a request too large; a smaller one may do (OPC 10000-4, table of common service results). */
const TOO_LARGE = /BadTooManyOperations|BadResponseTooLarge|BadRequestTooLarge|BadEncodingLimitsExceeded/

/**
 * The services of OPC UA that a watcher needs: Read and Browse (and BrowseNext), within the server's limits. The session
 * itself is not handed on, so that nothing else can be asked for.
 */
export class Services {
  readonly limits: Limits = { ...OURS }
  readonly #session: ClientSession
  readonly #await: Await

  constructor(session: ClientSession, within: Await) {
    this.#session = session
    this.#await = within
  }

  async namespaces(): Promise<readonly string[]> {
    const [array] = await this.read(['ns=0;i=2255'])
    const uris: unknown = array?.value?.value
    return Array.isArray(uris) ? uris.map(String) : []
  }

  /** Asks the server for its limits, one by one: the limit of reads is not known yet. */
  async learnLimits(): Promise<void> {
    const found: number[] = []
    for (const node of LIMIT_NODES) {
      const [answer] = await this.read([node])
      const limit: unknown = answer?.value?.value
      found.push(typeof limit === 'number' && limit > 0 ? limit : Infinity)
    }
    this.limits.nodesPerRead = Math.min(OURS.nodesPerRead, found[0] ?? Infinity)
    this.limits.nodesPerBrowse = Math.min(OURS.nodesPerBrowse, found[1] ?? Infinity)
    this.limits.itemsPerCall = Math.min(OURS.itemsPerCall, found[2] ?? Infinity)
  }

  /** Values of nodes, in their order. */
  read(nodes: readonly string[]): Promise<DataValue[]> {
    return inParts(nodes, this.limits, 'nodesPerRead', (part) => this.#await(this.#session.readVariableValue([...part])))
  }

  /** References of nodes, in their order, however many there are. */
  async browse(nodes: readonly string[], reference: string, nodeClasses: number): Promise<ReferenceDescription[][]> {
    const asked = nodes.map((nodeId) => ({
      nodeId,
      referenceTypeId: reference,
      browseDirection: FORWARD,
      includeSubtypes: true,
      nodeClassMask: nodeClasses,
      resultMask: 63,
    }))
    const results = await inParts(asked, this.limits, 'nodesPerBrowse', async (part) => {
      const first = await this.#await(this.#session.browse([...part]))
      return this.#complete(first, part)
    })
    return results
  }

  /** Follows continuation points; a node for which the server had none left is asked for again by itself. */
  async #complete(results: readonly BrowseResult[], asked: readonly Asked[]): Promise<ReferenceDescription[][]> {
    const all: ReferenceDescription[][] = []
    for (const [index, first] of results.entries()) {
      let result = first
      const node = asked[index]
      if (result.statusCode.value === NO_CONTINUATION_POINTS && node !== undefined && asked.length > 1) {
        const [again] = await this.#await(this.#session.browse([node]))
        result = again ?? result
      }
      const references = [...(result.references ?? [])]
      let point = result.continuationPoint
      while (hasMore(point) && references.length < MOST_REFERENCES) {
        const [next] = await this.#await(this.#session.browseNext([point], false))
        references.push(...(next?.references ?? []))
        point = next?.continuationPoint ?? NO_MORE
      }
      // A server keeps a continuation point for us until we say that it need not.
      if (hasMore(point)) await this.#await(this.#session.browseNext([point], true))
      all.push(references)
    }
    return all
  }
}

interface Asked {
  readonly nodeId: string
  readonly referenceTypeId: string
  readonly browseDirection: number
  readonly includeSubtypes: boolean
  readonly nodeClassMask: number
  readonly resultMask: number
}
const FORWARD = 0
const NO_CONTINUATION_POINTS = 0x804b0000
const MOST_REFERENCES = 50_000
const NO_MORE = Buffer.alloc(0)
const hasMore = (point: Buffer | null | undefined): point is Buffer => point !== null && point !== undefined && point.length > 0

/** Asks in parts of the server's size. Where a part is still too large, the limit is halved for good. */
export async function inParts<A, B>(
  all: readonly A[],
  limits: Limits,
  limit: keyof Limits,
  ask: (part: readonly A[]) => Promise<readonly B[]>,
): Promise<B[]> {
  const answers: B[] = []
  while (answers.length < all.length) {
    const part = all.slice(answers.length, answers.length + limits[limit])
    try {
      const got = await ask(part)
      if (got.length !== part.length) throw new Error(`the server answered ${got.length} of ${part.length}`)
      answers.push(...got)
    } catch (error) {
      if (part.length <= 1 || !TOO_LARGE.test(String(error))) throw error
      limits[limit] = Math.max(1, part.length >> 1)
    }
  }
  return answers
}

const KIND = ['', 'i', 's', 'g', 'b'] // NodeIdType of node-opcua, 1..4

/** `ns=2;s=Pump` of a node id object; null where it points to another server. */
export function nodeText(id: NodeId): string | null {
  if ('serverIndex' in id && id.serverIndex !== 0) return null
  const kind = KIND[id.identifierType] ?? 'i'
  return `ns=${id.namespace};${kind}=${Buffer.isBuffer(id.value) ? id.value.toString('base64') : String(id.value)}`
}
