import type { Message, Outbox } from '../../alerts/channel.ts'
import type { OutboxMessageLike } from '../../alerts/outbox-messages.ts'

/** A durable queue's promises in memory: rows stay until they are reported. */
export function memoryOutbox() {
  const rows = new Map<number, Message>()
  let last = 0
  const outbox: Outbox = {
    pending: async (channel, afterRow, limit) =>
      [...rows.values()].filter((row) => row.channel === channel && row.row > afterRow).slice(0, limit),
    delivered: async (done) => {
      for (const row of done) rows.delete(row)
    },
    dead: async (row) => {
      rows.delete(row)
    },
  }
  const commit = (message: OutboxMessageLike): Message => {
    last += 1
    const row = { ...message, row: last, tries: 0 }
    rows.set(last, row)
    return row
  }
  return { outbox, rows, commit }
}
