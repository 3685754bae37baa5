import type { Plan, SecretRef } from '../config/plan.ts'
import type { Channel, Delivery } from './channel.ts'
import { withoutSecrets } from './mqtt-link.ts'
import { WEBHOOK } from './outbox-messages.ts'
import { outgoing, type Sender } from './outgoing.ts'

export interface WebhookSettings extends Sender {
  readonly url: string
  readonly headers: Readonly<Record<string, string>>
  readonly timeout_ms: number
}
/** 4xx that a later try can change: time-out, too early, too many (RFC 9110 and RFC 6585). */
const LATER = new Set([408, 425, 429])
/** More than this makes no receiver faster. */
const MOST_AT_ONCE = 8
const MOST_RETRY_AFTER_MS = 3_600_000

/** null where the site has no webhook. */
export function webhookSettings(plan: Plan, secret: (ref: SecretRef) => string): WebhookSettings | null {
  const { webhook } = plan.service
  if (webhook === null) return null
  const headers = Object.entries(webhook.headers).map(([name, value]) => [name, typeof value === 'string' ? value : secret(value)] as const)
  return {
    site: plan.site,
    timezone: plan.timezone,
    url: webhook.url,
    headers: Object.fromEntries(headers),
    timeout_ms: webhook.timeout_ms,
  }
}

/** Posts each message as JSON; the same id in `Idempotency-Key` lets the receiver drop what it has. */
export function openWebhook(settings: WebhookSettings, now_ms: () => number): Channel {
  const closing = new AbortController()
  return {
    name: WEBHOOK,
    maxInFlight: MOST_AT_ONCE,
    isReady: () => !closing.signal.aborted,
    // There is no connection to wait for: each message finds out for itself.
    onReady: () => {},
    send: async (message) => {
      const made = outgoing(message, settings, now_ms())
      if (made === null) return { kind: 'never', why: 'the stored message cannot be read by this version' }
      return post(settings, message.id, made.payload, closing.signal, now_ms)
    },
    close: async () => closing.abort(),
  }
}

async function post(
  { url, headers, timeout_ms }: WebhookSettings,
  id: string,
  body: string,
  closing: AbortSignal,
  now_ms: () => number,
): Promise<Delivery> {
  try {
    const response = await fetch(url, {
      method: 'POST',
      headers: { ...headers, 'content-type': 'application/json; charset=utf-8', 'idempotency-key': id },
      body,
      // A redirect could take the headers' secrets to somewhere else.
      redirect: 'manual',
      signal: AbortSignal.any([AbortSignal.timeout(timeout_ms), closing]),
    })
    // The answer's text is nothing to us, but unread it would keep the connection.
    await response.body?.cancel()
    return judge(response, now_ms())
  } catch (fault) {
    return { kind: 'later', why: `${withoutSecrets(url)}: ${reason(fault)}` }
  }
}

function judge({ ok, status, headers }: Response, at_ms: number): Delivery {
  if (ok) return { kind: 'delivered' }
  if (status >= 400 && status < 500 && !LATER.has(status)) return { kind: 'never', why: `the receiver answered ${status}` }
  const after_ms = retryAfter(headers.get('retry-after'), at_ms)
  return { kind: 'later', why: `the receiver answered ${status}`, ...(after_ms === null ? {} : { after_ms }) }
}

/** RFC 9110, 10.2.3: seconds, or a date. At most an hour: an alert must not be put off for a day by a slip of a receiver. */
export function retryAfter(text: string | null, at_ms: number): number | null {
  if (text === null) return null
  const wait_ms = /^\d+$/.test(text.trim()) ? Number(text) * 1_000 : Date.parse(text) - at_ms
  return Number.isFinite(wait_ms) ? Math.min(Math.max(wait_ms, 0), MOST_RETRY_AFTER_MS) : null
}

function reason(fault: unknown): string {
  if (!(fault instanceof Error)) return String(fault)
  // undici says 'fetch failed' and keeps what happened in the cause.
  return fault.cause instanceof Error ? `${fault.message}: ${fault.cause.message}` : fault.message
}
