import { withVersion } from '../config/canonical.ts'
import type { Plan, RulePlan, RuleWords } from '../config/plan.ts'
import type { Clock, Sink, Timer } from '../collector/source.ts'
import { NO_ERRORS, QUALITY, type Reading } from '../rules/reading.ts'
import type { SignalName } from '../rules/signals.ts'

/** mouldtend watches itself as a circuit of its own, so that its own faults are alarms like any other: journalled and told. */
const UNIT = 'mouldtend'
const CIRCUIT = `${UNIT}/self`
const SIGNALS = [
  'self.canary_age',
  'self.dead_letters',
  'self.store_fault',
  'self.clock_untrusted',
] as const satisfies readonly SignalName[]
const POLL_MS = 5_000
const HOUR_MS = 3_600_000
/** This many intervals without a canary mean that alerts may not arrive. */
const CANARIES_MISSED = 3

export interface SelfFacts {
  readonly canary_age_s: number
  /** Refused for good in the last hour. */
  readonly deadLetters: number
  readonly storeFault: boolean
  readonly clockUntrusted: boolean
}

/** The plan with mouldtend as a unit of its own in it. */
export function withSelf(plan: Plan): Plan {
  if (plan.units.some((unit) => unit.id === UNIT)) return plan
  const rule = (id: string, condition: RulePlan['condition'], priority: RulePlan['priority'], words: RuleWords): RulePlan => ({
    id,
    alarm: `${CIRCUIT}:${id}`,
    condition,
    priority,
    severity: priority === 'high' ? 800 : 500,
    onDelay_ms: 0,
    offDelay_ms: 0,
    latch: false,
    reAlarm_ms: HOUR_MS,
    reAlarmMax: null,
    maxShelve_ms: 8 * HOUR_MS,
    armedByStart: false,
    start: null,
    phases: null,
    suppressedBy: [],
    neverHidden: false,
    staleAfter_ms: 12 * POLL_MS,
    words,
    line: 'default',
  })
  const missed_s = (CANARIES_MISSED * plan.service.canary_ms) / 1000
  const rules = [
    rule('self.canary', { kind: 'high', signal: 'self.canary_age', limit: missed_s, deadband: 0 }, 'high', {
      what: 'alerts may not arrive: the self-test message does not come back',
      causes: ['broker or network down', 'history or outbox stuck'],
      firstStep: 'Look at the broker and at the log of mouldtend.',
      consequence: 'alarms are journalled but nobody hears of them',
      respond_ms: null,
    }),
    rule('self.dead_letters', { kind: 'high', signal: 'self.dead_letters', limit: 0, deadband: 0 }, 'medium', {
      what: 'a receiver refuses messages for good',
      causes: ["the receiver's rights or limits"],
      firstStep: 'Read the reasons in the log and mend the receiver.',
      consequence: 'people who rely on that receiver are not told',
      respond_ms: null,
    }),
    rule('self.store', { kind: 'off_normal', signal: 'self.store_fault', normal: 0 }, 'high', {
      what: 'the history takes no records',
      causes: ['disk full', 'disk failing'],
      firstStep: 'Free space or have the disk looked at; the log says which.',
      consequence: 'what happens meanwhile may not be on record',
      respond_ms: null,
    }),
    rule('self.clock', { kind: 'off_normal', signal: 'self.clock_untrusted', normal: 0 }, 'medium', {
      what: 'the clock is behind the record',
      causes: ['time synchronisation missing', 'battery of the clock'],
      firstStep: 'Set the clock of the computer right.',
      consequence: 'times in journal and messages are wrong',
      respond_ms: null,
    }),
  ]
  return withVersion({
    ...plan,
    places: [...plan.places, { id: UNIT, name: 'mouldtend itself', machine: '', half: '', connection: '' }],
    units: [
      ...plan.units,
      {
        id: UNIT,
        serial: '',
        medium: 'water',
        source: UNIT,
        poll_ms: POLL_MS,
        staleAfter_ms: 12 * POLL_MS,
        booting_ms: 0,
        rules: [],
        circuits: [
          {
            key: CIRCUIT,
            id: 'self',
            place: UNIT,
            signals: SIGNALS,
            controlPoint: 'unit',
            registers: null,
            nodes: [],
            texts: {},
            switchOff_degC: 70,
            tolerance: { plus_K: 3, minus_K: 3 },
            rules,
          },
        ],
      },
    ],
  })
}

/** Feeds a reading of mouldtend itself through the same door as every other. */
export function watchSelf(settings: { readonly clock: Clock; readonly sink: Sink; readonly facts: () => SelfFacts }): {
  readonly close: () => void
} {
  const { clock, sink, facts } = settings
  const values = new Float64Array(SIGNALS.length)
  const quality = new Uint8Array(SIGNALS.length).fill(QUALITY.good)
  let timer: Timer | null = null
  const look = (): void => {
    const { canary_age_s, deadLetters, storeFault, clockUntrusted } = facts()
    values.set([Math.round(canary_age_s), deadLetters, Number(storeFault), Number(clockUntrusted)])
    const reading: Reading = { kind: 'reading', circuit: CIRCUIT, at_ms: clock.now_ms(), values, quality, phase: null, errors: NO_ERRORS }
    sink([reading])
    timer = clock.after(POLL_MS, look)
  }
  look()
  return { close: () => timer?.cancel() }
}
