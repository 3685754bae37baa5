import { utc } from './local-time.ts'
import type { Incoming } from './mqtt-link.ts'
import { acknowledgeCommand, type AcknowledgeCommand, type CommandResult } from './payloads.ts'

export type CommandAnswer = { readonly kind: 'done' } | { readonly kind: 'rejected'; readonly why: string }
/** Hands a person's command to the engine. Doing nothing for an id it has seen is the engine's part. */
export type OnCommand = (command: AcknowledgeCommand) => Promise<CommandAnswer>

const MOST_BYTES = 4_096
export const MOST_AT_ONCE = 64

export interface Commands {
  readonly take: (incoming: Incoming) => void
  readonly running: () => number
}

/** Reads commands from outside and answers each. What cannot be read is answered too: a person must not think that it was done. */
export function createCommands(onCommand: OnCommand, answer: (result: CommandResult) => void, now_ms: () => number): Commands {
  let running = 0
  const say = (id: string | null, alarm: string | null, given: CommandAnswer): void =>
    answer({
      schema: 'mouldtend/command-result/1',
      id,
      alarm,
      result: given.kind,
      why: given.kind === 'rejected' ? given.why : null,
      at: utc(now_ms()),
    })

  async function run(command: AcknowledgeCommand): Promise<void> {
    running += 1
    try {
      say(command.id, command.alarm, await onCommand(command))
    } catch {
      // The service stopped or its store failed: the sender learns that it must repeat the command, with the same id.
      say(command.id, command.alarm, { kind: 'rejected', why: 'not_taken' })
    } finally {
      running -= 1
    }
  }

  return {
    running: () => running,
    take: ({ payload, isRetained }) => {
      // A retained command would come again at every connect, from nobody.
      if (isRetained) return say(null, null, { kind: 'rejected', why: 'retained' })
      const command = read(payload)
      if (command === null) return say(null, null, { kind: 'rejected', why: 'malformed' })
      if (running >= MOST_AT_ONCE) return say(command.id, command.alarm, { kind: 'rejected', why: 'busy' })
      void run(command)
    },
  }
}

function read(payload: Buffer): AcknowledgeCommand | null {
  if (payload.length > MOST_BYTES) return null
  try {
    return acknowledgeCommand.safeParse(JSON.parse(payload.toString('utf8'))).data ?? null
  } catch {
    return null
  }
}
