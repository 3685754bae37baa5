import type { CircuitPlan, Plan, RulePlan } from '../../config/plan.ts'
import type { AlarmEvent } from '../../rules/event.ts'

/** A hall of our own invention, as small as the messages need it. */
export const ZONE = 'Europe/Berlin'
/** 2026-03-04 14:03:20 at the site (UTC+1). */
export const RAISED_MS = Date.parse('2026-03-04T13:03:20.000Z')

export const deviation: RulePlan = {
  id: 'temperature.deviation',
  alarm: 'kite-07/a:temperature.deviation',
  condition: {
    kind: 'band',
    signal: 'control',
    reference: { kind: 'signal', signal: 'temperature.set_value' },
    plus: 3,
    minus: 3,
    deadband: 0.75,
  },
  priority: 'high',
  severity: 800,
  onDelay_ms: 60_000,
  offDelay_ms: 30_000,
  latch: false,
  reAlarm_ms: null,
  reAlarmMax: null,
  maxShelve_ms: 28_800_000,
  armedByStart: true,
  start: null,
  phases: null,
  suppressedBy: [],
  neverHidden: false,
  staleAfter_ms: 15_000,
  words: {
    what: 'main line off its set value',
    causes: ['cooling valve stuck', 'no cooling water'],
    firstStep: 'Open the strainer of the cooling water and clean it',
    consequence: 'parts out of tolerance',
    respond_ms: 1_800_000,
  },
  line: 'kestrel.yaml:14',
}
export const contactLost: RulePlan = {
  ...deviation,
  id: 'contact.lost_hot',
  alarm: 'kite-07:contact.lost_hot',
  condition: { kind: 'contact_lost', after_ms: 60_000, afterHot_ms: 30_000, hot: true },
  words: { what: 'contact lost', causes: [], firstStep: 'Look at the network switch', consequence: '', respond_ms: null },
}
export const flowLow: RulePlan = {
  ...deviation,
  id: 'flow.low',
  alarm: 'kite-07/a:flow.low',
  condition: { kind: 'low', signal: 'flow_rate', limit: 8, deadband: 0.5 },
  priority: 'medium',
  severity: 500,
  words: { ...deviation.words, what: 'flow too low', firstStep: 'Compare with yesterday' },
}
const circuit: CircuitPlan = {
  key: 'kite-07/a',
  id: 'a',
  place: 'press-12-moving',
  signals: ['temperature.main_line', 'temperature.set_value', 'flow_rate'],
  controlPoint: 'main_line',
  registers: null,
  nodes: [],
  texts: {},
  switchOff_degC: 70,
  tolerance: { plus_K: 3, minus_K: 3 },
  rules: [deviation, flowLow],
}
export const kestrel: Plan = {
  version: 'plan-1',
  site: 'kestrel-hall',
  timezone: ZONE,
  altitude_m: 320,
  places: [
    { id: 'press-12-moving', name: 'Press 12, moving half', machine: 'Press 12', half: 'moving', connection: '1' },
    { id: 'press-13-fixed', name: 'Press 13, fixed half', machine: 'Press 13', half: 'fixed', connection: '2' },
  ],
  supplies: [],
  sources: [],
  units: [
    {
      id: 'kite-07',
      serial: 'K-0007',
      medium: 'water',
      source: 'line-1',
      poll_ms: 1_000,
      staleAfter_ms: 15_000,
      booting_ms: 0,
      circuits: [circuit],
      rules: [contactLost],
    },
  ],
  service: {
    historyFile: 'kestrel.db',
    keepInputs_ms: 86_400_000,
    http: { host: '127.0.0.1', port: 0 },
    mqtt: {
      url: null,
      embedded: { host: '127.0.0.1', port: 0, wsPort: 0 },
      clientId: 'mouldtend-kestrel',
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

/** Main line at 143.4 °C where 140 °C are set: hot and under pressure. */
export const raised: AlarmEvent = {
  kind: 'alarm',
  event: 'raised',
  alarm: deviation.alarm,
  unit: 'kite-07',
  circuit: 'kite-07/a',
  place: 'press-12-moving',
  rule: deviation.id,
  priority: 'high',
  severity: 800,
  activation: 1,
  eventNo: 1,
  at_ms: RAISED_MS,
  since_ms: RAISED_MS - 60_000,
  raised_ms: RAISED_MS,
  before: 'normal',
  core: 'unack_active',
  shown: 'unack_active',
  shownBefore: 'normal',
  annunciate: true,
  why: null,
  quality: 'good',
  signal: 'control',
  measure: 'degC',
  value: 143.4,
  limit: 143,
  deadband: 0.75,
  set_value: 140,
  late_ms: null,
  until_ms: null,
  count: null,
  by: null,
  from: null,
  comment: null,
  command: null,
  planVersion: 'plan-1',
  context: {
    phase: 'in_tolerance',
    phaseDerived: false,
    hottest_degC: 143.4,
    hottestAt_ms: RAISED_MS,
    pressure_bar: 2.1,
    anyBad: false,
    errors: [],
  },
  explain: {
    onDelay_ms: 60_000,
    offDelay_ms: 30_000,
    armed_ms: RAISED_MS - 1_333_000,
    reference: 140,
    plus: 3,
    minus: 3,
    hiddenBy: [],
  },
}
/** Cold and without pressure, for hands-on steps. */
export const coldContext: AlarmEvent['context'] = {
  phase: 'off',
  phaseDerived: false,
  hottest_degC: 24.1,
  hottestAt_ms: RAISED_MS,
  pressure_bar: 0.1,
  anyBad: false,
  errors: [],
}
export const cold: AlarmEvent = { ...raised, value: 24.1, context: coldContext }

/** The n-th event of one circuit of the hall, for streams. */
export const nth = (n: number, circuitNo = 0): AlarmEvent => ({
  ...raised,
  unit: `kite-${circuitNo}`,
  circuit: `kite-${circuitNo}/a`,
  alarm: `kite-${circuitNo}/a:${deviation.id}`,
  eventNo: n,
  activation: n,
})
