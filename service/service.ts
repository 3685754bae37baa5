import { startBroker, type Broker } from '../alerts/broker.ts'
import type { Channel } from '../alerts/channel.ts'
import { explainAlertFault, type AlertFault } from '../alerts/fault.ts'
import { mqttSettings, openMqtt, type MqttChannel } from '../alerts/mqtt.ts'
import type { Identified } from '../alerts/outbox-messages.ts'
import { createPresent } from '../alerts/present.ts'
import { openWebhook, webhookSettings } from '../alerts/webhook.ts'
import type { Discovery, Secrets } from '../collector/source.ts'
import { discoveryNotes, withDiscovery } from '../config/discovered.ts'
import type { Plan } from '../config/plan.ts'
import { secretName } from '../config/secrets.ts'
import { startHttp, type HttpServer } from '../dashboards/http.ts'
import type { NotReady } from '../dashboards/facts.ts'
import { openHistory } from '../history/sqlite.ts'
import type { History, StoredMessage, StoreError } from '../history/store.ts'
import { ENGINE_VERSION, type Engine } from '../rules/engine.ts'
import { isRetained } from '../rules/alarm-state.ts'
import { openCanary } from './canary.ts'
import { openClock } from './clock.ts'
import { factsOf } from './facts.ts'
import { openHub, type Hub } from './hub.ts'
import type { Log } from './log.ts'
import { carriedDiscoveries, withMissing } from './carried.ts'
import { recover } from './recover.ts'
import { openWay } from './way-out.ts'
import { watchSelf, withSelf } from './self.ts'
import { openSources, type Sources } from './sources.ts'
import { adapterFaults, alertFaults } from './standing-log.ts'

/** Inputs beyond their keeping time are forgotten this often. */
const FORGET_MS = 3_600_000
/** About a second's replay at the slowest. */
const MANY_REPLAYED = 5_000
/** A store that has not answered for this long will not answer any more. */
const STUCK_MS = 60_000
/** A message that was refused for good, or let go, is a standing fault for this long. */
const DEAD_LETTER_MS = 3_600_000
/** More refusals than this are not remembered one by one: a thousand in an hour say it all. */
const MOST_REFUSALS = 1000

export interface ServiceSettings {
  readonly plan: Plan
  readonly secrets: Secrets
  readonly version: string
  readonly log: Log
  /** For a narrator and for tests: told of every event as soon as it is on the disk. */
  readonly onEvents?: (events: readonly Identified[], recorded: boolean) => void
}
export interface Service {
  readonly plan: () => Plan
  readonly httpPort: number
  readonly mqtt: { readonly url: string; readonly wsPort: number | null; readonly isEmbedded: boolean }
  readonly hub: Hub
  readonly engine: Engine
  readonly history: History
  readonly sources: Pick<Sources, 'figures'>
  /** Nothing is stored any more and only a new start can change that: what a watchdog is for. */
  readonly isStuck: () => boolean
  readonly close: () => Promise<void>
}

/**
 * Everything in one: recovers, then opens the ways out before the ways in, so that nothing that is read goes untold.
 * Rejects where the history cannot be opened or an address cannot be had; what was opened by then is closed again.
 */
