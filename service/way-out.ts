import type { Channel, Outbox } from '../alerts/channel.ts'
import { startDrainer, type Drainer } from '../alerts/drainer.ts'
import type { Log } from './log.ts'

/** One channel with its drainer, and how long its oldest message has been waiting. */
export interface WayOut {
  readonly channel: Channel
  readonly drainer: Drainer
  /** When the oldest message that was tried and not yet delivered was made; null: none waits. */
  readonly oldest_ms: () => number | null
}

export function openWay(settings: {
  readonly channel: Channel
  readonly outbox: Outbox
  readonly log: Log
  /** A message is refused for good; what to tell a person. */
  readonly onRefused: (detail: string) => void
}): WayOut {
  const { channel, outbox, log, onRefused } = settings
  const waiting = new Map<string, number>()
  const noted: Channel = {
    ...channel,
    send: async (message) => {
      if (!waiting.has(message.id)) waiting.set(message.id, message.made_ms)
      const delivery = await channel.send(message)
      if (delivery.kind !== 'later') waiting.delete(message.id)
      return delivery
    },
  }
  const drainer = startDrainer({
    channel: noted,
    outbox,
    onDead: (message, why) => {
      const detail = `${channel.name}: a message was refused for good (${why}) and is on the dead-letter list. The others go on. Look at the receiver's rights and limits.`
      log.error({ channel: channel.name, id: message.id }, detail)
      onRefused(detail)
    },
    onFault: (why) => {
      if (why === null) log.info({ channel: channel.name }, `${channel.name}: the store answers again.`)
      else
        log.error(
          { channel: channel.name, why },
          `${channel.name}: the store does not answer (${why}). Sending goes on with what is in memory.`,
        )
    },
  })
  return { channel, drainer, oldest_ms: () => (waiting.size === 0 ? null : Math.min(...waiting.values())) }
}
