import type { Drainer } from '../alerts/drainer.ts'
import type { Channel } from '../alerts/channel.ts'
import type { AlarmFacts, CircuitFacts, NotReady, ServiceFacts } from '../dashboards/facts.ts'
import type { History } from '../history/store.ts'
import type { Engine } from '../rules/engine.ts'
import type { AlarmEventKind, RecordEvent } from '../rules/event.ts'
import { shownState } from '../rules/alarm-state.ts'
import type { Priority } from '../config/plan.ts'
import type { ServiceClock } from './clock.ts'
import type { Hub } from './hub.ts'
import type { Sources } from './sources.ts'

export interface LiveParts {
  readonly engine: Engine
  readonly hub: Hub
  readonly history: History
  readonly sources: Sources
  readonly clock: ServiceClock
  readonly drainers: readonly { readonly channel: Channel; readonly drainer: Drainer; readonly oldest_ms: () => number | null }[]
  readonly canary: () => { readonly age_ms: number; readonly roundTrip_ms: number | null }
  readonly canary_ms: number
  readonly started_ms: number
  /** Faults that stand: the disk, a channel's configuration. */
  readonly standing: () => readonly NotReady[]
}

/** Live state for metrics and health, looked at when asked and at no other time. */
export function factsOf(live: LiveParts): ServiceFacts {
  const { engine, hub, history, sources, clock } = live
  return {
    now_ms: clock.now_ms,
    started_ms: live.started_ms,
    site: () => engine.plan().site,
    planVersion: () => engine.plan().version,
    circuits: () => circuitsOf(engine),
    alarms: () => alarmsOf(engine),
    sources: sources.figures,
    store: () => history.figures(),
    queues: () => {
      const { waitingCommits, waitingBytes } = hub.figures()
      const store = history.figures()
      return [
        { name: 'commits', depth: waitingCommits, bound: 64 },
        { name: 'commit_bytes', depth: waitingBytes, bound: 64 * 1024 * 1024 },
        { name: 'store', depth: store.queueDepth, bound: 256 },
        { name: 'outbox', depth: store.outboxDepth, bound: 100_000 },
        ...live.drainers.map(({ channel, drainer }) => ({ name: `drainer_${channel.name}`, depth: drainer.figures().held, bound: 10_000 })),
      ]
    },
    channels: () =>
      live.drainers.map(({ channel, drainer, oldest_ms }) => {
        const figures = drainer.figures()
        const oldest = oldest_ms()
        return {
          name: channel.name,
          ready: channel.isReady(),
          sent: figures.delivered,
          retried: figures.retries,
          dead: figures.dead,
          oldest_pending_ms: oldest === null ? null : Math.max(0, clock.now_ms() - oldest),
        }
      }),
    canary: live.canary,
    events: () =>
      [...hub.figures().events].map(([key, count]) => {
        const [event = '', priority = ''] = key.split(' ')
        // The hub makes its keys of exactly these words.
        return { event: event as AlarmEventKind | RecordEvent['event'], priority: priority === '' ? null : (priority as Priority), count }
      }),
    clock: () => ({ untrusted: !clock.isTrusted(), steps: clock.steps() }),
    readiness: () => {
      const reasons = [...live.standing()]
      const { age_ms } = live.canary()
      if (age_ms > 3 * live.canary_ms) {
        reasons.push({
          code: 'canary_late',
          detail: `The self-test message has not come back for ${Math.round(age_ms / 1000)} s, so alerts may not reach anybody. Collecting and the journal go on. Check the broker and the log.`,
        })
      }
      return { ok: reasons.length === 0, reasons }
    },
  }
}

function circuitsOf(engine: Engine): readonly CircuitFacts[] {
  const plan = engine.plan()
  const names = new Map(plan.places.map((place) => [place.id, place.name]))
  return [...engine.units()].flatMap((unit) =>
    [...unit.circuits()].map(({ plan: circuit, state, values, quality }) => ({
      key: circuit.key,
      unit: unit.plan.id,
      circuit: circuit.id,
      place: circuit.place,
      placeName: names.get(circuit.place) ?? circuit.place,
      phase: state.phase,
      phaseDerived: state.phaseDerived,
      signals: circuit.signals,
      values,
      quality,
      lastReading_ms: state.lastStamp_ms,
      staleAfter_ms: unit.plan.staleAfter_ms,
    })),
  )
}

function alarmsOf(engine: Engine): readonly AlarmFacts[] {
  return [...engine.units()].flatMap((unit) =>
    [...unit.alarms()].map(({ rule, state, circuit }) => ({
      alarm: rule.alarm,
      rule: rule.id,
      unit: unit.plan.id,
      circuit: circuit?.key ?? null,
      place: (circuit ?? unit.plan.circuits[0])?.place ?? '',
      priority: rule.priority,
      core: state.core,
      shown: shownState(state),
      bad: state.quality === 2,
    })),
  )
}
