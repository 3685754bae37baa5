import type { Message } from './channel.ts'
import { siteTime, utc } from './local-time.ts'
import { finished } from './message.ts'
import { readBody, type OutboxBody, type OutboxSummary } from './payloads.ts'
import { summaryTopic } from './topics.ts'

export interface Sender {
  readonly site: string
  readonly timezone: string
}
export interface Outgoing {
  readonly kind: OutboxBody['kind']
  readonly topic: string
  readonly payload: string
}

/** A row of the outbox as it leaves now; null where this version cannot read it. */
export function outgoing(message: Message, sender: Sender, now_ms: number): Outgoing | null {
  const body = readBody(message.body)
  switch (body?.kind) {
    case 'alarm':
      return { kind: body.kind, topic: body.topic, payload: JSON.stringify(finished(body.message, now_ms)) }
    case 'canary':
      return { kind: body.kind, topic: body.topic, payload: JSON.stringify(body.message) }
    case 'summary':
      return { kind: body.kind, topic: summaryTopic(sender.site), payload: JSON.stringify(summary(message.id, body, sender, now_ms)) }
    case undefined:
      return null
  }
}

function summary(id: string, body: Extract<OutboxBody, { kind: 'summary' }>, { site, timezone }: Sender, now_ms: number): OutboxSummary {
  const { high, medium, low } = body.byPriority
  const time = (at_ms: number): string => siteTime(at_ms, now_ms, timezone)
  return {
    schema: 'mouldtend/outbox-summary/1',
    id,
    site,
    count: body.count,
    by_priority: { high, medium, low },
    first: utc(body.first_ms),
    last: utc(body.last_ms),
    text:
      `${site}: ${body.count} alarm messages were not sent one by one (${high} high, ${medium} medium, ${low} low), ` +
      `from ${time(body.first_ms)} to ${time(body.last_ms)}: the way here was down for too long. The journal has them all; look there.`,
    sent: utc(now_ms),
  }
}
