import type { Plan } from '../config/plan.ts'
import type { AlarmEvent } from '../rules/event.ts'
import { laterStep } from './first-step.ts'
import { messageFor } from './message.ts'
import type { Identified } from './outbox-messages.ts'
import type { AlarmMessage, AlarmState } from './payloads.ts'
import { alarmTopic } from './topics.ts'

/** One change of the present list; null: nothing to tell any more. */
export interface StateChange {
  readonly topic: string
  readonly state: AlarmState | null
}
/** The alarms that are not normal, folded from the journal's events. */
export interface Present {
  /** Takes events in journal order; says which topics changed. An event seen before (by its number) changes nothing. */
  readonly fold: (events: readonly Identified[], plan: Plan) => readonly StateChange[]
  readonly list: () => readonly AlarmState[]
  readonly get: (alarm: string) => AlarmState | null
}

export const stateTopic = (state: AlarmState): string =>
  alarmTopic(state.site, { place: state.place.id, unit: state.unit, circuit: state.circuit, rule: state.rule })

/** @param earlier what was kept of an earlier run, or nothing: the journal then gives all. */
export function createPresent(earlier: readonly AlarmState[] = []): Present {
  const alarms = new Map(earlier.map((state) => [state.alarm, state]))
  // Kept beyond the end of an alarm: an old event told again must not bring it back.
  const seen = new Map(earlier.map((state) => [state.alarm, state.event_no]))
  const one = ({ id, event }: Identified, plan: Plan): readonly StateChange[] => {
    if (event.kind === 'record' || event.event === 'rejected' || event.event === 'late_sample') return []
    if (event.eventNo <= (seen.get(event.alarm) ?? 0)) return []
    seen.set(event.alarm, event.eventNo)
    const before = alarms.get(event.alarm) ?? null
    const after = isRetained(event) ? stateAfter(before, event, messageFor(event, plan, event.at_ms, { id })) : null
    if (after === null) alarms.delete(event.alarm)
    else alarms.set(event.alarm, after)
    return changes(before, after)
  }
  return {
    fold: (events, plan) => events.flatMap((event) => one(event, plan)),
    list: () => [...alarms.values()],
    get: (alarm) => alarms.get(alarm) ?? null,
  }
}

/** OPC 10000-9: Retain is true while active, unacknowledged or latched. */
const isRetained = (event: AlarmEvent): boolean => event.core !== 'normal' && event.event !== 'rule_removed'

function changes(before: AlarmState | null, after: AlarmState | null): readonly StateChange[] {
  const old = before === null ? null : stateTopic(before)
  if (after === null) return old === null ? [] : [{ topic: old, state: null }]
  const topic = stateTopic(after)
  // The unit was carried to another place while its alarm stood: the old place must not keep it.
  return old === null || old === topic
    ? [{ topic, state: after }]
    : [
        { topic: old, state: null },
        { topic, state: after },
      ]
}

function stateAfter(before: AlarmState | null, event: AlarmEvent, message: AlarmMessage): AlarmState {
  const isNew = event.event === 'raised' || event.event === 're_alarmed'
  const kept = event.value === null && event.event !== 'raised' ? before : null
  return {
    schema: 'mouldtend/alarm-state/1',
    alarm: event.alarm,
    site: message.site,
    place: message.place,
    unit: event.unit,
    circuit: event.circuit,
    rule: event.rule,
    priority: event.priority,
    severity: event.severity,
    state: event.shown,
    core: event.core,
    activation: event.activation,
    event_no: event.eventNo,
    last_event: event.event,
    last_event_id: message.id,
    changed: message.at,
    since: message.since ?? before?.since ?? null,
    raised: message.raised ?? before?.raised ?? null,
    returned: event.event === 'returned' ? message.at : isNew ? null : (before?.returned ?? null),
    until: event.event === 'shelved' ? message.until : event.shown === 'shelved' ? (before?.until ?? null) : null,
    acknowledged:
      event.event === 'acknowledged'
        ? { by: event.by, at: message.at, comment: event.comment }
        : isNew
          ? null
          : (before?.acknowledged ?? null),
    signal: event.signal ?? kept?.signal ?? null,
    measure: event.measure ?? kept?.measure ?? null,
    value: event.value ?? kept?.value ?? null,
    limit: event.limit ?? kept?.limit ?? null,
    quality: event.quality,
    headline: message.headline,
    // It is read for as long as it stands, however hot the circuit has become by then.
    first_step: laterStep(message),
  }
}
