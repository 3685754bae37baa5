import type { ClientSession, DataValue, PublishResponse } from 'node-opcua'
import type { Clock, Timer } from '../source.ts'
import { message } from './connect.ts'
import type { Await, Library } from './library.ts'
import { inParts, type Limits } from './services.ts'

/** One node that is watched; `apply` takes each of its values. */
export interface Item {
  readonly node: string
  /** ms; how often the server looks at it. */
  readonly sampling_ms: number
  readonly queue: number
  readonly apply: (value: DataValue) => void
}
export interface Watching {
  /** Status code per item; 0 is good, anything else means that the server does not watch it. */
  readonly statuses: readonly number[]
  readonly stop: () => void
}
export interface Listener {
  /** Before the first value of one publish response, and after the last; a keep-alive has no values between. */
  readonly begin: () => void
  readonly end: () => void
  readonly lost: (detail: string) => void
}
export interface Pace {
  readonly publishing_ms: number
  /** The server says at least this often that it is there, even where nothing changes. */
  readonly keepAlive_ms: number
  readonly timeout_ms: number
}

/** The part of node-opcua's session that this needs: its own subscription object batches nothing and looks up data types first. */
interface RawSession {
  createSubscription(options: object): Promise<{
    readonly subscriptionId: number
    readonly revisedPublishingInterval: number
    readonly revisedMaxKeepAliveCount: number
  }>
  createMonitoredItems(
    options: object,
  ): Promise<{ readonly results: readonly { readonly statusCode: { readonly value: number } }[] | null }>
  publish(request: object, done: (error: Error | null, response?: PublishResponse) => void): void
}

/** Publish requests that wait at the server, so that one is there while the answer to another is on its way. */
const WAITING_REQUESTS = 2
/** Keep-alives without an answer before the server drops the subscription by itself. */
const LIFETIME_KEEP_ALIVES = 20
const VALUE_ATTRIBUTE = 13

/** Subscribes to the items. Rejects where the server gives no subscription; single items that fail are told by their status. */
export async function watch(
  opcua: Library,
  session: ClientSession,
  limits: Limits,
  items: readonly Item[],
  pace: Pace,
  listener: Listener,
  clock: Clock,
  within: Await,
): Promise<Watching> {
  const raw = session as unknown as RawSession // declared by node-opcua apart from ClientSession, though the object has them
  const keepAliveCount = Math.max(1, Math.round(pace.keepAlive_ms / pace.publishing_ms))
  const subscription = await within(
    raw.createSubscription({
      requestedPublishingInterval: pace.publishing_ms,
      requestedMaxKeepAliveCount: keepAliveCount,
      requestedLifetimeCount: keepAliveCount * LIFETIME_KEEP_ALIVES,
      maxNotificationsPerPublish: 0,
      publishingEnabled: true,
      priority: 1,
    }),
  )
  const silence_ms = subscription.revisedPublishingInterval * Math.max(1, subscription.revisedMaxKeepAliveCount) + pace.timeout_ms
  let stopped = false
  let acknowledge: { subscriptionId: number; sequenceNumber: number }[] = []
  let watchdog: Timer | null = null

  const lost = (detail: string): void => {
    if (stopped) return
    stop()
    listener.lost(detail)
  }
  const stop = (): void => {
    stopped = true
    watchdog?.cancel()
  }
  // Two looks without an answer between them: a service that was itself asleep reads what has come before it judges.
  let heard = true
  let quiet = 0
  const look = (): void => {
    quiet = heard ? 0 : quiet + 1
    heard = false
    if (quiet >= 2) return lost(`the server has been silent for over ${Math.round(silence_ms)} ms`)
    watchdog = clock.after(silence_ms / 2, look)
  }

  const received = (response: PublishResponse): void => {
    heard = true
    const notification = response.notificationMessage
    const data = notification.notificationData ?? []
    if (data.length > 0) {
      acknowledge.push({ subscriptionId: response.subscriptionId, sequenceNumber: notification.sequenceNumber })
    }
    listener.begin()
    for (const part of data) {
      if (part instanceof opcua.DataChangeNotification) {
        for (const change of part.monitoredItems ?? []) items[change.clientHandle]?.apply(change.value)
      } else if (part instanceof opcua.StatusChangeNotification) {
        return lost(`the server ended the subscription: ${part.status.name}`)
      }
    }
    listener.end()
  }
  const ask = (): void => {
    if (stopped) return
    const request = new opcua.PublishRequest({
      requestHeader: { timeoutHint: silence_ms * 4 },
      subscriptionAcknowledgements: acknowledge,
    })
    acknowledge = []
    raw.publish(request, (error, response) => {
      if (stopped) return
      if (response !== undefined && error === null) {
        received(response)
        return ask()
      }
      const text = message(error)
      if (/BadTooManyPublishRequests/.test(text)) return // the others that wait are enough for this server
      if (/BadTimeout/.test(text)) return ask() // it held the request as long as it would; that is no silence
      lost(text)
    })
  }

  look()
  for (let request = 0; request < WAITING_REQUESTS; request++) ask()
  try {
    const numbered = items.map((item, clientHandle) => ({ item, clientHandle }))
    const results = await inParts(numbered, limits, 'itemsPerCall', async (part) => {
      const created = await within(
        raw.createMonitoredItems({
          subscriptionId: subscription.subscriptionId,
          timestampsToReturn: 1, // Server: when the server knew the value; time of receipt is what counts here
          itemsToCreate: part.map(({ item, clientHandle }) => ({
            itemToMonitor: { nodeId: item.node, attributeId: VALUE_ATTRIBUTE },
            monitoringMode: 2, // Reporting
            requestedParameters: { clientHandle, samplingInterval: item.sampling_ms, queueSize: item.queue, discardOldest: true },
          })),
        }),
      )
      return created.results ?? []
    })
    return { statuses: results.map((result) => result.statusCode.value), stop }
  } catch (error) {
    stop()
    throw error
  }
}
