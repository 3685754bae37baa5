import { connect, type IClientOptions, type MqttClient } from 'mqtt'
import { backoff } from './backoff.ts'
import type { Delivery } from './channel.ts'
import type { AlertFault } from './fault.ts'

export interface LinkSettings {
  readonly url: string
  readonly clientId: string
  readonly user: string | null
  readonly password: string | null
  /** PEM. ca null: the system's roots. */
  readonly ca: string | null
  readonly certificate: string | null
  readonly privateKey: string | null
  /** 5 unless the broker is known to speak 3.1.1 only (4). A broker that refuses 5 is spoken to in 3.1.1. */
  readonly protocol?: 4 | 5
  readonly keepalive_s?: number
  /** A message not confirmed for this long means that the connection is dead, whatever TCP says. */
  readonly confirm_ms?: number
  readonly connect_ms?: number
  readonly firstRetry_ms?: number
  readonly mostRetry_ms?: number
}
export interface Incoming {
  readonly topic: string
  readonly payload: Buffer
  readonly isRetained: boolean
}
export interface LinkHooks {
  /** What the broker publishes for us when the connection dies. Asked anew for every connection. */
  readonly will: () => { readonly topic: string; readonly payload: string }
  /** Connected: whatever is published within this call goes out first. */
  readonly onUp: () => void
  readonly onDown: () => void
  readonly onIncoming: (incoming: Incoming) => void
  readonly onFault: (fault: AlertFault) => void
}
export interface PublishOptions {
  readonly qos: 0 | 1
  readonly retain: boolean
}
export interface Link {
  readonly isUp: () => boolean
  /** Written within this call where the broker's window has room. */
  readonly publish: (topic: string, payload: string, options: PublishOptions) => Promise<Delivery>
  /** noLocal: not what we publish ourselves (MQTT 5 only). */
  readonly subscribe: (topic: string, noLocal?: boolean) => void
  readonly unsubscribe: (topic: string) => void
  readonly figures: () => { readonly connects: number; readonly unconfirmed: number; readonly protocol: 4 | 5 }
  readonly close: () => Promise<void>
}

/** MQTT 5 reason codes (OASIS MQTT 5.0, 3.4.2.1) that no later try can change; the others may. */
const FOR_GOOD = new Set([0x87, 0x90, 0x95, 0x99, 0x9a, 0x9b])
const VERSION_REFUSED = new Set([0x01, 0x84])
const MOST_UNCONFIRMED = 256
/** So often in a row closed by the broker right after it let us in: most often a second client with our id. */
const SHORT_LIVES = 3
/** A connection that lasted this long was a good one: the next failure starts with a short wait again. */
const LASTING_MS = 5_000
const DOWN: Delivery = { kind: 'later', why: 'no connection to the broker' }

interface Entry {
  readonly topic: string
  readonly payload: string
  readonly retain: boolean
  readonly resolve: (delivery: Delivery) => void
  sent_ms: number
}

/**
 * One connection to a broker after the other. Each has a client object of its own, which is thrown away with it: so the library's own
 * store and reconnect can never send again what the outbox sends again. Sessions are clean for the same reason.
 */
