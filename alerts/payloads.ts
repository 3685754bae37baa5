import * as z from 'zod'

/**
 * What goes over MQTT and webhook, as zod: the one place from which types, JSON Schemas and checks come. Times are RFC 3339 UTC with
 * milliseconds; values in the canonical unit named by `measure`. Receivers ignore fields they do not know: more may come.
 */
const instant = z.iso.datetime({ precision: 3 })
const orNull = <Schema extends z.ZodType>(schema: Schema): z.ZodNullable<Schema> => z.nullable(schema)
const count = z.int().nonnegative()

const priority = z.enum(['high', 'medium', 'low'])
const coreState = z.enum(['normal', 'unack_active', 'ack_active', 'rtn_unack', 'latched_unack', 'latched_ack'])
const shownState = z.enum([...coreState.options, 'shelved', 'suppressed', 'out_of_service'])
const quality = z.enum(['good', 'uncertain', 'bad'])
const place = z.object({ id: z.string(), name: z.string(), machine: z.string(), half: z.string(), connection: z.string() })
const unitError = z.object({ id: z.string(), text: z.string(), severity: z.number() })

/** One event of one alarm: `…/event` on MQTT, body of a webhook. */
export const alarmMessage = z.object({
  schema: z.literal('mouldtend/alarm-event/1'),
  id: z.string().min(1).describe('Event id; the same message sent again has the same id'),
  event: z.string(),
  alarm: z.string(),
  site: z.string(),
  time_zone: z.string(),
  place,
  unit: z.string(),
  circuit: orNull(z.string()),
  rule: z.string(),
  priority,
  severity: z.number(),
  activation: count,
  event_no: count,
  state: shownState,
  core: coreState,
  state_before: shownState,
  annunciate: z.boolean().describe('True: people are to be told anew'),
  at: instant.describe('When it happened, not when it was noticed or sent'),
  since: orNull(instant).describe('When the condition became true'),
  raised: orNull(instant),
  act_before: orNull(instant),
  signal: orNull(z.string()),
  measure: orNull(z.string()),
  value: orNull(z.number()),
  limit: orNull(z.number()),
  deadband: orNull(z.number()),
  set_value: orNull(z.number()),
  quality,
  phase: z.string(),
  phase_derived: z.boolean(),
  hottest_degC: orNull(z.number()),
  pressure_bar: orNull(z.number()),
  unit_errors: z.array(unitError),
  hands_off: z.boolean().describe('The circuit is, or must be taken for, hot or under pressure'),
  why: orNull(z.string()),
  by: orNull(z.string()),
  from: orNull(z.string()),
  comment: orNull(z.string()),
  command: orNull(z.string()),
  until: orNull(instant),
  count: orNull(z.number()),
  plan_version: z.string(),
  headline: z.string().describe('Place, what, how bad: within 120 characters'),
  lines: z.object({
    since: z.string(),
    caution: orNull(z.string()),
    causes: z.array(z.string()),
    first_step: z.string(),
    act_before: orNull(z.string()),
    consequence: z.string(),
    taken: z.string(),
    late: orNull(z.string()),
    unrecorded: orNull(z.string()),
    explanation: z.string(),
  }),
  text: z.string().describe('The whole message for a person, line by line'),
  made: instant,
  sent: orNull(instant),
  late: z.boolean().describe('More than 60 s between happening and sending'),
  recorded: z.boolean().describe('False: the store could not keep this event'),
})
export type AlarmMessage = Readonly<z.infer<typeof alarmMessage>>

/** Present state of one alarm, retained while there is something to tell. */
export const alarmState = z.object({
  schema: z.literal('mouldtend/alarm-state/1'),
  alarm: z.string(),
  site: z.string(),
  place,
  unit: z.string(),
  circuit: orNull(z.string()),
  rule: z.string(),
  priority,
  severity: z.number(),
  state: shownState,
  core: coreState,
  activation: count,
  event_no: count,
  last_event: z.string(),
  last_event_id: z.string(),
  changed: instant,
  since: orNull(instant),
  raised: orNull(instant),
  returned: orNull(instant),
  until: orNull(instant).describe('Shelved until'),
  acknowledged: orNull(z.object({ by: orNull(z.string()), at: instant, comment: orNull(z.string()) })),
  signal: orNull(z.string()),
  measure: orNull(z.string()),
  value: orNull(z.number()).describe('At the last event, not now'),
  limit: orNull(z.number()),
  quality,
  headline: z.string(),
  first_step: z.string(),
})
export type AlarmState = Readonly<z.infer<typeof alarmState>>

