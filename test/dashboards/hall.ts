import type {
  AlarmFacts,
  CanaryFacts,
  ChannelFacts,
  CircuitFacts,
  ClockFacts,
  EventCount,
  Lost,
  QueueFacts,
  Readiness,
  ServiceFacts,
  SourceFacts,
  StoreFacts,
} from '../../dashboards/facts.ts'
import { QUALITY } from '../../rules/reading.ts'
import type { SignalName } from '../../rules/signals.ts'

/** A hall at rest, of our own invention; a test changes what it needs and scrapes. Time stands still until moved. */
export interface Hall {
  now_ms: number
  circuits: CircuitFacts[]
  alarms: AlarmFacts[]
  sources: SourceFacts[]
  store: StoreFacts
  queues: QueueFacts[]
  lost: Record<Lost, number>
  channels: ChannelFacts[]
  canary: CanaryFacts
  events: EventCount[]
  clock: ClockFacts
  readiness: Readiness
  readonly facts: ServiceFacts
}

export const START_MS = Date.UTC(2026, 2, 9, 6, 0, 0)

export const SIGNALS: readonly SignalName[] = [
  'temperature.main_line',
  'temperature.return_line',
  'temperature.external',
  'temperature.actual',
  'temperature.set_value',
  'temperature.difference',
  'flow_rate',
  'pressure.main_line',
  'pressure.return_line',
  'regulation_ratio',
  'process_power',
  'pump_speed_rpm',
  'hours_of_operation',
  'control_point',
]
const VALUES = [60.2, 57.9, 59, 60.2, 60, -2.3, 12, 4, 1.5, 25, 6.5, 2900, 4321, 0]

export function circuit(unit: string, over: Partial<CircuitFacts> = {}): CircuitFacts {
  return {
    key: `${unit}/a`,
    unit,
    circuit: 'a',
    place: `press-${unit}-moving`,
    placeName: `Press ${unit}, moving half`,
    phase: 'in_tolerance',
    phaseDerived: true,
    signals: SIGNALS,
    values: Float64Array.from(VALUES),
    quality: new Uint8Array(SIGNALS.length).fill(QUALITY.good),
    lastReading_ms: START_MS + 59_000,
    staleAfter_ms: 15_000,
    ...over,
  }
}

export function alarm(unit: string, over: Partial<AlarmFacts> = {}): AlarmFacts {
  const rule = over.rule ?? 'temperature.deviation'
  return {
    alarm: `${unit}/a:${rule}`,
    rule,
    unit,
    circuit: `${unit}/a`,
    place: `press-${unit}-moving`,
    priority: 'medium',
    core: 'normal',
    shown: 'normal',
    bad: false,
    ...over,
  }
}

export function hall(): Hall {
  const made: Hall = {
    now_ms: START_MS + 60_000,
    circuits: [circuit('north-01'), circuit('north-02')],
    alarms: [alarm('north-01'), alarm('north-02'), alarm('north-01', { rule: 'contact.lost', circuit: null, priority: 'high' })],
    sources: [
      {
        id: 'gateway-1',
        kind: 'modbus_tcp',
        figures: {
          polls: 120,
          polls_late: 1,
          start_lag_max_ms: 4,
          poll_seconds_sum: 1.5,
          poll_seconds_count: 118,
          faults: { timeout: 2, malformed: 0 },
          reconnects: 1,
          connected: true,
        },
      },
    ],
    store: { queueDepth: 0, commits: 40, commitSeconds: 0.2, outboxDepth: 3, deadLetters: 0, fileBytes: 1_048_576, queueBytes: 0 },
    queues: [{ name: 'sequencer', depth: 2, bound: 1000 }],
    lost: { inputs_dropped: 0, commits_refused: 0, messages_summarised: 0, alerts_dropped: 0 },
    channels: [{ name: 'mqtt', ready: true, behind: false, sent: 7, retried: 1, dead: 0, oldest_pending_ms: null }],
    canary: { age_ms: 12_000, roundTrip_ms: 35 },
    events: [
      { event: 'raised', priority: 'high', count: 2 },
      { event: 'phase_changed', priority: null, count: 5 },
    ],
    clock: { untrusted: false, steps: 0 },
    readiness: { ok: true, reasons: [] },
    facts: {
      now_ms: () => made.now_ms,
      started_ms: START_MS,
      site: () => 'Kestrel Hall',
      planVersion: () => 'p1',
      circuits: () => made.circuits,
      alarms: () => made.alarms,
      sources: () => made.sources,
      store: () => made.store,
      queues: () => made.queues,
      lost: () => made.lost,
      channels: () => made.channels,
      canary: () => made.canary,
      events: () => made.events,
      clock: () => made.clock,
      readiness: () => made.readiness,
    },
  }
  return made
}

/** The hall on a bad day: something of everything, so that every metric has a series with all its labels. */
export function busyHall(): Hall {
  const made = hall()
  const counting: readonly SignalName[] = ['refill.count']
  made.circuits = [
    ...made.circuits,
    circuit('east-01', { signals: counting, values: Float64Array.of(3), quality: Uint8Array.of(0) }),
    circuit('east-02', { lastReading_ms: null, phase: 'unknown' }),
  ]
  made.alarms = [
    ...made.alarms,
    alarm('east-01', { priority: 'high', core: 'unack_active', shown: 'unack_active', bad: true }),
    alarm('east-02', { priority: 'low', core: 'ack_active', shown: 'shelved' }),
  ]
  made.readiness = { ok: false, reasons: [{ code: 'broker_away', detail: 'The broker does not answer; messages wait.' }] }
  return made
}
