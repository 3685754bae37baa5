import { canaryMessage, channelsOf, messagesFor, type Identified } from '../alerts/outbox-messages.ts'
import type { Plan } from '../config/plan.ts'
import type { Clock, Item, Sink, Timer } from '../collector/source.ts'
import { explain } from '../collector/faults.ts'
import { createChunkWriter } from '../history/chunk.ts'
import { eventId } from '../history/identity.ts'
import {
  StoreError,
  type Commit,
  type History,
  type JournalRecord,
  type OutboxMessage,
  type Receipt,
  type StoredMessage,
} from '../history/store.ts'
import { ENGINE_VERSION, type Engine } from '../rules/engine.ts'
import type { AlarmEvent, Event } from '../rules/event.ts'
import type { Command, Input } from '../rules/input.ts'

/** Telemetry without an event waits at most this long for the disk: what a crash may take. */
const TELEMETRY_MS = 1000
const SNAPSHOT_MS = 60_000
/** Readings that wait for a failing disk: beyond it they go, the state takes their place, and a gap is recorded. Events stay. */
export const MOST_WAITING_BYTES = 64 * 1024 * 1024
const RETRY_MS = 1000
/** A failing disk is not waited for longer than this at a stop. */
const CLOSE_MS = 5000
/** Commits in memory beyond which the adapters are told to start no new poll. */
export const MOST_WAITING_COMMITS = 64

export interface HubSettings {
  readonly engine: Engine
  readonly history: History
  readonly clock: Clock
  readonly lastSeq: number
  /** The plan is not in the history yet: the first commit brings it. */
  readonly isNewPlan: boolean
  /** Much was replayed: the first commit keeps the state, so that a service that keeps falling does not replay ever more. */
  readonly isSnapshotDue: boolean
  /** Bytes of readings held while the disk fails. */
  readonly mostWaitingBytes?: number
  /** Called once per event, as soon as it is on the disk (or is told unrecorded). */
  readonly onEvents: (events: readonly Identified[], recorded: boolean) => void
  readonly onMessages: (messages: readonly StoredMessage[]) => void
  readonly onDiscovery: (item: Extract<Item, { kind: 'discovery' }>) => void
  readonly onFault: (item: Extract<Item, { kind: 'fault' }>, text: string) => void
  /** The disk: text when it fails, null when it works again. */
  readonly onDisk: (fault: StoreError | null) => void
}
export type CommandOutcome = { readonly kind: 'done'; readonly event: string } | { readonly kind: 'rejected'; readonly why: string }
export interface Hub {
  readonly sink: Sink
  /** Puts one input into the sequence now. */
  readonly feed: (input: Input) => void
  readonly command: (command: Omit<Command, 'at_ms' | 'kind'>) => Promise<CommandOutcome>
  readonly changePlan: (to: Plan, by: string, why: string) => void
  /** Resolves when everything fed so far is on the disk. */
  readonly settle: () => Promise<void>
  readonly figures: () => HubFigures
  readonly close: () => Promise<void>
}
export interface HubFigures {
  readonly waitingCommits: number
  readonly waitingBytes: number
  /** For how long the store has not answered the commit that it was given; 0 where none is on its way. */
  readonly unanswered_ms: number
  readonly inputs: number
  readonly events: ReadonlyMap<string, number>
  readonly droppedInputs: number
  /** Commands whose answer waits for the disk. */
  readonly commandsWaiting: number
}

interface Waiting {
  commit: Commit
  readonly seq: number
  readonly events: readonly Identified[]
  readonly done: (() => void)[]
  /** Told without the journal, since the disk would not take it. */
  told: boolean
}

/**
 * One state machine, so one file though a long one: what is read, what waits for the disk and what is told hang together.
 * The sequencer: gives every input its number and time, steps the engine, and commits inputs, journal and outbox together before
 * anybody is told. One commit is on its way at a time; what comes meanwhile goes into the next one.
 */