export const serviceStatus = z.object({
  schema: z.literal('mouldtend/service-status/1'),
  site: z.string(),
  state: z.enum(['online', 'stopped', 'lost']).describe('lost: last will, sent by the broker'),
  at: instant.describe('online: of this connection; lost: when the connection that was lost was made; stopped: of the stop'),
  version: z.string(),
})
export type ServiceStatus = Readonly<z.infer<typeof serviceStatus>>

export const heartbeat = z.object({
  schema: z.literal('mouldtend/heartbeat/1'),
  site: z.string(),
  at: instant,
  count,
  facts: z.record(z.string(), z.union([z.string(), z.number(), z.boolean(), z.null()])),
})
export type Heartbeat = Readonly<z.infer<typeof heartbeat>>

export const canary = z.object({ schema: z.literal('mouldtend/canary/1'), id: z.string().min(1).max(200), made: instant })

/** Stands in for messages that the full outbox let go; the journal has their events. */
export const outboxSummary = z.object({
  schema: z.literal('mouldtend/outbox-summary/1'),
  id: z.string().min(1),
  site: z.string(),
  count: z.int().positive().describe('Messages that were let go'),
  by_priority: z.object({ high: count, medium: count, low: count }),
  first: instant,
  last: instant,
  text: z.string(),
  sent: instant,
})
export type OutboxSummary = Readonly<z.infer<typeof outboxSummary>>

/** What a person may send. Strict: a misspelt key must not be taken for a command without it. */
export const acknowledgeCommand = z.strictObject({
  id: z.string().min(1).max(100).describe('Chosen by the sender; the same id again does nothing'),
  alarm: z.string().min(1).max(300),
  by: z.string().min(1).max(100).describe('Pseudonym of the person'),
  comment: z.string().max(500).optional(),
})
export type AcknowledgeCommand = Readonly<z.infer<typeof acknowledgeCommand>>

export const commandResult = z.object({
  schema: z.literal('mouldtend/command-result/1'),
  id: orNull(z.string()).describe('Id of the command; null where none could be read'),
  alarm: orNull(z.string()),
  result: z.enum(['done', 'rejected']),
  why: orNull(z.string()),
  at: instant,
})
export type CommandResult = Readonly<z.infer<typeof commandResult>>

/** Body of an outbox row: what a channel sends, and for MQTT where to. */
export const outboxBody = z.discriminatedUnion('kind', [
  z.object({ kind: z.literal('alarm'), topic: z.string().min(1), message: alarmMessage }),
  z.object({ kind: z.literal('canary'), topic: z.string().min(1), message: canary }),
  // Written by the store itself at the outbox's bound.
  z.object({
    kind: z.literal('summary'),
    count: z.int().positive(),
    byPriority: z.object({ high: count, medium: count, low: count }),
    first_ms: z.number(),
    last_ms: z.number(),
  }),
])
export type OutboxBody = Readonly<z.infer<typeof outboxBody>>

/** Published schemas by file name in docs/schemas/. */
export const PUBLISHED = {
  'alarm-event': alarmMessage,
  'alarm-state': alarmState,
  'service-status': serviceStatus,
  heartbeat,
  canary,
  'outbox-summary': outboxSummary,
  'acknowledge-command': acknowledgeCommand,
  'command-result': commandResult,
} as const

/** JSON Schema of one payload as people get it: open for fields that come later, but for commands. */
export function jsonSchemaOf(name: keyof typeof PUBLISHED): Record<string, unknown> {
  return { title: `mouldtend ${name}`, ...z.toJSONSchema(PUBLISHED[name], { target: 'draft-2020-12', io: 'input' }) }
}

/** A row of the outbox, checked: it can be of an older version or damaged. null: not fit to be sent. */
export function readBody(body: string): OutboxBody | null {
  let json: unknown
  try {
    json = JSON.parse(body)
  } catch {
    return null
  }
  const found = outboxBody.safeParse(json)
  return found.success ? found.data : null
}
