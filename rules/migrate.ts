import type { RulePlan, UnitPlan } from '../config/plan.ts'
import { isActive, isRetained, shownState, type AlarmState } from './alarm-state.ts'
import type { AlarmEvent, Event } from './event.ts'
import { QUALITY } from './reading.ts'
import type { UnitState } from './unit-state.ts'

/**
 * Carries a unit's memory over to a changed plan: an alarm whose rule is still there keeps its state, one whose rule changed while
 * it stood says so, one whose rule is gone ends with a line of its own and not by vanishing. `to` null: the unit itself is gone.
 * @returns the new state (the old one is not touched) and what is to be journalled, at at_ms, under the new plan's version.
 */
export function migrate(
  old: UnitState,
  from: UnitPlan,
  to: UnitPlan | null,
  planVersion: string,
  at_ms: number,
): { readonly state: UnitState; readonly events: readonly Event[] } {
  // A snapshot is JSON, so its own round trip is the copy.
  const state = JSON.parse(JSON.stringify(old)) as UnitState
  const events: Event[] = []
  const carry = (
    rules: readonly RulePlan[],
    kept: readonly RulePlan[],
    alarms: Record<string, AlarmState>,
    circuit: string | null,
    place: string,
  ): void => {
    for (const rule of rules) {
      const alarm = alarms[rule.id]
      if (alarm === undefined) continue
      const next = kept.find((other) => other.id === rule.id)
      if (next === undefined) {
        if (isRetained(alarm.core)) events.push(gone(from.id, circuit, place, rule, alarm, planVersion, at_ms))
        delete alarms[rule.id]
      } else if (isRetained(alarm.core) && JSON.stringify(next.condition) !== JSON.stringify(rule.condition)) {
        alarm.eventNo += 1
        events.push(line('rule_changed', from.id, circuit, place, next, alarm, alarm.core, planVersion, at_ms))
      }
    }
  }
  carry(from.rules, to?.rules ?? [], state.alarms, null, from.circuits[0]?.place ?? '')
  for (const circuit of from.circuits) {
    const memory = state.circuits[circuit.key]
    if (memory === undefined) continue
    const next = to?.circuits.find((other) => other.key === circuit.key)
    carry(circuit.rules, next?.rules ?? [], memory.alarms, circuit.key, circuit.place)
    if (next !== undefined && next.place !== circuit.place) {
      memory.recordNo += 1
      const facts = { from: circuit.place, to: next.place }
      events.push({
        kind: 'record',
        event: 'assignment_changed',
        subject: circuit.key,
        place: next.place,
        eventNo: memory.recordNo,
        at_ms,
        planVersion,
        facts,
      })
    }
    if (next === undefined) delete state.circuits[circuit.key]
    else if (next.signals.join() !== circuit.signals.join()) {
      memory.values = next.signals.map(() => null)
      memory.quality = next.signals.map(() => QUALITY.waiting_for_initial_data)
    }
  }
  return { state, events }
}

/** The alarm ends with its rule; the number after its last one makes the line's identity. */
function gone(
  unit: string,
  circuit: string | null,
  place: string,
  rule: RulePlan,
  alarm: AlarmState,
  planVersion: string,
  at_ms: number,
): AlarmEvent {
  const before = alarm.core
  alarm.eventNo += 1
  alarm.core = 'normal'
  return line('rule_removed', unit, circuit, place, rule, alarm, before, planVersion, at_ms)
}

function line(
  event: 'rule_changed' | 'rule_removed',
  unit: string,
  circuit: string | null,
  place: string,
  rule: RulePlan,
  alarm: AlarmState,
  before: AlarmState['core'],
  planVersion: string,
  at_ms: number,
): AlarmEvent {
  const shown = shownState(alarm)
  return {
    kind: 'alarm',
    event,
    alarm: rule.alarm,
    unit,
    circuit,
    place,
    rule: rule.id,
    priority: rule.priority,
    severity: rule.severity,
    activation: alarm.activation,
    eventNo: alarm.eventNo,
    at_ms,
    since_ms: isActive(alarm.core) ? alarm.occurred_ms : null,
    raised_ms: alarm.raised_ms,
    before,
    core: alarm.core,
    shown,
    shownBefore: shown,
    annunciate: false,
    why: null,
    quality: alarm.quality === 2 ? 'bad' : alarm.quality === 1 ? 'uncertain' : 'good',
    signal: 'signal' in rule.condition ? rule.condition.signal : null,
    measure: null,
    value: alarm.value,
    limit: 'limit' in rule.condition ? rule.condition.limit : null,
    deadband: 'deadband' in rule.condition ? rule.condition.deadband : null,
    set_value: null,
    late_ms: null,
    until_ms: null,
    count: null,
    by: null,
    from: null,
    comment: null,
    command: null,
    planVersion,
    context: { phase: 'unknown', phaseDerived: true, hottest_degC: null, hottestAt_ms: null, pressure_bar: null, anyBad: true, errors: [] },
    explain: {
      onDelay_ms: rule.onDelay_ms,
      offDelay_ms: rule.offDelay_ms,
      armed_ms: alarm.armed_ms,
      reference: alarm.reference,
      plus: null,
      minus: null,
      hiddenBy: [...alarm.hiddenBy],
    },
  }
}