export function openHub(settings: HubSettings): Hub {
  const { engine, history, clock, mostWaitingBytes = MOST_WAITING_BYTES } = settings
  let seq = settings.lastSeq
  let plan = engine.plan()
  let newPlan: Plan | null = settings.isNewPlan ? plan : null
  let writer = createChunkWriter(plan)
  let channels = channelsOf(plan)
  let records: JournalRecord[] = []
  let outbox: OutboxMessage[] = []
  let identified: Identified[] = []
  let waiters: (() => void)[] = []
  let { isSnapshotDue } = settings
  let lastSnapshot_ms = clock.now_ms()
  const waiting: Waiting[] = []
  let isCommitting = false
  let commitStarted_ms = 0
  let telemetry: Timer | null = null
  let urgent = false
  let tick: { readonly timer: Timer; readonly due_ms: number } | null = null
  let isClosed = false
  let diskFault: StoreError | null = null
  let inputs = 0
  let droppedInputs = 0
  const counts = new Map<string, number>()
  const outcomes = new Map<string, (outcome: CommandOutcome) => void>()

  // ---- in ----

  function feed(input: Input): void {
    if (!writer.add(seq + 1, input)) {
      // Full: what is there goes first, together with a snapshot if one is due, before this input is counted.
      cut()
      writer.add(seq + 1, input)
    }
    seq += 1
    inputs += 1
    take(engine.step(input))
  }

  function take(events: readonly Event[]): void {
    if (events.length > 0) {
      const now_ms = clock.now_ms()
      const named = events.map((event) => ({ id: eventId(plan.site, event), event }))
      for (const { id, event } of named) {
        records.push({ id, seq, engine: ENGINE_VERSION, event })
        identified.push({ id, event })
        const key = `${event.event} ${event.kind === 'alarm' ? event.priority : ''}`
        counts.set(key, (counts.get(key) ?? 0) + 1)
        if (event.kind === 'alarm' && event.command !== null) answer(event)
      }
      outbox.push(...messagesFor(named, plan, channels, now_ms))
      hurry()
    } else telemetry ??= clock.after(TELEMETRY_MS, flush)
    armTick()
  }

  /** The answer to a command is given when it is on the disk. */
  function answer(event: AlarmEvent): void {
    const give = outcomes.get(event.command ?? '')
    if (give === undefined) return
    outcomes.delete(event.command ?? '')
    const outcome: CommandOutcome =
      event.event === 'rejected' ? { kind: 'rejected', why: event.why ?? '' } : { kind: 'done', event: event.event }
    waiters.push(() => give(outcome))
  }

  function armTick(): void {
    // Most inputs move a timer of one unit further away: nobody has to look at all the others for that.
    if (isClosed || (tick !== null && tick.due_ms <= engine.soonest_ms())) return
    const due_ms = engine.next_ms()
    if (due_ms === Infinity) return
    if (tick !== null && tick.due_ms <= due_ms) return
    tick?.timer.cancel()
    // A timer of Node's holds 2^31 ms at most; it is armed again then.
    tick = { due_ms, timer: clock.after(Math.min(due_ms - clock.now_ms(), 2 ** 31 - 1), ticked) }
  }

  function ticked(): void {
    tick = null
    const now_ms = clock.now_ms()
    for (const unit of engine.due(now_ms).units) feed({ kind: 'tick', at_ms: now_ms, unit })
    armTick()
  }

  const sink: Sink = (batch) => {
    if (isClosed) return false
    for (const item of batch) {
      if (item.kind === 'reading') feed(item)
      else if (item.kind === 'discovery') settings.onDiscovery(item)
      else if (item.kind === 'canary') {
        feed(item)
        outbox.push(canaryMessage(item.id, plan, item.at_ms))
      } else {
        const why = explain(item.fault)
        feed({ kind: 'fault', at_ms: item.at_ms, unit: item.fault.unit, fault: item.fault.kind, why })
        settings.onFault(item, why)
      }
    }
    // A failing disk is no reason to stop looking: alarms are told all the same, and memory has a bound of its own.
    return diskFault !== null || (waiting.length < MOST_WAITING_COMMITS && waitingBytes() < mostWaitingBytes)
  }

  // ---- out ----

  /** An event is committed at the end of this turn of the loop, with everything else of the turn. */
  function hurry(): void {
    if (urgent) return
    urgent = true
    setImmediate(flush)
  }

  function flush(): void {
    urgent = false
    telemetry?.cancel()
    telemetry = null
    if (isCommitting && diskFault === null && waiting.length > 0) return
    cut()
    void send()
  }

  /** Makes one commit of all that waits. `mayKeepState`: false between two steps that belong together. */
  function cut(mayKeepState = true): void {
    const chunk = writer.take()
    const now_ms = clock.now_ms()
    // While the disk fails it would only pile up.
    const snapshotDue = mayKeepState && diskFault === null && (isSnapshotDue || now_ms - lastSnapshot_ms >= SNAPSHOT_MS)
    if (chunk === null && records.length === 0 && outbox.length === 0 && waiters.length === 0 && newPlan === null && !snapshotDue) return
    const snapshot =
      snapshotDue && chunk !== null
        ? { seq, at_ms: now_ms, engine: ENGINE_VERSION, planVersion: plan.version, state: JSON.stringify(engine.save()) }
        : null
    if (snapshot !== null) {
      lastSnapshot_ms = now_ms
      isSnapshotDue = false
    }
    waiting.push({ commit: { chunk, records, outbox, snapshot, plan: newPlan }, seq, events: identified, done: waiters, told: false })
    newPlan = null
    records = []
    outbox = []
    identified = []
    waiters = []
  }

  async function send(): Promise<void> {
    if (isCommitting) return
    isCommitting = true
    try {
      for (let next = waiting[0]; next !== undefined; next = waiting[0]) {
        try {
          commitStarted_ms = clock.now_ms()
          const receipt = await history.commit(next.commit)
          waiting.shift()
          settled(next, receipt)
        } catch (error) {
          if (!(error instanceof StoreError)) throw error
          refused(next, error)
          // What the journal needs may still find room, in the reserve; what waits before it does not.
          if (error.fault.kind === 'disk_full' && isBare(next) && waiting.some((one) => !isBare(one))) {
            letReadingsGo()
            continue
          }
          tellUnrecorded()
          if (waitingBytes() > mostWaitingBytes) letReadingsGo()
          if (isClosed) return
          clock.after(RETRY_MS, () => void send())
          return
        }
        if (waiting.length === 0) cut()
      }
    } finally {
      isCommitting = false
    }
  }

  function settled(done: Waiting, receipt: Receipt): void {
    if (diskFault !== null && isDiskWell(done)) {
      diskFault = null
      settings.onDisk(null)
    }
    if (!done.told) settings.onEvents(done.events, true)
    settings.onMessages(receipt.stored)
    for (const call of done.done) call()
  }

  /** What came from the reserve says nothing about the disk; readings are taken only where there is room. */
  function isDiskWell(done: Waiting): boolean {
    if (diskFault?.fault.kind !== 'disk_full') return true
    return (isBare(done) && done.commit.chunk !== null) || history.figures().reserve
  }

  /** The disk would not take it: people are told all the same, once, marked unrecorded; the commit is tried again. */
  function refused(failed: Waiting, error: StoreError): void {
    if (diskFault === null) settings.onDisk(error)
    diskFault = error
    if (error.chunk !== null) failed.commit = { ...failed.commit, chunk: error.chunk }
    cut()
  }

  function tellUnrecorded(): void {
    for (const one of waiting) {
      if (one.told || one.events.length === 0) continue
      one.told = true
      settings.onEvents(one.events, false)
      const unrecorded = messagesFor(one.events, plan, channels, clock.now_ms(), false)
      settings.onMessages(unrecorded.map((message, i) => ({ ...message, row: -(seq + i), tries: 0 })))
    }
  }

  /** Readings alone: the store keeps no room for them on a full disk, and what comes behind them must not wait for that. */
  const isBare = ({ commit }: Waiting): boolean => commit.records.length === 0 && commit.outbox.length === 0 && commit.plan === null

  /**
   * Telemetry stops first: everything that waits becomes one commit without its inputs. The state as it is now takes their place, since
   * without its inputs a snapshot is what recovery has to start from, and the record says that there is a gap.
   */
  function letReadingsGo(): void {
    const chunks = waiting.flatMap(({ commit }) => commit.chunk ?? [])
    const [first, last] = [chunks[0], chunks.at(-1)]
    if (first !== undefined && last !== undefined) {
      const [from_ms, to_ms] = [first.first_ms, last.last_ms]
      for (const { firstSeq, lastSeq } of chunks) droppedInputs += lastSeq - firstSeq + 1
      feed({ kind: 'gap', at_ms: clock.now_ms(), from_ms, to_ms, why: 'the disk took no more telemetry' })
      cut()
    }
    const all = waiting.splice(0)
    lastSnapshot_ms = clock.now_ms()
    isSnapshotDue = false
    waiting.push({
      commit: {
        chunk: null,
        records: all.flatMap(({ commit }) => commit.records),
        outbox: all.flatMap(({ commit }) => commit.outbox),
        snapshot: { seq, at_ms: lastSnapshot_ms, engine: ENGINE_VERSION, planVersion: plan.version, state: JSON.stringify(engine.save()) },
        // Only the last is needed: the inputs of those before it are gone.
        plan: all.findLast(({ commit }) => commit.plan !== null)?.commit.plan ?? null,
      },
      seq,
      // Who was told already is not told again.
      events: all.flatMap(({ told, events }) => (told ? [] : events)),
      done: all.flatMap(({ done }) => done),
      told: false,
    })
  }

  const waitingBytes = (): number => waiting.reduce((sum, one) => sum + (one.commit.chunk?.bytes.byteLength ?? 0), 0)

  function settle(): Promise<void> {
    return new Promise((resolve) => {
      waiters.push(resolve)
      hurry()
    })
  }

  function changePlan(to: Plan, by: string, why: string): void {
    const at_ms = clock.now_ms()
    feed({ kind: 'plan_change', at_ms, from: plan.version, to: to.version, by, why })
    // The very first plan goes with its own inputs.
    if (newPlan !== null) cut(false)
    newPlan = to
    // A state kept here would be behind the plan_change and still on the old plan: recovery would never go over to the new one.
    cut(false)
    plan = to
    writer = createChunkWriter(plan)
    channels = channelsOf(plan)
    isSnapshotDue = true
    take(engine.changePlan(to, at_ms))
  }

  return {
    sink,
    feed,
    command: (command) =>
      new Promise((resolve) => {
        const known = [...engine.units()].some((unit) => [...unit.alarms()].some(({ rule }) => rule.alarm === command.alarm))
        if (!known) {
          // Refused, and on record all the same.
          feed({ kind: 'command', at_ms: clock.now_ms(), ...command })
          return resolve({ kind: 'rejected', why: `there is no alarm ${command.alarm}` })
        }
        outcomes.set(command.id, resolve)
        feed({ kind: 'command', at_ms: clock.now_ms(), ...command })
        // A command that was seen before gives no event: it is done already.
        if (outcomes.delete(command.id)) waiters.push(() => resolve({ kind: 'done', event: 'already_done' }))
        hurry()
      }),
    changePlan,
    settle,
    figures: () => ({
      waitingCommits: waiting.length,
      waitingBytes: waitingBytes() + writer.bytes(),
      unanswered_ms: isCommitting ? clock.now_ms() - commitStarted_ms : 0,
      inputs,
      events: counts,
      droppedInputs,
      commandsWaiting: outcomes.size,
    }),
    close: async () => {
      tick?.timer.cancel()
      isSnapshotDue = true
      await new Promise<void>((resolve) => {
        const late = clock.after(CLOSE_MS, resolve)
        void settle().then(() => {
          // A timer left behind would keep the process from ending.
          late.cancel()
          resolve()
        })
      })
      isClosed = true
    },
  }
}
