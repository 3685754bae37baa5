import type { RulePlan, UnitPlan } from '../config/plan.ts'
import { QUALITY, NO_ERRORS, type Reading } from '../rules/reading.ts'
import type { SignalName } from '../rules/signals.ts'
import { openUnit } from '../rules/unit.ts'

// (b) How many rules times readings one core judges in a second: a unit of 14 signals and 10 rules, one event per 100 readings.

const SIGNALS: readonly SignalName[] = [
  'temperature.main_line',
  'temperature.return_line',
  'temperature.actual',
  'temperature.set_value',
  'flow_rate',
  'pressure.main_line',
  'pressure.return_line',
  'regulation_ratio',
  'process_power',
  'pump_speed',
  'pump_speed_rpm',
  'pump.running',
  'hours_of_operation',
  'refill.count',
]

function rule(id: string, condition: RulePlan['condition'], more: Partial<RulePlan> = {}): RulePlan {
  return {
    id,
    alarm: `u/a:${id}`,
    condition,
    priority: 'medium',
    severity: 500,
    onDelay_ms: 60_000,
    offDelay_ms: 30_000,
    latch: false,
    reAlarm_ms: 3_600_000,
    reAlarmMax: null,
    maxShelve_ms: 28_800_000,
    armedByStart: false,
    start: null,
    phases: null,
    suppressedBy: [],
    neverHidden: false,
    staleAfter_ms: 15_000,
    words: { what: '', causes: [], firstStep: '', consequence: '', respond_ms: null },
    line: 'default',
    ...more,
  }
}

const set = { kind: 'signal', signal: 'temperature.set_value' } as const
export const RULES: readonly RulePlan[] = [
  rule(
    'deviation',
    { kind: 'band', signal: 'control', reference: set, plus: 3, minus: 3, deadband: 0.75 },
    {
      armedByStart: true,
      start: {
        timeout_ms: 600_000,
        hold_ms: 120_000,
        onStart: true,
        onSetValue: true,
        setValueStep: 1.5,
        cap_ms: 1_200_000,
        capWindow_ms: 14_400_000,
      },
    },
  ),
  rule('outer', { kind: 'high_above', signal: 'control', reference: set, offset: 10, deadband: 0.75 }),
  rule('flow.low', { kind: 'low', signal: 'flow_rate', limit: 8, deadband: 0.3 }, { onDelay_ms: 0, offDelay_ms: 0 }),
  rule('flow.high', { kind: 'high', signal: 'flow_rate', limit: 25, deadband: 0.3 }),
  rule('pressure.high', { kind: 'high', signal: 'pressure.main_line', limit: 9, deadband: 0.2 }),
  rule('reserve', { kind: 'high', signal: 'regulation_ratio', limit: 98, deadband: 5 }),
  rule('off_hot.warn', { kind: 'switched_off_hot', limit_degC: 70, deadband_K: 3 }),
  rule('off_hot.high', { kind: 'switched_off_hot', limit_degC: 95, deadband_K: 3 }),
  rule('signal.bad', { kind: 'bad_signal', signals: ['control', 'flow_rate', 'pressure.main_line'] }),
  rule('errors', { kind: 'unit_errors', minSeverity: 667, maxSeverity: 1000 }),
]
const UNIT: UnitPlan = {
  id: 'u',
  serial: '',
  medium: 'water',
  source: 's',
  poll_ms: 1000,
  staleAfter_ms: 15_000,
  booting_ms: 0,
  rules: [
    rule('contact.lost', { kind: 'contact_lost', after_ms: 60_000, afterHot_ms: 30_000, hot: false }),
    rule('contact.lost_hot', { kind: 'contact_lost', after_ms: 60_000, afterHot_ms: 30_000, hot: true }),
  ],
  circuits: [
    {
      key: 'u/a',
      id: 'a',
      place: 'bench',
      signals: SIGNALS,
      controlPoint: 'unit',
      registers: null,
      nodes: [],
      texts: {},
      switchOff_degC: 70,
      tolerance: { plus_K: 3, minus_K: 3 },
      rules: RULES,
    },
  ],
}

/** Rules × readings per second on one core, after a warm-up. */
export function measure(readings: number): { readonly evaluations_per_s: number; readonly events_per_reading: number } {
  const engine = openUnit(UNIT, 'bench', null)
  const values = Float64Array.from([82, 80, 80, 80, 14, 5, 2, 20, 3, 70, 2400, 1, 1200, 4])
  const quality = new Uint8Array(SIGNALS.length).fill(QUALITY.good)
  let at_ms = 1_000_000
  let events = 0
  const run = (count: number): void => {
    for (let i = 0; i < count; i += 1) {
      at_ms += 1000
      values[2] = 80 + (i % 7) * 0.1
      // The flow dips once in 200 readings: one alarm comes and goes, two events.
      values[4] = i % 200 === 0 ? 7 : 14
      const reading: Reading = { kind: 'reading', circuit: 'u/a', at_ms, values, quality, phase: null, errors: NO_ERRORS }
      events += engine.step(reading).length
      engine.due_ms()
    }
  }
  run(Math.min(readings, 200_000))
  events = 0
  const before = process.cpuUsage()
  run(readings)
  const used = process.cpuUsage(before)
  return { evaluations_per_s: (readings * RULES.length) / ((used.user + used.system) / 1e6), events_per_reading: events / readings }
}

if (import.meta.main) {
  const { evaluations_per_s, events_per_reading } = measure(1_000_000)
  console.log(JSON.stringify({ evaluations_per_s: Math.round(evaluations_per_s), events_per_reading }))
}
