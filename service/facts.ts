import { MOST_CLIENTS, type Broker } from '../alerts/broker.ts'
import { MOST_HELD, MOST_IN_FLIGHT, MOST_UNRECORDED } from '../alerts/drainer.ts'
import { MOST_AT_ONCE } from '../alerts/mqtt-commands.ts'
import type { MqttChannel } from '../alerts/mqtt.ts'
import type { AlarmFacts, CircuitFacts, NotReady, QueueFacts, ServiceFacts } from '../dashboards/facts.ts'
import { OUTBOX_BOUND, STORE_QUEUE_BOUND, type History } from '../history/store.ts'
import type { Engine } from '../rules/engine.ts'
import type { AlarmEventKind, RecordEvent } from '../rules/event.ts'
import { shownState } from '../rules/alarm-state.ts'
import type { Priority } from '../config/plan.ts'
import type { ServiceClock } from './clock.ts'
import { MOST_AWAY, type Canary } from './canary.ts'
import { MOST_WAITING_BYTES, MOST_WAITING_COMMITS, type Hub } from './hub.ts'
import type { Sources } from './sources.ts'
import type { WayOut } from './way-out.ts'

export interface LiveParts {
  readonly engine: Engine
  readonly hub: Hub
  readonly history: History
  readonly sources: Sources
  readonly clock: ServiceClock
  readonly ways: readonly WayOut[]
  readonly mqtt: Pick<MqttChannel, 'figures'>
  /** null: the site has a broker of its own. */
  readonly broker: Pick<Broker, 'figures' | 'wsPort'> | null
  readonly canary: Pick<Canary, 'facts' | 'away'>
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
    queues: () => queuesOf(live),
    lost: () => {
      const store = history.figures()
      return {
        inputs_dropped: hub.figures().droppedInputs,
        commits_refused: store.refused,
        messages_summarised: store.summarised,
        alerts_dropped: live.ways.reduce((sum, { drainer }) => sum + drainer.figures().dropped, 0),
      }
    },
    channels: () =>
      live.ways.map(({ channel, drainer, oldest_ms }) => {
        const figures = drainer.figures()
        const oldest = oldest_ms()
        return {
          name: channel.name,
          ready: channel.isReady(),
          behind: figures.behind,
          sent: figures.delivered,
          retried: figures.retries,
          dead: figures.dead,
          oldest_pending_ms: oldest === null ? null : Math.max(0, clock.now_ms() - oldest),
        }
      }),
    canary: live.canary.facts,
    events: () =>
      [...hub.figures().events].map(([key, count]) => {
        const [event = '', priority = ''] = key.split(' ')
        // The hub makes its keys of exactly these words.
        return { event: event as AlarmEventKind | RecordEvent['event'], priority: priority === '' ? null : (priority as Priority), count }
      }),
    clock: () => ({ untrusted: !clock.isTrusted(), steps: clock.steps() }),
    readiness: () => {
      const reasons = [...live.standing()]
      const { age_ms } = live.canary.facts()
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

function queuesOf({ engine, hub, history, ways, mqtt, broker, canary }: LiveParts): readonly QueueFacts[] {
  const { waitingCommits, waitingBytes, commandsWaiting } = hub.figures()
  const store = history.figures()
  const { retainedWaiting, commandsRunning } = mqtt.figures()
  const alarms = [...engine.units()].reduce((sum, unit) => sum + [...unit.alarms()].length, 0)
  return [
    { name: 'commits', depth: waitingCommits, bound: MOST_WAITING_COMMITS },
    { name: 'commit_bytes', depth: waitingBytes, bound: MOST_WAITING_BYTES },
    { name: 'store', depth: store.queueDepth, bound: STORE_QUEUE_BOUND },
    { name: 'outbox', depth: store.outboxDepth, bound: OUTBOX_BOUND },
    ...ways.flatMap(({ channel, drainer }) => {
      const { held, unrecorded, inFlight, unreported } = drainer.figures()
      return [
        { name: `drainer_${channel.name}`, depth: held, bound: MOST_HELD },
        { name: `unrecorded_${channel.name}`, depth: unrecorded, bound: MOST_UNRECORDED },
        { name: `in_flight_${channel.name}`, depth: inFlight, bound: Math.min(MOST_IN_FLIGHT, channel.maxInFlight ?? MOST_IN_FLIGHT) },
        { name: `unreported_${channel.name}`, depth: unreported, bound: MOST_HELD },
      ]
    }),
    { name: 'retained', depth: retainedWaiting, bound: alarms },
    { name: 'commands', depth: commandsRunning, bound: MOST_AT_ONCE },
    { name: 'command_answers', depth: commandsWaiting, bound: MOST_AT_ONCE },
    { name: 'canaries', depth: canary.away(), bound: MOST_AWAY },
    // One port for MQTT, one for WebSocket where the site wants it.
    ...(broker === null
      ? []
      : [{ name: 'broker_clients', depth: broker.figures().clients, bound: MOST_CLIENTS * (broker.wsPort === null ? 1 : 2) }]),
  ]
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
