import type { Condition, UnitPlan } from '../config/plan.ts'
import type { Happening } from './alarm.ts'
import { isActive, shownState } from './alarm-state.ts'
import { controlPlace, usable, type RunningAlarm, type RunningCircuit } from './circuit.ts'
import type { AlarmEvent, Context } from './event.ts'
import { QUALITY } from './reading.ts'
import { signalInfo, type Measure } from './signals.ts'
import type { UnitState } from './unit-state.ts'

/** Makes the full line for the journal out of what an alarm tells. Counts the alarm's events: called once per happening. */
export function alarmEvent(
  plan: UnitPlan,
  planVersion: string,
  unit: UnitState,
  circuits: Iterable<RunningCircuit>,
  alarm: RunningAlarm,
  circuit: RunningCircuit | null,
  what: Happening,
): AlarmEvent {
  const { rule, state: s, condition } = alarm
  s.eventNo += 1
  const shown = shownState(s)
  // A unit without contact holds back new annunciations of its process alarms; its active ones stay listed.
  const held = what.event === 're_alarmed' && unit.contact === 'lost' && circuit !== null && !rule.neverHidden
  const uncovers = what.event === 'unshelved' || what.event === 'unsuppressed' || what.event === 'in_service'
  const anew = what.event === 'raised' || what.event === 're_alarmed' || (uncovers && what.shownBefore !== 'unack_active')
  const banded = condition.kind === 'band'
  const tolerance = condition.kind === 'discrepancy' ? condition.tolerance : null
  return {
    kind: 'alarm',
    event: what.event,
    alarm: rule.alarm,
    unit: plan.id,
    circuit: circuit?.plan.key ?? null,
    place: (circuit?.plan ?? plan.circuits[0])?.place ?? '',
    rule: rule.id,
    priority: rule.priority,
    severity: rule.severity,
    activation: s.activation,
    eventNo: s.eventNo,
    at_ms: what.at_ms,
    since_ms: isActive(s.core) || what.event === 'returned' ? s.occurred_ms : null,
    raised_ms: s.raised_ms,
    before: what.before,
    core: s.core,
    shown,
    shownBefore: what.shownBefore,
    annunciate: anew && shown === 'unack_active' && !held,
    why: what.why ?? (held ? 'held_back' : null),
    quality: s.quality === 2 ? 'bad' : s.quality === 1 ? 'uncertain' : 'good',
    signal: 'signal' in condition ? condition.signal : null,
    measure: measureOf(condition),
    value: s.value,
    limit: limitOf(condition, s.reference),
    deadband: 'deadband' in condition ? condition.deadband : condition.kind === 'switched_off_hot' ? condition.deadband_K : null,
    set_value: circuit?.state.setValue ?? null,
    late_ms: what.late_ms ?? null,
    until_ms: what.until_ms ?? null,
    count: what.count ?? null,
    by: what.command?.by ?? null,
    from: what.command?.from ?? null,
    comment: what.command === undefined || what.command.comment === '' ? null : what.command.comment,
    command: what.command?.id ?? null,
    planVersion,
    context: contextOf(unit, circuit === null ? [...circuits] : [circuit]),
    explain: {
      onDelay_ms: condition.kind === 'discrepancy' ? condition.expected_ms : (silence(alarm) ?? rule.onDelay_ms),
      offDelay_ms: rule.offDelay_ms,
      armed_ms: s.armed_ms,
      reference: s.reference,
      plus: banded ? condition.plus : tolerance,
      minus: banded ? condition.minus : tolerance,
      hiddenBy: [...s.hiddenBy],
    },
  }
}

function silence({ condition }: RunningAlarm): number | null {
  if (condition.kind === 'no_reading') return condition.after_ms
  if (condition.kind === 'contact_lost') return condition.hot ? condition.afterHot_ms : condition.after_ms
  return null
}

function contextOf(unit: UnitState, circuits: readonly RunningCircuit[]): Context {
  const hottest = circuits.reduce<RunningCircuit | null>(
    (best, c) => ((c.state.hottest_degC ?? -Infinity) > (best?.state.hottest_degC ?? -Infinity) ? c : best),
    null,
  )
  const pressures = circuits.flatMap((c) => (c.state.pressure_bar === null ? [] : [c.state.pressure_bar]))
  const blind = (c: RunningCircuit): boolean =>
    c.state.stale || [...c.at.temperatures, ...c.at.pressures].some((index) => !isSpare(c, index) && Number.isNaN(usable(c, index)))
  // Most circuits have no sensor in the mould; where it is not the one that is controlled, its absence leaves nothing unknown.
  const isSpare = (c: RunningCircuit, index: number): boolean =>
    index === c.at.external && c.quality[index] === QUALITY.not_available && controlPlace(c) !== index
  return {
    phase: circuits[0]?.state.phase ?? 'unknown',
    phaseDerived: circuits[0]?.state.phaseDerived ?? true,
    hottest_degC: hottest?.state.hottest_degC ?? null,
    hottestAt_ms: hottest?.state.hottestAt_ms ?? null,
    pressure_bar: pressures.length === 0 ? null : Math.max(...pressures),
    anyBad: unit.contact !== 'there' || circuits.some(blind),
    errors: circuits.flatMap((c) => c.state.errors),
  }
}

function measureOf(condition: Condition): Measure | null {
  if (condition.kind === 'switched_off_hot') return 'degC'
  if (!('signal' in condition)) return null
  return condition.signal === 'control' ? 'degC' : (signalInfo(condition.signal)?.measure ?? null)
}

/** The bound that a value is compared with, where there is one only. A band's two are in `explain`. */
function limitOf(condition: Condition, reference: number | null): number | null {
  switch (condition.kind) {
    case 'high':
    case 'low':
      return condition.limit
    case 'high_above':
      return reference === null ? null : Math.round((reference + condition.offset) * 1e6) / 1e6
    case 'off_normal':
      return condition.normal
    case 'switched_off_hot':
      return reference ?? condition.limit_degC
    case 'band':
    case 'discrepancy':
    case 'no_reading':
    case 'contact_lost':
    case 'bad_signal':
    case 'unit_errors':
      return null
  }
}
