import { mkdir } from 'node:fs/promises'
import { dirname, extname, resolve } from 'node:path'
import { Worker } from 'node:worker_threads'
import type { Plan } from '../config/plan.ts'
import type { Sequenced } from '../rules/input.ts'
import { readChunk } from './chunk.ts'
import { storeError } from './faults.ts'
import type { Answered, Answers, Ask, FromThread, Settings, Start, ThreadFigures } from './messages.ts'
import {
  OUTBOX_BOUND,
  STORE_QUEUE_BOUND,
  StoreError,
  type Chunk,
  type Commit,
  type History,
  type Receipt,
  type Recovery,
  type StoreFault,
  type StoreNotice,
} from './store.ts'

export interface HistoryOptions {
  /** Disk space put aside for the journal on a full disk; default 16 MB, 0: none. */
  readonly reserveBytes?: number
  /** The history file may not grow past this; default: as far as the disk goes. */
  readonly maxBytes?: number | null
  /** Messages that may wait, all channels together; default 100 000. */
  readonly outboxBound?: number
  /** Refused messages that are kept; default 10 000. */
  readonly deadLetterBound?: number
  /** Commits that may wait for the disk; beyond it those without a record are refused, beyond eight times it all. Default 256. */
  readonly queueBound?: number
  /** Told of everything that a person should know though the store goes on. */
  readonly onNotice?: (notice: StoreNotice) => void
}

/**
 * The embedded store: one SQLite file with its own threads. Rejects with StoreError `newer_schema`, `locked`, `corrupt`,
 * `disk_full` or `io`; the file is then as it was. Makes the folder where it is missing.
 */
export async function openHistory(path: string, options: HistoryOptions = {}): Promise<History> {
  const file = resolve(path)
  const notice = options.onNotice ?? ((): void => undefined)
  const settings: Settings = {
    file,
    reserveBytes: options.reserveBytes ?? 16 * 1024 * 1024,
    maxBytes: options.maxBytes ?? null,
    outboxBound: options.outboxBound ?? OUTBOX_BOUND,
    deadLetterBound: options.deadLetterBound ?? 10_000,
  }
  await mkdir(dirname(file), { recursive: true }).catch((error: unknown) => {
    throw storeError({ kind: 'io', detail: String(error) }, file)
  })
  const queueBound = options.queueBound ?? STORE_QUEUE_BOUND
  let figures: ThreadFigures = NOTHING_YET
  let commits = 0
  let refused = 0
  let queueDepth = 0
  let queueBytes = 0
  let closing: Promise<void> | null = null
  let verifying: Promise<Answers['verify']> | null = null
  const plans = new Map<string, Plan>()

  const heard = (answered: Answered): void => {
    if (answered.figures !== null) figures = answered.figures
    for (const one of answered.notices) notice(one)
  }
  const store = await startThread({ role: 'write', settings }, heard)
  let reader: Promise<Thread> | null = null
  const askReader = async <K extends Ask['kind']>(ask: Extract<Ask, { kind: K }>): Promise<Answers[K]> => {
    // One that died is replaced: a reader holds nothing that could be lost.
    if (reader !== null && (await reader).isDead()) reader = null
    if (closing !== null) throw storeError({ kind: 'closed', detail: 'as asked' }, file)
    reader ??= startThread({ role: 'read', settings }, heard)
    return (await reader).ask<K>(ask)
  }

  async function commit(commit: Commit): Promise<Receipt> {
    const bound = commit.records.length > 0 || commit.outbox.length > 0 ? 8 * queueBound : queueBound
    if (queueDepth >= bound) {
      refused++
      throw storeError({ kind: 'overloaded', detail: `${queueDepth} commits are waiting for the disk` }, file)
    }
    const { chunk } = commit
    const size = chunk?.bytes.byteLength ?? 0
    queueDepth++
    queueBytes += size
    try {
      const receipt = await store.ask<'commit'>({ kind: 'commit', commit }, chunk === null ? [] : ownBuffer(chunk))
      commits++
      return receipt
    } catch (error) {
      refused++
      throw error
    } finally {
      queueDepth--
      queueBytes -= size
    }
  }
  async function plan(version: string): Promise<Plan | null> {
    const known = plans.get(version)
    if (known !== undefined) return known
    const found = parsePlan(await store.ask<'plan'>({ kind: 'plan', version }))
    // A handful: what a recovery meets, not every plan of the years.
    if (plans.size >= 8) plans.clear()
    if (found !== null) plans.set(version, found)
    return found
  }
  async function recover(): Promise<Recovery> {
    const { notices, ...raw } = await store.ask<'recover'>({ kind: 'recover' })
    for (const one of notices) notice(one)
    return { ...raw, plan: parsePlan(raw.plan), notes: notices.map(({ text }) => text) }
  }
  async function inputs(afterSeq: number, limit: number): Promise<readonly (Sequenced & { readonly planVersion: string })[]> {
    const page: (Sequenced & { readonly planVersion: string })[] = []
    for (const chunk of await askReader<'chunks'>({ kind: 'chunks', afterSeq, limit })) {
      const { planVersion } = chunk
      for (const { seq, input } of decode(chunk, await plan(planVersion))) {
        if (seq > afterSeq && page.length < limit) page.push({ seq, input, planVersion })
      }
    }
    return page
  }
  function decode(chunk: Chunk, plan: Plan | null): readonly Sequenced[] {
    const which = `inputs ${chunk.firstSeq} to ${chunk.lastSeq}`
    try {
      if (plan === null) throw new StoreError({ kind: 'corrupt', detail: `plan ${chunk.planVersion} is missing` }, '')
      return readChunk(chunk.bytes, plan)
    } catch (error) {
      if (!(error instanceof StoreError) || error.fault.kind !== 'corrupt') throw error
      const why = `${which} are damaged: ${error.fault.detail}`
      notice({
        kind: 'chunk_damaged',
        text: `${file}: ${why}. They are left out as a gap; everything before and after is used. Check the disk.`,
      })
      const { first_ms: from_ms, last_ms: to_ms, lastSeq: seq } = chunk
      return [{ seq, input: { kind: 'gap', at_ms: to_ms, from_ms, to_ms, why } }]
    }
  }
  async function forgetInputs(before_ms: number): Promise<void> {
    // In bites, so that commits come in between.
    while ((await store.ask<'forget'>({ kind: 'forget', before_ms })) > 0);
  }
  /** In a thread of its own: it reads the whole file, and questions should not wait for that. */
  async function verifyAll(): Promise<Answers['verify']> {
    const thread = await startThread({ role: 'read', settings }, heard)
    try {
      return await thread.ask<'verify'>({ kind: 'verify' })
    } finally {
      await thread.end()
    }
  }
  async function closeAll(): Promise<void> {
    await verifying?.catch(() => null)
    if (reader !== null) await (await reader).end()
    if (!store.isDead()) await store.ask<'close'>({ kind: 'close' })
    await store.end()
  }
  return {
    commit,
    recover,
    inputs,
    plan,
    journal: (query) => askReader<'journal'>({ kind: 'journal', query }),
    pending: (channel, afterRow, limit) => store.ask<'pending'>({ kind: 'pending', channel, afterRow, limit }),
    delivered: async (rows) => {
      if (rows.length > 0) await store.ask<'delivered'>({ kind: 'delivered', rows })
    },
    dead: async (row, why) => {
      await store.ask<'dead'>({ kind: 'dead', row, why })
    },
    deadLetters: (limit) => store.ask<'deadLetters'>({ kind: 'deadLetters', limit }),
    forgetInputs,
    verify: () => {
      verifying ??= verifyAll().finally(() => {
        verifying = null
      })
      return verifying
    },
    figures: () => ({ ...figures, commits, refused, queueDepth, queueBytes }),
    close: () => (closing ??= closeAll()),
  }

  function startThread(start: Start, heard: (answered: Answered) => void): Promise<Thread> {
    return openThread(start, heard, file)
  }
}

