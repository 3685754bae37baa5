import type { RecordEvent } from './event.ts'
import type { Input } from './input.ts'

/** What the service remembers of itself beside its units. */
export interface ServiceState {
  recordNo: number
  /** The last thing known of the service is a clean stop. */
  stopped: boolean
}
export const freshService = (): ServiceState => ({ recordNo: 0, stopped: true })

/** Journal lines about the service itself: starts, stops, the clock, the plan, what is missing. Updates `state` in place. */
export function serviceRecords(state: ServiceState, planVersion: string, input: Input): readonly RecordEvent[] {
  const record = (event: RecordEvent['event'], facts: RecordEvent['facts']): RecordEvent => {
    state.recordNo += 1
    return { kind: 'record', event, subject: 'service', place: '', eventNo: state.recordNo, at_ms: input.at_ms, planVersion, facts }
  }
  if (input.kind !== 'plan_change') state.stopped = input.kind === 'service_stop'
  switch (input.kind) {
    case 'service_start': {
      const started = record('service_started', { last_ms: input.last_ms, engine: input.engine, trusted: input.trusted })
      const records = [started]
      if (!input.trusted) records.push(record('clock_untrusted', { last_ms: input.last_ms }))
      if (input.cold === true) records.push(record('cold_start', { engine: input.engine }))
      return records
    }
    case 'service_stop':
      return [record('service_stopped', {})]
    case 'clock_step':
      return [record('clock_step', { by_ms: input.by_ms })]
    case 'plan_change':
      return [record('plan_changed', { from: input.from, to: input.to, by: input.by, why: input.why })]
    case 'gap':
      return [record('gap', { from_ms: input.from_ms, to_ms: input.to_ms, why: input.why })]
    case 'command': {
      // Only a command that no unit knows comes here.
      const { alarm, action, by, from, id, comment } = input
      return [record('command_refused', { why: 'unknown_alarm', alarm, act: action.act, by, from, id, comment })]
    }
    case 'canary':
      return [record('canary', { id: input.id })]
    case 'reading':
    case 'fault':
    case 'tick':
      return []
  }
}
