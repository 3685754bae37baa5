import { AttributeIds, ClientMonitoredItem, ClientSubscription, OPCUAClient, TimestampsToReturn } from 'node-opcua'
import { cpu_us, type Asked, type Look } from './look.ts'

/*
 * node-opcua alone: one subscription to the same nodes, as its own documents show it, and nothing done with the values but counting them.
 * Arguments: endpoint, sampling interval in ms, node ids as JSON with namespace URIs.
 */
const [endpoint = '', sampling = '', given = ''] = process.argv.slice(2)
const sampling_ms = Number(sampling)
const nodes = JSON.parse(given) as readonly string[] // made by the bench itself

const client = OPCUAClient.create({ endpointMustExist: false })
await client.connect(endpoint)
const session = await client.createSession()
const namespaces = await session.readNamespaceArray()
const subscription = ClientSubscription.create(session, {
  requestedPublishingInterval: sampling_ms,
  requestedMaxKeepAliveCount: 10,
  requestedLifetimeCount: 100,
  maxNotificationsPerPublish: 0,
  publishingEnabled: true,
  priority: 1,
})
let changes = 0
for (const node of nodes) {
  const nodeId = node.replace(/^nsu=([^;]*);/, (_, uri: string) => `ns=${namespaces.indexOf(uri)};`)
  const item = ClientMonitoredItem.create(
    subscription,
    { nodeId, attributeId: AttributeIds.Value },
    { samplingInterval: sampling_ms, queueSize: 2, discardOldest: true },
    TimestampsToReturn.Server,
  )
  item.on('changed', () => changes++)
}

process.on('message', (asked: Asked) => {
  if (asked !== 'look') process.exit(0)
  const look: Look = {
    cpu_us: cpu_us(),
    at_ms: performance.now(),
    done: changes,
    events: 0,
    late: 0,
    lag_max_ms: 0,
    rss_bytes: process.memoryUsage.rss(),
    faults: 0,
    isReady: changes > 0,
  }
  process.send?.(look)
})
process.on('disconnect', () => process.exit(1))
process.send?.('ready')
