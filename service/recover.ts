import { messagesFor, channelsOf, type Identified } from '../alerts/outbox-messages.ts'
import type { Plan } from '../config/plan.ts'
import { eventId } from '../history/identity.ts'
import type { History, JournalRecord, Snapshot } from '../history/store.ts'
import { coldState } from '../rules/cold.ts'
import { ENGINE_VERSION, openEngine, type Engine, type EngineState } from '../rules/engine.ts'
import type { Event } from '../rules/event.ts'
import type { Numbers } from '../rules/numbers.ts'

const PAGE = 2000

export interface Recovered {
  readonly engine: Engine
  readonly lastSeq: number
  readonly last_ms: number | null
  /** The file has no plan yet: the first start. */
  readonly isNew: boolean
  /** The last input was a clean stop; otherwise the service was killed and up to a second of telemetry is missing. */
  readonly wasStopped: boolean
  readonly replayed: number
  /** A snapshot of another engine version cannot be gone on from: it starts cold, with a record. */
  readonly isCold: boolean
}

/**
 * State as of the last durable input: last snapshot plus replay, by the very engine that judges live. Events that the replay gives
 * again are committed again; the journal knows them by id and keeps one. `fallback`: the plan where the file has none.
 */
export async function recover(history: History, fallback: Plan): Promise<Recovered> {
  const kept = await history.recover()
  const { snapshot } = kept
  const usable = snapshot !== null && snapshot.engine === ENGINE_VERSION
  const isCold = snapshot !== null && !usable
  const first = isCold ? (kept.plan ?? fallback) : await planOf(history, await startsWith(history, snapshot), kept.plan ?? fallback)
  // Written by save() of the same engine version.
  const warm = usable ? (JSON.parse(snapshot.state) as EngineState) : null
  const engine = openEngine(first, isCold ? coldState(first, await lastNumbers(history)) : warm)
  let seq = usable ? snapshot.seq : isCold ? kept.lastSeq : 0
  let replayed = 0
  for (;;) {
    const page = await history.inputs(seq, PAGE)
    if (page.length === 0) break
    const records: JournalRecord[] = []
    const named: Identified[] = []
    for (const { seq: number, input } of page) {
      seq = number
      replayed += 1
      const note = (events: readonly Event[]): void => {
        // The site of the plan that they happened on: an id must not depend on what came later.
        const { site } = engine.plan()
        for (const event of events) {
          const id = eventId(site, event)
          records.push({ id, seq, engine: ENGINE_VERSION, event })
          named.push({ id, event })
        }
      }
      note(engine.step(input))
      if (input.kind === 'plan_change') {
        const to = await history.plan(input.to)
        if (to !== null) note(engine.changePlan(to, input.at_ms))
      }
    }
    if (records.length === 0) continue
    const plan = engine.plan()
    const outbox = messagesFor(named, plan, channelsOf(plan), records.at(-1)?.event.at_ms ?? 0)
    await history.commit({ chunk: null, records, outbox, snapshot: null, plan: null })
  }
  return {
    engine,
    lastSeq: Math.max(seq, kept.lastSeq),
    last_ms: kept.last_ms,
    isNew: kept.plan === null,
    wasStopped: engine.wasStopped(),
    replayed,
    isCold,
  }
}

/** The highest number of every alarm and subject in the journal: a state that starts cold must not give an id a second time. */
async function lastNumbers(history: History): Promise<Numbers> {
  const numbers = { events: new Map<string, number>(), activations: new Map<string, number>(), records: new Map<string, number>() }
  const raise = (map: Map<string, number>, key: string, value: number): void => void map.set(key, Math.max(map.get(key) ?? 0, value))
  for (let afterRow = 0; ;) {
    const page = await history.journal({ afterRow, limit: PAGE })
    for (const { event } of page) {
      if (event.kind === 'record') raise(numbers.records, event.subject, event.eventNo)
      else {
        raise(numbers.events, event.alarm, event.eventNo)
        raise(numbers.activations, event.alarm, event.activation)
      }
    }
    const last = page.at(-1)
    if (last === undefined) return numbers
    afterRow = last.row
  }
}

/** Version of the plan that the replay begins on. Without a snapshot that of the first inputs: the last plan may have come after them. */
async function startsWith(history: History, snapshot: Snapshot | null): Promise<string | null> {
  return snapshot?.planVersion ?? (await history.inputs(0, 1))[0]?.planVersion ?? null
}

async function planOf(history: History, version: string | null, other: Plan): Promise<Plan> {
  return (version === null ? null : await history.plan(version)) ?? other
}