export function openLink(settings: LinkSettings, hooks: LinkHooks): Link {
  const { keepalive_s = 15, confirm_ms = 10_000, connect_ms = 10_000, firstRetry_ms = 250, mostRetry_ms = 30_000 } = settings
  const shownUrl = withoutSecrets(settings.url)
  const unconfirmed = new Set<Entry>()
  const waiting: Entry[] = []
  let client: MqttClient | null = null
  let protocol = settings.protocol ?? 5
  let [isUp, isClosed, window] = [false, false, MOST_UNCONFIRMED]
  let [tries, connects, up_ms, shortLives, maxBytes] = [0, 0, 0, 0, Number.POSITIVE_INFINITY]
  let [retry, watch]: (NodeJS.Timeout | null)[] = [null, null]

  function open(): void {
    const will = hooks.will()
    const options: IClientOptions = {
      protocolVersion: protocol,
      clientId: settings.clientId,
      clean: true,
      keepalive: keepalive_s,
      // Otherwise every publish puts off the ping, and a broker gone silent is not noticed while we talk at QoS 0.
      reschedulePings: false,
      connectTimeout: connect_ms,
      reconnectPeriod: 0,
      queueQoSZero: false,
      resubscribe: false,
      rejectUnauthorized: true,
      will: { topic: will.topic, payload: Buffer.from(will.payload), qos: 1, retain: true },
      ...(settings.user === null ? {} : { username: settings.user }),
      ...(settings.password === null ? {} : { password: settings.password }),
      ...(settings.ca === null ? {} : { ca: settings.ca }),
      ...(settings.certificate === null ? {} : { cert: settings.certificate }),
      ...(settings.privateKey === null ? {} : { key: settings.privateKey }),
    }
    const mine = connect(settings.url, options)
    client = mine
    let [code, why]: [number, string] = [0, 'closed by the other side']
    mine.on('connect', ({ properties }) => {
      isUp = true
      connects += 1
      up_ms = performance.now()
      window = Math.min(properties?.receiveMaximum ?? MOST_UNCONFIRMED, MOST_UNCONFIRMED)
      maxBytes = properties?.maximumPacketSize ?? Number.POSITIVE_INFINITY
      watch = setInterval(lookForSilence, Math.max(50, confirm_ms / 10))
      hooks.onUp()
    })
    mine.on('message', (topic, payload, { retain }) => {
      if (client === mine) hooks.onIncoming({ topic, payload, isRetained: retain })
    })
    mine.on('error', (error) => {
      why = error.message === '' ? String(error) : error.message
      if ('code' in error && typeof error.code === 'number') code = error.code
    })
    mine.on('disconnect', ({ reasonCode }) => {
      code = reasonCode ?? 0
    })
    mine.on('close', () => {
      if (client === mine) down(code, why)
    })
  }

  function down(code: number, why: string): void {
    const wasUp = isUp
    release()
    const lasted = wasUp && performance.now() - up_ms >= LASTING_MS
    if (lasted) tries = 0
    if (wasUp) shortLives = lasted ? 0 : shortLives + 1
    if (!wasUp && protocol === 5 && VERSION_REFUSED.has(code)) protocol = 4
    else hooks.onFault(faultOf(wasUp, code, why))
    if (wasUp) hooks.onDown()
    again()
  }
  function again(): void {
    if (isClosed) return
    tries += 1
    retry = setTimeout(open, backoff(tries, firstRetry_ms, mostRetry_ms, Math.random))
  }

  /** Lets go of the connection; what was not confirmed is somebody else's to send again. */
  function release(): void {
    const gone = client
    client = null
    isUp = false
    if (watch !== null) clearInterval(watch)
    gone?.removeAllListeners('close')
    // Without a DISCONNECT packet, so that the broker sends the will: this is no orderly end.
    gone?.end(true)
    const left = [...unconfirmed, ...waiting.splice(0)]
    unconfirmed.clear()
    for (const entry of left) entry.resolve(DOWN)
  }

  function faultOf(wasUp: boolean, code: number, why: string): AlertFault {
    if (code === 0x8e || (wasUp && shortLives >= SHORT_LIVES))
      return { kind: 'client_id_taken', url: shownUrl, clientId: settings.clientId }
    if (wasUp) return { kind: 'broker_lost', url: shownUrl, why }
    return { kind: code > 0 ? 'broker_refused' : 'broker_unreachable', url: shownUrl, why }
  }

  function lookForSilence(): void {
    const [oldest] = unconfirmed
    if (oldest === undefined || performance.now() - oldest.sent_ms < confirm_ms) return
    // As with one that was lost: after a good connection the next failure starts with a short wait again.
    if (performance.now() - up_ms >= LASTING_MS) tries = 0
    release()
    hooks.onFault({ kind: 'broker_silent', url: shownUrl, waited_ms: confirm_ms })
    hooks.onDown()
    again()
  }

  function write(entry: Entry): void {
    if (client === null) return entry.resolve(DOWN)
    entry.sent_ms = performance.now()
    unconfirmed.add(entry)
    client.publish(entry.topic, entry.payload, { qos: 1, retain: entry.retain }, (error) => {
      // A connection that was let go has settled its entries already.
      if (!unconfirmed.delete(entry)) return
      entry.resolve(error ? refusal(error) : { kind: 'delivered' })
      const next = waiting.shift()
      if (next !== undefined) write(next)
    })
  }

  function publish(topic: string, payload: string, { qos, retain }: PublishOptions): Promise<Delivery> {
    if (client === null || !isUp) return Promise.resolve(DOWN)
    // A broker closes the connection on a packet that is too large, and would do so again at every try.
    const bytes = Buffer.byteLength(payload) + Buffer.byteLength(topic) + 16
    if (bytes > maxBytes) return Promise.resolve({ kind: 'never', why: `${bytes} bytes, the broker takes ${maxBytes}` })
    if (qos === 0) {
      client.publish(topic, payload, { qos, retain })
      return Promise.resolve({ kind: 'delivered' })
    }
    return new Promise((resolve) => {
      const entry: Entry = { topic, payload, retain, resolve, sent_ms: 0 }
      if (unconfirmed.size < window) write(entry)
      else waiting.push(entry)
    })
  }

  function subscribe(topic: string, noLocal = false): void {
    const mine = client
    mine?.subscribe(topic, { qos: 1, ...(protocol === 5 ? { nl: noLocal } : {}) }, (error) => {
      if (error && client === mine) hooks.onFault({ kind: 'subscribe_refused', url: shownUrl, topic, why: error.message })
    })
  }

  open()
  return {
    isUp: () => isUp,
    publish,
    subscribe,
    unsubscribe: (topic) => {
      if (isUp) client?.unsubscribe(topic, () => {})
    },
    figures: () => ({ connects, unconfirmed: unconfirmed.size + waiting.length, protocol }),
    close: async () => {
      isClosed = true
      if (retry !== null) clearTimeout(retry)
      const last = client
      if (last === null) return
      last.removeAllListeners('close')
      if (isUp) {
        // An orderly DISCONNECT: no will. A broker that does not answer is not waited for.
        await Promise.race([last.endAsync(), new Promise((resolve) => setTimeout(resolve, 1_000).unref())])
      }
      release()
    },
  }
}

function refusal(error: Error): Delivery {
  const code = 'code' in error && typeof error.code === 'number' ? error.code : 0
  return { kind: FOR_GOOD.has(code) ? 'never' : 'later', why: error.message }
}

/** A URL can carry a user and password; people are shown neither. */
export function withoutSecrets(url: string): string {
  if (!URL.canParse(url)) return 'MQTT broker'
  const { protocol, host, pathname } = new URL(url)
  return `${protocol}//${host}${pathname === '/' ? '' : pathname}`
}
