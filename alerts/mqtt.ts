import { readFileSync } from 'node:fs'
import type { Plan, SecretRef } from '../config/plan.ts'
import type { Channel } from './channel.ts'
import type { AlertFault } from './fault.ts'
import { utc } from './local-time.ts'
import { createCommands, type OnCommand } from './mqtt-commands.ts'
import { openLink, withoutSecrets, type Incoming, type LinkSettings } from './mqtt-link.ts'
import { createRetained } from './mqtt-retained.ts'
import { MQTT } from './outbox-messages.ts'
import { outgoing } from './outgoing.ts'
import { canary, type AlarmState, type Heartbeat, type ServiceStatus } from './payloads.ts'
import type { StateChange } from './present.ts'
import { acknowledgeTopic, alarmFilter, canaryTopic, heartbeatTopic, resultTopic, statusTopic } from './topics.ts'

export interface MqttSettings extends LinkSettings {
  readonly site: string
  /** Time zone of the site; UTC where it is not given. */
  readonly timezone?: string
  readonly version: string
  readonly heartbeat_ms: number
  readonly acceptCommands: boolean
  /** For how long after a connect retained topics of earlier runs are looked for. */
  readonly lookBack_ms?: number
}
export interface MqttHooks {
  readonly now_ms: () => number
  readonly onFault: (fault: AlertFault) => void
  /** True: connected. */
  readonly onConnection?: (isUp: boolean) => void
  readonly onCommand?: OnCommand
  /** A canary came back from the broker. */
  readonly onCanary?: (id: string, at_ms: number) => void
  /** What the heartbeat tells beside the time, e.g. canary age and outbox depth. */
  readonly heartbeatFacts?: () => Heartbeat['facts']
}
export interface MqttChannel extends Channel {
  /** The whole present list, once at start: only then stale topics of earlier runs are removed. */
  readonly showAll: (states: readonly AlarmState[]) => void
  readonly show: (changes: readonly StateChange[]) => void
  readonly figures: () => MqttFigures
}
export interface MqttFigures {
  readonly connected: boolean
  readonly connects: number
  readonly unconfirmed: number
  readonly retainedWaiting: number
  readonly commandsRunning: number
}

/** Settings from the plan. Reads the PEM files that it names: throws where one cannot be read, before anything is started. */
export function mqttSettings(plan: Plan, url: string, version: string, secret: (ref: SecretRef) => string): MqttSettings {
  const { mqtt } = plan.service
  const pem = (file: string | null): string | null => (file === null ? null : readFileSync(file, 'utf8'))
  return {
    site: plan.site,
    timezone: plan.timezone,
    version,
    url,
    clientId: mqtt.clientId,
    user: mqtt.user,
    password: mqtt.password === null ? null : secret(mqtt.password),
    ca: pem(mqtt.ca),
    certificate: pem(mqtt.certificate),
    privateKey: pem(mqtt.privateKey),
    heartbeat_ms: mqtt.heartbeat_ms,
    acceptCommands: mqtt.acceptCommands,
  }
}

/** MQTT as a channel: events at QoS 1, retained present state, birth, last will, heartbeat, canary, and acknowledge where allowed. */
export function openMqtt(settings: MqttSettings, hooks: MqttHooks): MqttChannel {
  const { site, version, lookBack_ms = 10_000 } = settings
  const { now_ms, onFault, onConnection = () => {}, onCanary, onCommand } = hooks
  const readies: (() => void)[] = []
  let [beats, isClosing] = [0, false]
  let lookBack: NodeJS.Timeout | null = null

  const status = (state: ServiceStatus['state']): string =>
    JSON.stringify({ schema: 'mouldtend/service-status/1', site, state, at: utc(now_ms()), version } satisfies ServiceStatus)
  const commands =
    settings.acceptCommands && onCommand !== undefined
      ? createCommands(
          onCommand,
          (result) => void link.publish(resultTopic(site), JSON.stringify(result), { qos: 1, retain: false }),
          now_ms,
        )
      : null
  const retained = createRetained({ link: () => link, url: withoutSecrets(settings.url), onFault })

  function onUp(): void {
    if (onCanary !== undefined) link.subscribe(canaryTopic(site))
    if (commands !== null) link.subscribe(acknowledgeTopic(site))
    void link.publish(statusTopic(site), status('online'), { qos: 1, retain: true })
    link.subscribe(alarmFilter(site), true)
    if (lookBack !== null) clearTimeout(lookBack)
    lookBack = setTimeout(() => link.unsubscribe(alarmFilter(site)), lookBack_ms).unref()
    onConnection(true)
    beat()
    // Events first: they are what people wait for.
    for (const call of readies) call()
    retained.onUp()
  }

  function onIncoming(incoming: Incoming): void {
    if (incoming.topic === canaryTopic(site)) return arrived(incoming)
    if (incoming.topic === acknowledgeTopic(site)) return commands?.take(incoming)
    if (incoming.isRetained && incoming.payload.length > 0) retained.onHeld(incoming.topic)
  }
  function arrived({ payload }: Incoming): void {
    try {
      const found = canary.safeParse(JSON.parse(payload.toString('utf8')))
      if (found.success) onCanary?.(found.data.id, now_ms())
    } catch {
      // Somebody else wrote there: not our canary, so it has not arrived, and its age tells.
    }
  }

  function beat(): void {
    if (!link.isUp()) return
    beats += 1
    const facts = hooks.heartbeatFacts?.() ?? {}
    const payload: Heartbeat = { schema: 'mouldtend/heartbeat/1', site, at: utc(now_ms()), count: beats, facts }
    void link.publish(heartbeatTopic(site), JSON.stringify(payload), { qos: 0, retain: false })
  }

  const link = openLink(settings, {
    will: () => ({ topic: statusTopic(site), payload: status('lost') }),
    onUp,
    onDown: () => onConnection(false),
    onIncoming,
    onFault,
  })
  const heart = setInterval(beat, settings.heartbeat_ms)

  return {
    name: MQTT,
    isReady: () => link.isUp() && !isClosing,
    onReady: (call) => {
      readies.push(call)
    },
    send: async (message) => {
      const made = outgoing(message, { site, timezone: settings.timezone ?? 'UTC' }, now_ms())
      if (made === null) return { kind: 'never', why: 'the stored message cannot be read by this version' }
      return link.publish(made.topic, made.payload, { qos: 1, retain: false })
    },
    showAll: retained.showAll,
    show: retained.show,
    figures: () => ({
      connected: link.isUp(),
      connects: link.figures().connects,
      unconfirmed: link.figures().unconfirmed,
      retainedWaiting: retained.waiting(),
      commandsRunning: commands?.running() ?? 0,
    }),
    close: async () => {
      isClosing = true
      clearInterval(heart)
      if (lookBack !== null) clearTimeout(lookBack)
      retained.close()
      if (link.isUp()) {
        const told = link.publish(statusTopic(site), status('stopped'), { qos: 1, retain: true })
        await Promise.race([told, new Promise((resolve) => setTimeout(resolve, 1_000).unref())])
      }
      await link.close()
    },
  }
}
