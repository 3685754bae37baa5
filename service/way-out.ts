import type { Channel, Outbox } from '../alerts/channel.ts'
import { startDrainer, type Drainer } from '../alerts/drainer.ts'
import type { Log } from './log.ts'

/** One channel with its drainer, and how long its oldest message has been waiting. */
export interface WayOut {
  readonly channel: Channel
  readonly drainer: Drainer
  /** When the oldest message not yet delivered was made, in memory or in the store; null: none waits. */
  readonly oldest_ms: () => number | null
}

export function openWay(settings: {
  readonly channel: Channel
  readonly outbox: Outbox
  /** The oldest message of this channel that the store holds. */
  readonly oldestStored_ms: () => number | null
  readonly log: Log
  /** A message is refused for good; what to tell a person. */
  readonly onRefused: (detail: string) => void
  /** A message that the store could not keep was let go untold; what to tell a person. */
  readonly onDropped: (detail: string) => void
}): WayOut {
  const { channel, outbox, oldestStored_ms, log, onRefused, onDropped } = settings
  let dropped = 0
  const drainer = startDrainer({
    channel,
    outbox,
    onDead: (message, why) => {
      const detail = `${channel.name}: a message was refused for good (${why}) and is on the dead-letter list. The others go on. Look at the receiver's rights and limits.`
      log.error({ channel: channel.name, id: message.id }, detail)
      onRefused(detail)
    },
    onDropped: (message) => {
      dropped += 1
      const detail =
        `${channel.name}: ${dropped} ${dropped === 1 ? 'alert was' : 'alerts were'} let go untold since the start: the history cannot keep them, and the memory for such ` +
        `messages is full. Alarms are still judged; what was let go is told late if the disk works again before the service ends. ` +
        `Mend the disk and the way to ${channel.name}; until then look at the units themselves.`
      log.error({ channel: channel.name, id: message.id }, detail)
      onDropped(detail)
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
  return {
    channel,
    drainer,
    oldest_ms: () => {
      const { oldest_ms, behind } = drainer.figures()
      // What was delivered and not yet reported is in the store too: it is asked only where the drainer has not read all.
      const stored_ms = behind ? oldestStored_ms() : null
      return oldest_ms === null || stored_ms === null ? (oldest_ms ?? stored_ms) : Math.min(oldest_ms, stored_ms)
    },
  }
}