export async function startService(settings: ServiceSettings): Promise<Service> {
  const { log, version, secrets } = settings
  const closers: (() => Promise<void>)[] = []
  const closeAll = async (): Promise<void> => {
    for (const close of closers.toReversed()) await close()
  }
  try {
    return await start()
  } catch (error) {
    await closeAll()
    throw error
  }

  async function start(): Promise<Service> {
    const standing = new Map<string, NotReady>()
    /** When messages were refused for good, the last hour's only. */
    const refusals: number[] = []
    let lastDropped_ms = 0
    const history = await openHistory(settings.plan.service.historyFile, {
      onNotice: (notice) => log.warn({ notice: notice.kind }, notice.text),
    })
    closers.push(() => history.close())
    const sitePlan = withSelf(settings.plan)
    const recovered = await recover(history, sitePlan)
    const { engine } = recovered
    const clock = openClock(recovered.last_ms, (by_ms) => {
      log.warn({ by_ms }, `The machine's clock was set by ${Math.round(by_ms / 1000)} s. Delays go on undisturbed; the step is journalled.`)
      // Not from inside the reading of the clock: whoever asked for the time comes first.
      setImmediate(() => hub.feed({ kind: 'clock_step', at_ms: clock.now_ms(), by_ms }))
    })
    const started_ms = clock.now_ms()

    // ---- the ways out ----
    const { mqtt } = settings.plan.service
    const alerting = alertFaults({ log, clock, explain: explainAlertFault })
    closers.push(async () => alerting.close())
    const onFault = (fault: AlertFault): void => alerting.happened(fault)
    const broker: Broker | null =
      mqtt.url === null
        ? await startBroker({
            site: settings.plan.site,
            host: mqtt.embedded.host,
            port: mqtt.embedded.port,
            wsPort: mqtt.embedded.wsPort,
            acceptCommands: mqtt.acceptCommands,
            onFault,
          })
        : null
    if (broker !== null) closers.push(() => broker.close())
    const url = broker?.url ?? mqtt.url ?? ''
    const secret = (ref: Parameters<typeof secretName>[0]): string => secrets.get(secretName(ref)) ?? ''
    const fromPlan = mqttSettings(settings.plan, url, version, secret)
    const channel: MqttChannel = openMqtt(
      broker === null ? fromPlan : { ...fromPlan, user: broker.user, password: broker.password, protocol: 4 },
      {
        now_ms: clock.now_ms,
        onFault,
        onCommand: async (command) => {
          const outcome = await hub.command({
            id: command.id,
            alarm: command.alarm,
            action: { act: 'acknowledge' },
            by: command.by,
            from: 'mqtt',
            comment: command.comment ?? '',
          })
          return outcome.kind === 'done' ? { kind: 'done' } : outcome
        },
        onCanary: (id, at_ms) => canary.arrived(id, at_ms),
        heartbeatFacts: () => ({
          canary_age_s: Math.round(canary.facts().age_ms / 1000),
          outbox: history.figures().outboxDepth,
          plan: engine.plan().version.slice(0, 12),
        }),
      },
    )
    channel.onReady(alerting.connected)
    const webhook = webhookSettings(settings.plan, secret)
    const channels: Channel[] = webhook === null ? [channel] : [channel, openWebhook(webhook, clock.now_ms)]
    const drainers = channels.map((one) =>
      openWay({
        channel: one,
        outbox: history,
        oldestStored_ms: () => history.figures().oldestPending_ms[one.name] ?? null,
        log,
        onRefused: (detail) => {
          refusals.push(clock.now_ms())
          if (refusals.length > MOST_REFUSALS) refusals.shift()
          standing.set(`dead_letter_${one.name}`, { code: 'dead_letter', detail })
        },
        onDropped: (detail) => {
          lastDropped_ms = clock.now_ms()
          standing.set(`alerts_dropped_${one.name}`, { code: 'alerts_dropped', detail })
        },
      }),
    )
    closers.push(async () => {
      for (const { drainer, channel: one } of drainers) {
        await drainer.close()
        await one.close()
      }
    })

    const present = createPresent()

    // ---- the middle ----
    const hub = openHub({
      engine,
      history,
      clock,
      lastSeq: recovered.lastSeq,
      isNewPlan: recovered.isNew,
      isSnapshotDue: recovered.replayed > MANY_REPLAYED,
      onEvents: (events, recorded) => {
        channel.show(present.fold(events, engine.plan()))
        for (const { event } of events) {
          if (event.kind === 'alarm' && event.annunciate)
            log.info({ alarm: event.alarm, event: event.event, priority: event.priority }, 'alarm')
        }
        settings.onEvents?.(events, recorded)
      },
      onMessages: (messages: readonly StoredMessage[]) => {
        for (const message of messages) drainers.find(({ channel: one }) => one.name === message.channel)?.drainer.offer(message)
      },
      onDiscovery: (found) => discovered(found),
      onFault: ({ fault }, text) => reading.started(fault, text),
      onDisk: (fault: StoreError | null) => {
        if (fault === null) {
          standing.delete('disk')
          log.info('The history takes records again; what was held in memory is being stored.')
        } else {
          standing.set('disk', { code: `store_${fault.fault.kind}`, detail: fault.message })
          log.error({ fault: fault.fault.kind }, fault.message)
        }
      },
    })
    const canary = openCanary({
      clock,
      every_ms: settings.plan.service.canary_ms,
      sink: hub.sink,
    })
    const sources = openSources(hub.sink, clock)
    const reading = adapterFaults({ log, clock, standing: sources.standing })
    closers.push(async () => reading.close())
    let self: { readonly close: () => void } | null = null

    function discovered(item: Discovery): void {
      const found = withMissing(engine.plan(), item)
      const next = withDiscovery(engine.plan(), found)
      if (next.version !== engine.plan().version) {
        log.info({ source: found.source, units: found.units.length }, 'found units; the plan is extended by them')
        for (const note of discoveryNotes(engine.plan(), found)) log.warn(note)
        hub.changePlan(next, 'mouldtend', `found behind ${found.source}`)
      }
      // Not from inside the adapter's own call: it is closed and opened anew.
      setImmediate(() => {
        sources.follow(engine.plan(), secrets).catch((error: unknown) => {
          log.error({ err: error, source: item.source }, 'the adapters could not be opened on the extended plan; those that run go on')
        })
      })
    }

    // ---- from the record to now ----
    let isStarted = false
    closers.push(async () => {
      if (isStarted) hub.feed({ kind: 'service_stop', at_ms: clock.now_ms() })
      await hub.close()
    })
    // First: what is learnt from now on comes on top of what stood, an acknowledge with its person included.
    await foldStanding()
    const now_ms = clock.now_ms()
    const wanted = carriedDiscoveries(sitePlan, engine.plan())
    if (!recovered.isNew && wanted.version !== engine.plan().version) hub.changePlan(wanted, 'mouldtend', 'the site file was changed')
    if (recovered.last_ms !== null && !recovered.wasStopped) {
      hub.feed({ kind: 'gap', at_ms: now_ms, from_ms: recovered.last_ms, to_ms: now_ms, why: 'the service ended without a stop' })
    }
    hub.feed({
      kind: 'service_start',
      at_ms: now_ms,
      last_ms: recovered.last_ms,
      trusted: clock.isTrusted(),
      engine: ENGINE_VERSION,
      cold: recovered.isCold,
    })
    isStarted = true
    if (!clock.isTrusted()) {
      const detail =
        "The machine's clock is earlier than the last record. Collecting and delays go on from the record's time; set the clock right."
      standing.set('clock', { code: 'clock_untrusted', detail })
      log.error(detail)
    }
    await hub.settle()
    channel.showAll(present.list())

    /** The alarms that stand since before the start, from their journal lines. */
    async function foldStanding(): Promise<void> {
      for (const unit of engine.units()) {
        for (const { rule, state } of unit.alarms()) {
          if (!isRetained(state.core)) continue
          for (let afterRow = 0; ;) {
            const page = await history.journal({ alarm: rule.alarm, from_ms: state.raised_ms ?? 0, afterRow, limit: 1000 })
            present.fold(page, engine.plan())
            const last = page.at(-1)
            if (last === undefined) break
            afterRow = last.row
          }
        }
      }
    }

    const http: HttpServer = await startHttp({
      host: settings.plan.service.http.host,
      port: settings.plan.service.http.port,
      version,
      facts: factsOf({
        engine,
        hub,
        history,
        sources,
        clock,
        ways: drainers,
        mqtt: channel,
        broker,
        canary,
        canary_ms: settings.plan.service.canary_ms,
        started_ms,
        standing: () => {
          if (clock.isTrusted()) standing.delete('clock')
          return [...standing.values()]
        },
      }),
      onBug: (error, path) => log.error({ err: error, path }, 'a request failed'),
    })
    closers.push(() => http.close())

    const forget = setInterval(() => {
      history
        .forgetInputs(clock.now_ms() - settings.plan.service.keepInputs_ms)
        .catch((error: unknown) => log.error({ err: error }, 'old inputs could not be forgotten'))
    }, FORGET_MS)
    closers.push(async () => {
      clearInterval(forget)
      canary.close()
      self?.close()
      await sources.close()
    })
    await sources.follow(engine.plan(), secrets)
    canary.start()
    self = watchSelf({
      clock,
      sink: hub.sink,
      facts: () => {
        while (refusals.length > 0 && (refusals[0] ?? 0) < clock.now_ms() - DEAD_LETTER_MS) refusals.shift()
        if (refusals.length === 0) for (const one of channels) standing.delete(`dead_letter_${one.name}`)
        if (lastDropped_ms < clock.now_ms() - DEAD_LETTER_MS) for (const one of channels) standing.delete(`alerts_dropped_${one.name}`)
        return {
          canary_age_s: canary.facts().age_ms / 1000,
          deadLetters: refusals.length,
          storeFault: standing.has('disk'),
          clockUntrusted: !clock.isTrusted(),
        }
      },
    })
    log.info(
      {
        plan: engine.plan().version.slice(0, 12),
        units: engine.plan().units.length,
        replayed: recovered.replayed,
        http: http.port,
        mqtt: url,
      },
      'mouldtend watches',
    )
    return {
      plan: engine.plan,
      httpPort: http.port,
      mqtt: { url, wsPort: broker?.wsPort ?? null, isEmbedded: broker !== null },
      hub,
      engine,
      history,
      sources,
      isStuck: () => {
        const disk = standing.get('disk')
        return disk === undefined ? hub.figures().unanswered_ms > STUCK_MS : disk.code === 'store_closed'
      },
      close: closeAll,
    }
  }
}
