import type { Plan, Priority } from '../config/plan.ts'
import type { AlarmEvent, AlarmEventKind, Event } from '../rules/event.ts'
import { utc } from './local-time.ts'
import { messageFor } from './message.ts'
import type { OutboxBody } from './payloads.ts'
import { canaryTopic, eventTopic } from './topics.ts'

export const MQTT = 'mqtt'
export const WEBHOOK = 'webhook'

/** An event with its identity, as the journal has it. */
export interface Identified {
  readonly id: string
  readonly event: Event
}
/** A row for the outbox: history's OutboxMessage, known here by its shape. */
export interface OutboxMessageLike {
  readonly id: string
  readonly channel: string
  readonly orderKey: string
  readonly priority: Priority
  readonly made_ms: number
  readonly body: string
}
/** Which channels this site has. */
export type ChannelPlan =
  { readonly kind: 'mqtt'; readonly name: string } | { readonly kind: 'webhook'; readonly name: string; readonly minPriority: Priority }

export function channelsOf(plan: Plan): readonly ChannelPlan[] {
  const { webhook } = plan.service
  const mqtt: ChannelPlan = { kind: 'mqtt', name: MQTT }
  return webhook === null ? [mqtt] : [mqtt, { kind: 'webhook', name: WEBHOOK, minPriority: webhook.minPriority }]
}

/** The outbox rows that belong into the same transaction as these events, in the events' order. */
export function messagesFor(
  events: readonly Identified[],
  plan: Plan,
  channels: readonly ChannelPlan[],
  now_ms: number,
  recorded = true,
): readonly OutboxMessageLike[] {
  return events.flatMap(({ id, event }) => {
    if (event.kind === 'record') return []
    const wanting = channels.filter((channel) => wants(channel, event))
    if (wanting.length === 0) return []
    const content: OutboxBody = {
      kind: 'alarm',
      topic: eventTopic(plan.site, event),
      message: messageFor(event, plan, now_ms, { id, recorded }),
    }
    const body = JSON.stringify(content)
    const orderKey = event.circuit ?? event.unit
    return wanting.map(({ name }) => ({ id, channel: name, orderKey, priority: event.priority, made_ms: now_ms, body }))
  })
}

/** The canary takes the very way of an alarm: outbox, drainer, broker, and back to us. */
export function canaryMessage(id: string, plan: Plan, now_ms: number): OutboxMessageLike {
  const body: OutboxBody = {
    kind: 'canary',
    topic: canaryTopic(plan.site),
    message: { schema: 'mouldtend/canary/1', id, made: utc(now_ms) },
  }
  return { id, channel: MQTT, orderKey: 'service/canary', priority: 'low', made_ms: now_ms, body: JSON.stringify(body) }
}

const RANK: Readonly<Record<Priority, number>> = { low: 0, medium: 1, high: 2 }

function wants(channel: ChannelPlan, event: AlarmEvent): boolean {
  switch (channel.kind) {
    case 'mqtt':
      return event.annunciate || isStream(event)
    case 'webhook':
      return (event.annunciate || event.event === 'returned') && RANK[event.priority] >= RANK[channel.minPriority]
  }
}

/** What follows on the stream though nobody is told anew: what others did with the alarm, so that it is not fetched twice. */
function isStream(event: AlarmEvent): boolean {
  const follows: Readonly<Record<AlarmEventKind, boolean>> = {
    raised: false,
    re_alarmed: false,
    returned: true,
    acknowledged: true,
    reset: true,
    shelved: true,
    unshelved: true,
    suppressed: true,
    unsuppressed: true,
    out_of_service: true,
    in_service: true,
    rule_changed: event.core !== 'normal',
    rule_removed: true,
    quality_changed: event.core !== 'normal',
    // Its caller is told directly; the others concern rules that tell nobody anything.
    rejected: false,
    inhibited: false,
    armed: false,
    disarmed: false,
    late_sample: false,
  }
  return follows[event.event]
}
