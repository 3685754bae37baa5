import { collectDefaultMetrics, Counter, Gauge, type OpenMetricsContentType, type Registry } from 'prom-client'
import type { Priority } from '../config/plan.ts'
import type { ServiceFacts } from './facts.ts'
import { SHOWN_STATES } from './process-values.ts'

const PRIORITIES: readonly Priority[] = ['high', 'medium', 'low']
type Row = readonly [labels: Readonly<Record<string, string>>, value: number]
/** Takes the whole present content of a metric: what is not in it any more is gone from the next scrape. */
type Fill = (rows: readonly Row[]) => void

/** The few series: of mouldtend itself. @returns a function that writes all of them from the facts, for one scrape. */
export function serviceMetrics(
  registry: Registry | Registry<OpenMetricsContentType>,
  facts: ServiceFacts,
  version: string,
): (scrape_ms: number | null) => void {
  const registers = [registry]
  const gauge = (name: string, help: string, ...labelNames: string[]): Fill => {
    const metric = new Gauge({ name: `mouldtend_${name}`, help, labelNames, registers })
    return (rows) => {
      metric.reset()
      for (const [labels, value] of rows) metric.set(labels, value)
    }
  }
  const counter = (name: string, help: string, ...labelNames: string[]): Fill => {
    const metric = new Counter({ name: `mouldtend_${name}`, help, labelNames, registers })
    return (rows) => {
      metric.reset()
      for (const [labels, value] of rows) metric.inc(labels, value)
    }
  }

  collectDefaultMetrics({ register: registry, prefix: 'mouldtend_' })
  // Counts of Node's inner objects: nobody here can act on them, and three are gauges named like counters, which linters refuse.
  for (const what of ['resources', 'handles', 'requests']) {
    registry.removeSingleMetric(`mouldtend_nodejs_active_${what}`)
    registry.removeSingleMetric(`mouldtend_nodejs_active_${what}_total`)
  }

  const build = gauge('build_info', 'Always 1; what runs here.', 'version', 'site', 'plan')
  const ready = gauge('ready', '1 while /readyz says ready.')
  const notReady = gauge('not_ready_reason', 'Always 1; one series for each reason that /readyz gives.', 'code')
  const clockUntrusted = gauge(
    'clock_untrusted',
    "1 while the clock is behind the record: time goes on from the record's until it has caught up.",
  )
  const clockSteps = counter('clock_steps_total', 'Steps of the wall clock against the monotonic one.')
  const canaryAge = gauge('canary_age_seconds', 'Time since the last canary came all the way through; since the start until one has.')
  const canaryTrip = gauge('canary_round_trip_seconds', 'How long the last canary took all the way through.')
  const scrape = gauge('last_scrape_duration_seconds', 'How long the scrape before this one took to write.')

  const alarms = gauge('alarms', 'Alarms by priority and state as shown.', 'priority', 'state')
  const alarmsActive = gauge('alarms_active', 'Alarms whose condition holds, hidden or not.', 'priority')
  const alarmsHeld = gauge('alarms_held', 'Alarms whose data are bad at present, so that their state is held.', 'priority')
  const events = counter('events_total', 'Events journalled, by kind; records have no priority.', 'event', 'priority')

  const connected = gauge('source_connected', '1 while the line is up.', 'source', 'kind')
  const polls = counter('source_polls_total', 'Polls started.', 'source')
  const late = counter('source_polls_late_total', 'Polls that started late or not at all.', 'source')
  const lag = gauge('source_start_lag_max_seconds', 'Largest lateness of a start since the last scrape.', 'source')
  const pollSeconds = counter('source_poll_seconds_total', 'Time spent in polls that ended.', 'source')
  const pollsTimed = counter('source_polls_timed_total', 'Polls that ended, for the mean of their time.', 'source')
  const faults = counter('source_faults_total', 'Faults of line or unit.', 'source', 'fault')
  const reconnects = counter('source_reconnects_total', 'Times the line was opened again.', 'source')

  const queueDepth = gauge('queue_depth', 'Items that wait.', 'queue')
  const queueBound = gauge('queue_bound', 'Items at which the policy of docs/queues.md begins.', 'queue')
  const lost = counter('lost_total', 'What a bound or a refusal took: see docs/queues.md.', 'what')
  const outbox = gauge('outbox_depth', 'Messages kept until their channel has taken them.')
  const deadLetters = gauge('dead_letters', 'Messages that a receiver refused for good, as listed.')
  const storeQueue = gauge('store_queue_depth', 'Requests that wait for the store thread.')
  const storeBytes = gauge('store_queue_bytes', 'Bytes of inputs handed to the store and not yet on the disk.')
  const commits = counter('store_commits_total', 'Transactions on the disk.')
  const commitSeconds = counter('store_commit_seconds_total', 'Time spent in transactions.')
  const fileBytes = gauge('store_file_bytes', 'Size of the history file.')
  const channelReady = gauge('channel_ready', '1 while the channel can be told.', 'channel')
  const behind = gauge('channel_behind', '1 while messages wait in the store beyond those in memory.', 'channel')
  const sent = counter('channel_sent_total', 'Messages that a receiver has taken.', 'channel')
  const retried = counter('channel_retried_total', 'Tries after the first.', 'channel')
  const dead = counter('channel_dead_letters_total', 'Messages refused for good.', 'channel')
  const oldest = gauge('channel_oldest_pending_seconds', 'Age of the oldest message that waits, 0 where none does.', 'channel')

  return (scrape_ms) => {
    const one = (value: number): readonly Row[] => [[{}, value]]
    build([[{ version, site: facts.site(), plan: facts.planVersion() }, 1]])
    const readiness = facts.readiness()
    ready(one(readiness.ok ? 1 : 0))
    notReady(readiness.reasons.map(({ code }) => [{ code }, 1]))
    const clock = facts.clock()
    clockUntrusted(one(clock.untrusted ? 1 : 0))
    clockSteps(one(clock.steps))
    const canary = facts.canary()
    canaryAge(one(canary.age_ms / 1000))
    canaryTrip(canary.roundTrip_ms === null ? [] : one(canary.roundTrip_ms / 1000))
    scrape(scrape_ms === null ? [] : one(scrape_ms / 1000))

    const counts = new Map<string, number>()
    const count = (key: string) => counts.set(key, (counts.get(key) ?? 0) + 1)
    for (const alarm of facts.alarms()) {
      count(`${alarm.priority} ${alarm.shown}`)
      if (alarm.core === 'unack_active' || alarm.core === 'ack_active') count(`${alarm.priority} (active)`)
      if (alarm.bad) count(`${alarm.priority} (held)`)
    }
    const counted = (key: string) => counts.get(key) ?? 0
    alarms(PRIORITIES.flatMap((priority) => SHOWN_STATES.map((state): Row => [{ priority, state }, counted(`${priority} ${state}`)])))
    alarmsActive(PRIORITIES.map((priority) => [{ priority }, counted(`${priority} (active)`)]))
    alarmsHeld(PRIORITIES.map((priority) => [{ priority }, counted(`${priority} (held)`)]))
    events(facts.events().map(({ event, priority, count }) => [{ event, priority: priority ?? '' }, count]))

    const sources = facts.sources().map(({ id, kind, figures }) => ({ id, kind, figures, label: { source: id } }))
    connected(sources.map(({ id, kind, figures }) => [{ source: id, kind }, figures.connected ? 1 : 0]))
    polls(sources.map(({ label, figures }) => [label, figures.polls]))
    late(sources.map(({ label, figures }) => [label, figures.polls_late]))
    lag(sources.map(({ label, figures }) => [label, figures.start_lag_max_ms / 1000]))
    pollSeconds(sources.map(({ label, figures }) => [label, figures.poll_seconds_sum]))
    pollsTimed(sources.map(({ label, figures }) => [label, figures.poll_seconds_count]))
    faults(sources.flatMap(({ id, figures }) => Object.entries(figures.faults).map(([fault, n]): Row => [{ source: id, fault }, n])))
    reconnects(sources.map(({ label, figures }) => [label, figures.reconnects]))

    const queues = facts.queues()
    queueDepth(queues.map(({ name, depth }) => [{ queue: name }, depth]))
    queueBound(queues.map(({ name, bound }) => [{ queue: name }, bound]))
    lost(Object.entries(facts.lost()).map(([what, count]) => [{ what }, count]))
    const store = facts.store()
    outbox(one(store.outboxDepth))
    deadLetters(one(store.deadLetters))
    storeQueue(one(store.queueDepth))
    storeBytes(one(store.queueBytes))
    commits(one(store.commits))
    commitSeconds(one(store.commitSeconds))
    fileBytes(one(store.fileBytes))
    const channels = facts.channels().map((channel) => ({ ...channel, label: { channel: channel.name } }))
    channelReady(channels.map(({ label, ready }) => [label, ready ? 1 : 0]))
    behind(channels.map(({ label, behind }) => [label, behind ? 1 : 0]))
    sent(channels.map(({ label, sent }) => [label, sent]))
    retried(channels.map(({ label, retried }) => [label, retried]))
    dead(channels.map(({ label, dead }) => [label, dead]))
    oldest(channels.map(({ label, oldest_pending_ms }) => [label, (oldest_pending_ms ?? 0) / 1000]))
  }
}
