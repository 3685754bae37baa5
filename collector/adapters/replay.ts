import { createReadStream, type ReadStream } from 'node:fs'
import type { SourcePlan, UnitPlan } from '../../config/plan.ts'
import { counter } from '../figures.ts'
import { parseHead, rowParser, type Row } from '../recording.ts'
import type { Clock, Item, Open, Sink, Timer } from '../source.ts'

export type ReplaySource = Extract<SourcePlan, { readonly kind: 'replay' }>

/** Most rows in one batch, and how long a full sink is left alone. */
const BATCH = 256
const FULL_MS = 50

/**
 * A recorded file as if it were a line. At a speed, a row comes when it is due and bears the time at which it came, counted
 * from the first row, so that it mixes with live units. At no speed (null) rows come as fast as they are taken and bear their
 * recorded time. Nothing is left out when the sink is full: the recording waits.
 */
export const openReplay: Open<ReplaySource> = (settings, units, sink, clock) => {
  const figures = counter()
  const stop = stopper(clock)
  const done = play(settings, units, sink, clock, figures, stop).finally(() => figures.connected(false))
  return {
    close: async () => {
      stop.now()
      await done
    },
    figures: figures.figures,
  }
}

async function play(
  settings: ReplaySource,
  units: readonly UnitPlan[],
  sink: Sink,
  clock: Clock,
  figures: ReturnType<typeof counter>,
  stop: Stopper,
): Promise<void> {
  let batch: Item[] = []
  let pace: Pace | null = null
  let parse: ((line: string) => Row) | null = null
  let number = 0
  let last_ms = Number.NEGATIVE_INFINITY

  const fault = (unit: string, line: number | null, detail: string): void => {
    figures.fault('recording')
    const where = line === null ? settings.file : `${settings.file}:${line}`
    const known = unit === '' ? (units[0]?.id ?? settings.id) : unit
    batch.push({ kind: 'fault', at_ms: clock.now_ms(), fault: { kind: 'recording', unit: known, where, detail } })
  }
  const flush = async (): Promise<void> => {
    if (batch.length === 0 || stop.stopped()) return
    const full = !sink(batch)
    batch = []
    // Live units get their turn between batches, however fast the recording is.
    await stop.pause(0)
    if (full) figures.fault('sink_full')
    while (full && !stop.stopped() && !sink([])) {
      figures.missed(1)
      await stop.pause(FULL_MS)
    }
  }

  const stream = createReadStream(settings.file, 'utf8')
  stop.onStop(() => stream.destroy())
  figures.connected(true)
  try {
    for await (const line of linesOf(stream)) {
      number++
      if (stop.stopped()) break
      if (parse === null) {
        const head = parseHead(line)
        if (head.kind === 'fault') {
          fault('', number, `${head.detail}; nothing of it is played`)
          break
        }
        parse = rowParser(head.head, units)
        continue
      }
      if (line.trim() === '') continue
      const row = parse(line)
      if (row.kind === 'fault') fault(row.unit, number, row.detail)
      else if (row.at_ms < last_ms) fault('', number, 'its time lies before that of the row above')
      else {
        const later = row.at_ms > last_ms
        last_ms = row.at_ms
        pace ??= { first_ms: row.at_ms, start_ms: clock.now_ms(), speed: settings.speed }
        if (batch.length >= BATCH || (later && settings.speed !== null)) await flush()
        await due(row.at_ms, pace, clock, stop)
        figures.poll(lag(row.at_ms, pace, clock))
        batch.push(settings.speed === null ? row.reading : { ...row.reading, at_ms: clock.now_ms() })
      }
      if (batch.length >= BATCH) await flush()
    }
  } catch (error) {
    if (!isFileError(error)) throw error
    if (!stop.stopped()) fault('', null, `cannot be read: ${error.message}`)
  }
  await flush()
}

/** A file without line breaks must not fill the memory. */
const LONGEST_LINE = 1_000_000

async function* linesOf(stream: ReadStream): AsyncGenerator<string> {
  let rest = ''
  for await (const chunk of stream) {
    const lines = (rest + String(chunk)).split('\n')
    rest = lines.pop() ?? ''
    yield* lines
    if (rest.length > LONGEST_LINE) rest = rest.slice(0, LONGEST_LINE)
  }
  if (rest !== '') yield rest
}

/** What the file system says; anything else is a bug and must not pass for a bad file. A closed source destroys its own file. */
const isFileError = (error: unknown): error is NodeJS.ErrnoException => error instanceof Error && 'code' in error

interface Pace {
  readonly first_ms: number
  readonly start_ms: number
  readonly speed: number | null
}
const dueAt = (at_ms: number, pace: Pace): number => pace.start_ms + (at_ms - pace.first_ms) / (pace.speed ?? 1)

async function due(at_ms: number, pace: Pace, clock: Clock, stop: Stopper): Promise<void> {
  if (pace.speed === null) return
  const wait_ms = dueAt(at_ms, pace) - clock.now_ms()
  if (wait_ms > 0) await stop.pause(wait_ms)
}
const lag = (at_ms: number, pace: Pace, clock: Clock): number =>
  pace.speed === null ? 0 : Math.max(0, clock.now_ms() - dueAt(at_ms, pace))

/** Pauses that end at once when the source is closed. */
interface Stopper {
  readonly stopped: () => boolean
  readonly pause: (ms: number) => Promise<void>
  readonly onStop: (call: () => void) => void
  readonly now: () => void
}

function stopper(clock: Clock): Stopper {
  let stopped = false
  let timer: Timer | null = null
  let wake: (() => void) | null = null
  const calls: (() => void)[] = []
  return {
    stopped: () => stopped,
    pause: (ms) =>
      new Promise((resolve) => {
        if (stopped) return resolve()
        if (ms <= 0) return void setImmediate(resolve)
        wake = resolve
        timer = clock.after(ms, resolve)
      }),
    onStop: (call) => void calls.push(call),
    now: () => {
      stopped = true
      timer?.cancel()
      wake?.()
      for (const call of calls) call()
    },
  }
}
