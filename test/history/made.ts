import { eventId } from '../../history/identity.ts'
import type { Commit, JournalRecord, OutboxMessage } from '../../history/store.ts'
import type { Plan, UnitPlan } from '../../config/plan.ts'
import type { AlarmEvent } from '../../rules/event.ts'
import type { Input } from '../../rules/input.ts'
import type { SignalName } from '../../rules/signals.ts'

/** Things of Kestrel Hall, our invented hall, for the tests of the store. */
export const SIGNALS: readonly SignalName[] = [
  'temperature.main_line',
  'temperature.return_line',
  'temperature.actual',
  'temperature.set_value',
  'temperature.difference',
  'flow_rate',
  'pressure.main_line',
  'pressure.return_line',
  'regulation_ratio',
  'process_power',
  'pump_speed',
  'operating_mode',
  'hours_of_operation',
  'active_errors',
]

const unit = (id: string): UnitPlan => ({
  id,
  serial: `K-${id}`,
  medium: 'water',
  source: 'line-1',
  poll_ms: 1000,
  staleAfter_ms: 5000,
  booting_ms: 0,
  rules: [],
  circuits: [
    {
      key: `${id}/a`,
      id: 'a',
      place: 'press-1-moving',
      signals: SIGNALS,
      controlPoint: 'main_line',
      registers: null,
      nodes: [],
      texts: {},
      switchOff_degC: 60,
      tolerance: { plus_K: 2, minus_K: 2 },
      rules: [],
    },
  ],
})

export function plan(version = 'plan-1', units: readonly string[] = ['north-01', 'north-02', 'north-03']): Plan {
  return {
    version,
    site: 'kestrel-hall',
    timezone: 'Europe/Berlin',
    altitude_m: 120,
    places: [],
    supplies: [],
    sources: [],
    units: units.map(unit),
    service: {
      historyFile: 'history.db',
      keepInputs_ms: 86_400_000,
      http: { host: '127.0.0.1', port: 0 },
      mqtt: {
        url: null,
        embedded: { host: '127.0.0.1', port: 0, wsPort: null },
        clientId: 'kestrel',
        user: null,
        password: null,
        ca: null,
        certificate: null,
        privateKey: null,
        heartbeat_ms: 10_000,
        acceptCommands: false,
      },
      webhook: null,
      canary_ms: 60_000,
    },
  }
}

export const T0 = Date.UTC(2031, 4, 6, 5, 30)

export function reading(seq: number, unitId = 'north-01'): Input {
  const values = Float64Array.from(SIGNALS, (_, i) => Math.round(800 + 10 * i + (seq % 7)) / 10)
  return { kind: 'reading', circuit: `${unitId}/a`, at_ms: T0 + 1000 * seq, values, quality: new Uint8Array(14), phase: null, errors: [] }
}

export function alarmEvent(eventNo: number, unitId = 'north-01', more: Partial<AlarmEvent> = {}): AlarmEvent {
  return {
    kind: 'alarm',
    event: eventNo % 2 === 1 ? 'raised' : 'returned',
    alarm: `${unitId}/a:temperature.deviation`,
    unit: unitId,
    circuit: `${unitId}/a`,
    place: 'press-1-moving',
    rule: 'temperature.deviation',
    priority: 'medium',
    severity: 500,
    activation: Math.ceil(eventNo / 2),
    eventNo,
    at_ms: T0 + 1000 * eventNo,
    since_ms: T0,
    raised_ms: T0,
    before: 'normal',
    core: 'unack_active',
    shown: 'unack_active',
    shownBefore: 'normal',
    annunciate: eventNo % 2 === 1,
    why: null,
    quality: 'good',
    signal: 'control',
    measure: 'degC',
    value: 84.5,
    limit: 82,
    deadband: 0.5,
    set_value: 80,
    late_ms: null,
    until_ms: null,
    count: null,
    by: null,
    from: null,
    comment: null,
    command: null,
    planVersion: 'plan-1',
    context: { phase: 'heating', phaseDerived: true, hottest_degC: 84.5, hottestAt_ms: T0, pressure_bar: 2.5, anyBad: false, errors: [] },
    explain: { onDelay_ms: 5000, offDelay_ms: 2000, armed_ms: T0, reference: 80, plus: 2, minus: 2, hiddenBy: [] },
    ...more,
  }
}

export function record(eventNo: number, seq: number, unitId = 'north-01', more: Partial<AlarmEvent> = {}): JournalRecord {
  const event = alarmEvent(eventNo, unitId, more)
  return { id: eventId('kestrel-hall', event), seq, engine: '1', event }
}

export function message(id: string, more: Partial<OutboxMessage> = {}): OutboxMessage {
  return { id, channel: 'mqtt', orderKey: 'north-01/a', priority: 'medium', made_ms: T0, body: '{"text":"off its set value"}', ...more }
}

export const commit = (parts: Partial<Commit>): Commit => ({ chunk: null, records: [], outbox: [], snapshot: null, plan: null, ...parts })
