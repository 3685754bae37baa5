import type { CircuitPlan, Condition, RulePlan, UnitPlan } from '../../config/plan.ts'
import type { Phase } from '../../rules/phases.ts'
import { NO_ERRORS, QUALITY, type Reading, type UnitError } from '../../rules/reading.ts'
import type { SignalName } from '../../rules/signals.ts'

/** A rule for tests: everything off unless said. */
export function rule(condition: Condition, more: Partial<RulePlan> = {}): RulePlan {
  const id = more.id ?? 'probe'
  return {
    id,
    alarm: `u/a:${id}`,
    condition,
    priority: 'medium',
    severity: 500,
    onDelay_ms: 0,
    offDelay_ms: 0,
    latch: false,
    reAlarm_ms: null,
    reAlarmMax: null,
    maxShelve_ms: 8 * 3_600_000,
    armedByStart: false,
    start: null,
    phases: null,
    suppressedBy: [],
    neverHidden: false,
    staleAfter_ms: 1e15,
    words: { what: 'probe', causes: [], firstStep: '', consequence: '', respond_ms: null },
    line: 'default',
    ...more,
  }
}

export function unitWith(
  signals: readonly SignalName[],
  rules: readonly RulePlan[],
  more: Partial<UnitPlan> = {},
  circuit: Partial<CircuitPlan> = {},
): UnitPlan {
  return {
    id: 'u',
    serial: '',
    medium: 'water',
    source: 's',
    poll_ms: 1000,
    staleAfter_ms: 1e15,
    booting_ms: 0,
    rules: [],
    ...more,
    circuits: [
      {
        key: 'u/a',
        id: 'a',
        place: 'bench',
        signals,
        controlPoint: 'unit',
        registers: null,
        nodes: [],
        texts: {},
        switchOff_degC: 70,
        tolerance: { plus_K: 3, minus_K: 3 },
        rules,
        ...circuit,
      },
    ],
  }
}

/** A reading; null is bad. */
export function reading(
  at_ms: number,
  values: readonly (number | null)[],
  more: { phase?: Phase | null; quality?: number; errors?: readonly UnitError[]; circuit?: string } = {},
): Reading {
  return {
    kind: 'reading',
    circuit: more.circuit ?? 'u/a',
    at_ms,
    values: Float64Array.from(values, (v) => v ?? Number.NaN),
    quality: Uint8Array.from(values, (v) => (v === null ? QUALITY.no_communication : (more.quality ?? QUALITY.good))),
    phase: more.phase ?? null,
    errors: more.errors ?? NO_ERRORS,
  }
}