const NOTHING_YET: ThreadFigures = {
  transactions: 0,
  commitSeconds: 0,
  outboxDepth: 0,
  oldestPending_ms: {},
  deadLetters: 0,
  fileBytes: 0,
  summarised: 0,
  conflicts: 0,
  reserve: true,
}

/** Written by commit from this very type. */
const parsePlan = (text: string | null): Plan | null => (text === null ? null : (JSON.parse(text) as Plan))

/** The buffer may go to the other thread whole only if the chunk is all there is in it; otherwise it is copied. */
function ownBuffer({ bytes }: Chunk): ArrayBuffer[] {
  const { buffer } = bytes
  return buffer instanceof ArrayBuffer && buffer.byteLength === bytes.byteLength ? [buffer] : []
}

interface Thread {
  readonly ask: <K extends Ask['kind']>(ask: Extract<Ask, { kind: K }>, transfer?: readonly ArrayBuffer[]) => Promise<Answers[K]>
  readonly isDead: () => boolean
  readonly end: () => Promise<void>
}
interface Waiting {
  readonly resolve: (value: Answers[keyof Answers]) => void
  readonly reject: (error: Error) => void
}

function openThread(start: Start, heard: (answered: Answered) => void, file: string): Promise<Thread> {
  // The entry is .ts in a clone and .js in a release, like this file.
  const worker = new Worker(new URL(`./store-thread${extname(import.meta.url)}`, import.meta.url), { workerData: start })
  const waiting = new Map<number, Waiting>()
  let nextId = 1
  let dead: StoreFault | null = null

  function die(detail: string): void {
    dead ??= { kind: 'closed', detail }
    for (const { reject } of waiting.values()) reject(storeError(dead, file))
    waiting.clear()
  }
  function settle(answered: Answered): void {
    heard(answered)
    for (const reply of answered.replies) {
      const one = waiting.get(reply.id)
      waiting.delete(reply.id)
      if (reply.ok) one?.resolve(reply.value)
      else one?.reject(reply.fault === null ? new Error(reply.message) : new StoreError(reply.fault, reply.message, reply.chunk))
    }
  }
  const thread: Thread = {
    ask: <K extends Ask['kind']>(ask: Extract<Ask, { kind: K }>, transfer: readonly ArrayBuffer[] = []) =>
      new Promise<Answers[K]>((resolve, reject) => {
        if (dead !== null) return reject(storeError(dead, file))
        const id = nextId++
        worker.postMessage({ id, ask }, transfer)
        // The thread answers a question of kind K with Answers[K]: perform, look and answer there are typed by kind.
        waiting.set(id, { resolve: resolve as Waiting['resolve'], reject })
      }),
    isDead: () => dead !== null,
    end: async () => {
      die('as asked')
      await worker.terminate()
    },
  }
  return new Promise((resolve, reject) => {
    worker.on('error', (error) => {
      die(`its thread died: ${String(error)}`)
      reject(error)
    })
    worker.on('exit', () => {
      die('its thread ended')
      // Says nothing where it was open or refused already.
      reject(storeError({ kind: 'closed', detail: 'its thread ended' }, file))
    })
    worker.on('message', (message: FromThread) => {
      switch (message.kind) {
        case 'open':
          return resolve(thread)
        case 'refused':
          dead = message.fault
          return reject(new StoreError(message.fault, message.message))
        case 'answered':
          return settle(message)
      }
    })
    if (start.role === 'read') resolve(thread)
  })
}
