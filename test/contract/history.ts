import { afterEach, beforeEach, describe, expect, test } from 'vitest'
import { createChunkWriter } from '../../history/chunk.ts'
import type { Chunk, History, OutboxSummary, StoreNotice } from '../../history/store.ts'
import type { Plan } from '../../config/plan.ts'
import { alarmEvent, commit, message, plan, reading, record, T0 } from '../history/made.ts'

export interface StoreOptions {
  readonly outboxBound?: number
  readonly deadLetterBound?: number
  readonly queueBound?: number
  readonly onNotice?: (notice: StoreNotice) => void
}
/** One place where a store keeps things; opened again after `close` it has what was committed. */
export interface Place {
  readonly open: (options?: StoreOptions) => Promise<History>
  readonly remove: () => Promise<void>
}

export function chunkOf(site: Plan, from: number, to: number): Chunk {
  const writer = createChunkWriter(site)
  for (let seq = from; seq <= to; seq++) writer.add(seq, reading(seq))
  const chunk = writer.take()
  if (chunk === null) throw new Error('an empty chunk')
  return chunk
}

/** What every store has to do, whatever it is made of. */
export function historyContract(name: string, newPlace: () => Promise<Place>): void {
  const site = plan()
  let place: Place
  let history: History
  const snapshot = (seq: number, state = `{"at":${seq}}`) => ({
    seq,
    at_ms: T0 + 1000 * seq,
    engine: '1',
    planVersion: site.version,
    state,
  })
  const reopen = async (options?: StoreOptions): Promise<History> => {
    await history.close()
    history = await place.open(options)
    return history
  }

  describe(`${name}: contract of the history`, () => {
    beforeEach(async () => {
      place = await newPlace()
      history = await place.open()
    })
    afterEach(async () => {
      await history.close()
      await place.remove()
    })

    test('a new one is empty', async () => {
      expect(await history.recover()).toEqual({ lastSeq: 0, last_ms: null, snapshot: null, plan: null, outboxDepth: 0, notes: [] })
      expect(await history.inputs(0, 10)).toEqual([])
      expect(await history.journal({ limit: 10 })).toEqual([])
      expect(await history.plan('plan-1')).toBeNull()
    })

    test('what was committed is there after it was opened again, all of it', async () => {
      const one = record(1, 5)
      const receipt = await history.commit(
        commit({ plan: site, chunk: chunkOf(site, 1, 5), records: [one], outbox: [message(one.id)], snapshot: snapshot(3) }),
      )
      expect(receipt.stored).toEqual([{ ...message(one.id), row: 1, tries: 0 }])
      expect(receipt.synced_ms).toBeGreaterThan(Date.UTC(2024, 0))
      await reopen()
      expect(await history.recover()).toEqual({
        lastSeq: 5,
        last_ms: T0 + 5000,
        snapshot: snapshot(3),
        plan: site,
        outboxDepth: 1,
        notes: [],
      })
      expect(await history.inputs(0, 100)).toEqual([1, 2, 3, 4, 5].map((seq) => ({ seq, input: reading(seq), planVersion: site.version })))
      expect(await history.journal({ limit: 10 })).toMatchObject([{ ...one, row: 1 }])
      expect(await history.pending('mqtt', 0, 10)).toEqual(receipt.stored)
      expect(await history.plan(site.version)).toEqual(site)
      expect(await history.verify()).toMatchObject({ ok: true })
    })

    test('all or nothing: a commit that cannot be is not there at all, and the next is', async () => {
      const late = record(1, 1)
      const before = commit({ records: [record(2, 1)], outbox: [message('x')], chunk: chunkOf(plan('never-stored'), 1, 2) })
      await expect(history.commit(before)).rejects.toThrow(/never-stored/)
      expect(await history.journal({ limit: 10 })).toEqual([])
      expect(await history.pending('mqtt', 0, 10)).toEqual([])
      await history.commit(commit({ plan: site, chunk: chunkOf(site, 1, 2), records: [late] }))
      expect(await history.verify()).toMatchObject({ ok: true })
      expect((await history.journal({ limit: 10 })).map(({ id }) => id)).toEqual([late.id])
    })

    test('all or nothing: what was written before the fault is taken back, chain, outbox and counts', async () => {
      await history.commit(commit({ plan: site, chunk: chunkOf(site, 1, 2), records: [record(1, 1)], outbox: [message('a')] }))
      const broken = record(3, 4, 'north-01', { value: Number.NaN })
      const parts = { plan: plan('plan-2'), chunk: chunkOf(site, 3, 4), records: [record(2, 3), broken], outbox: [message('b')] }
      await expect(history.commit(commit(parts))).rejects.toThrow(/no canonical form/)
      await history.commit(commit({ chunk: chunkOf(site, 3, 4), records: [record(2, 3)], outbox: [message('c')] }))
      expect((await history.journal({ limit: 10 })).map(({ seq }) => seq)).toEqual([1, 3])
      expect((await history.pending('mqtt', 0, 10)).map(({ id }) => id)).toEqual(['a', 'c'])
      expect(await history.plan('plan-2')).toBeNull()
      expect(history.figures().outboxDepth).toBe(2)
      expect(await history.verify()).toMatchObject({ ok: true })
    })

    test('commits handed in together: a bad one among them takes no other along', async () => {
      const good = (n: number) => history.commit(commit({ records: [record(n, n)], outbox: [message(record(n, n).id)] }))
      const bad = history.commit(commit({ records: [record(50, 1)], chunk: chunkOf(plan('never-stored'), 1, 2) }))
      const [a, b, c, d] = await Promise.allSettled([good(1), bad, good(2), good(3)])
      expect([a.status, b.status, c.status, d.status]).toEqual(['fulfilled', 'rejected', 'fulfilled', 'fulfilled'])
      expect((await history.journal({ limit: 10 })).map(({ event }) => event.eventNo)).toEqual([1, 2, 3])
      expect(history.figures().outboxDepth).toBe(3)
      expect(await history.verify()).toMatchObject({ ok: true })
    })

    test('the oldest message that waits is known of each channel, and moves on as they are delivered', async () => {
      expect(history.figures().oldestPending_ms).toEqual({})
      const waiting = [['mqtt', 5] as const, ['webhook', 7] as const, ['mqtt', 9] as const]
      const outbox = waiting.map(([channel, made]) => message(`m${made}`, { channel, made_ms: T0 + made }))
      const { stored } = await history.commit(commit({ outbox }))
      expect(history.figures().oldestPending_ms).toEqual({ mqtt: T0 + 5, webhook: T0 + 7 })
      await history.delivered(stored.slice(0, 2).map(({ row }) => row))
      expect(history.figures().oldestPending_ms).toEqual({ mqtt: T0 + 9 })
      await history.delivered(stored.map(({ row }) => row))
      expect(history.figures().oldestPending_ms).toEqual({})
    })

    test('overlapping inputs are refused; the same chunk again is taken as what it is', async () => {
      await history.commit(commit({ plan: site, chunk: chunkOf(site, 1, 5) }))
      await expect(history.commit(commit({ chunk: chunkOf(site, 4, 8) }))).rejects.toThrow(/stored already/)
      await history.commit(commit({ chunk: chunkOf(site, 1, 5) }))
      expect(await history.inputs(0, 100)).toHaveLength(5)
    })

    test('an event that comes again word for word is no new row and no new message, even after delivery', async () => {
      const one = commit({ records: [record(1, 1)], outbox: [message(record(1, 1).id), message(record(1, 1).id, { channel: 'webhook' })] })
      const first = await history.commit(one)
      expect(first.stored.map(({ row, channel }) => [row, channel])).toEqual([
        [1, 'mqtt'],
        [2, 'webhook'],
      ])
      await history.delivered([1])
      const again = await history.commit(one)
      expect(again).toMatchObject({ stored: [], doubles: [record(1, 1).id], conflicts: [] })
      expect(await history.journal({ limit: 10 })).toHaveLength(1)
      expect((await history.pending('mqtt', 0, 10)).length + (await history.pending('webhook', 0, 10)).length).toBe(1)
    })

    test('the same id with other content: the record stands, the new content is kept, somebody is told', async () => {
      const notices: StoreNotice[] = []
      await reopen({ onNotice: (notice) => notices.push(notice) })
      await history.commit(commit({ records: [record(1, 1)] }))
      const receipt = await history.commit(
        commit({ records: [record(1, 1, 'north-01', { value: 99 })], outbox: [message(record(1, 1).id)] }),
      )
      expect(receipt).toMatchObject({ stored: [], doubles: [], conflicts: [record(1, 1).id] })
      expect((await history.journal({ limit: 10 })).map(({ event }) => event.kind === 'alarm' && event.value)).toEqual([84.5])
      expect(history.figures().conflicts).toBe(1)
      expect(notices.map(({ kind }) => kind)).toContain('id_conflict')
    })

    test('inputs come in pages, across chunks, each decoded with its own plan', async () => {
      const next = plan('plan-2', ['south-09', 'north-01'])
      await history.commit(commit({ plan: site, chunk: chunkOf(site, 1, 10) }))
      await history.commit(commit({ plan: next, chunk: chunkOf(next, 11, 20) }))
      await history.commit(commit({ chunk: chunkOf(next, 31, 40) }))
      const seen: number[] = []
      for (let after = 0; ;) {
        const page = await history.inputs(after, 7)
        for (const { seq, input, planVersion } of page) {
          seen.push(seq)
          expect(input).toEqual(reading(seq))
          expect(planVersion).toBe(seq <= 10 ? 'plan-1' : 'plan-2')
        }
        const last = page.at(-1)
        if (last === undefined) break
        after = last.seq
      }
      expect(seen).toEqual([...Array.from({ length: 20 }, (_, i) => i + 1), ...Array.from({ length: 10 }, (_, i) => i + 31)])
      expect((await history.inputs(25, 2)).map(({ seq }) => seq)).toEqual([31, 32])
      expect((await history.recover()).plan).toEqual(next)
    })

    test.each([
      ['from, inclusive, to, exclusive', { from_ms: T0 + 3000, to_ms: T0 + 5000 }, [3, 4]],
      ['one alarm', { alarm: 'north-01/a:temperature.deviation' }, [1, 3, 5]],
      ['one circuit', { circuit: 'north-02/a' }, [2, 4, 6]],
      ['after a row', { afterRow: 4 }, [5, 6, 7]],
      ['a unit as such', { circuit: 'north-03' }, [7]],
      ['all filters at once', { afterRow: 1, from_ms: T0, to_ms: T0 + 5000, circuit: 'north-01/a' }, [3]],
      ['a limit', { limit: 2 }, [1, 2]],
    ])('the journal is asked by %s', async (_, query, rows) => {
      for (let n = 1; n <= 6; n++) await history.commit(commit({ records: [record(n, n, n % 2 === 1 ? 'north-01' : 'north-02')] }))
      await history.commit(commit({ records: [record(7, 7, 'north-03', { circuit: null, alarm: 'north-03:contact_lost' })] }))
      expect((await history.journal({ limit: 100, ...query })).map(({ row }) => row)).toEqual(rows)
    })

    test('two snapshots are kept, and inputs since the older one outlive forgetting; the journal is never touched', async () => {
      await history.commit(commit({ plan: site, chunk: chunkOf(site, 1, 10), records: [record(1, 3)] }))
      await history.forgetInputs(T0 + 1e9)
      expect(await history.inputs(0, 100), 'without a snapshot all are needed').toHaveLength(10)
      await history.commit(commit({ chunk: chunkOf(site, 11, 20), snapshot: snapshot(10) }))
      await history.commit(commit({ chunk: chunkOf(site, 21, 30), snapshot: snapshot(20) }))
      await history.commit(commit({ chunk: chunkOf(site, 31, 40), snapshot: snapshot(40) }))
      await history.forgetInputs(T0 + 15_000)
      expect((await history.inputs(0, 100))[0]?.seq, 'only chunks that are wholly older').toBe(11)
      await history.forgetInputs(T0 + 1e9)
      expect((await history.inputs(0, 100))[0]?.seq, 'snapshot 20 is the older one kept').toBe(21)
      expect(await history.journal({ limit: 10 })).toHaveLength(1)
      expect((await history.recover()).snapshot?.seq).toBe(40)
      expect(await history.verify()).toMatchObject({ ok: true })
    })

    test('sequence numbers of records count in recovery too, so that none is given twice', async () => {
      await history.commit(commit({ plan: site, chunk: chunkOf(site, 1, 5) }))
      await history.commit(commit({ records: [record(1, 9)] }))
      await reopen()
      expect((await history.recover()).lastSeq).toBe(9)
    })

    test('the outbox: in order, per channel, and delivered ones are gone for good', async () => {
      const rows: number[] = []
      for (let n = 1; n <= 5; n++) {
        const { id } = record(n, n)
        const { stored } = await history.commit(
          commit({ records: [record(n, n)], outbox: [message(id), message(id, { channel: 'webhook' })] }),
        )
        rows.push(...stored.map(({ row }) => row))
      }
      expect(rows).toEqual(rows.toSorted((a, b) => a - b))
      const mine = await history.pending('mqtt', 0, 3)
      expect(mine.map(({ id }) => id)).toEqual([1, 2, 3].map((n) => record(n, n).id))
      await history.delivered(mine.map(({ row }) => row))
      expect((await history.pending('mqtt', 0, 10)).map(({ id }) => id)).toEqual([4, 5].map((n) => record(n, n).id))
      expect(await history.pending('mqtt', rows.at(-1) ?? 0, 10)).toEqual([])
      expect(history.figures().outboxDepth).toBe(7)
      await reopen()
      expect((await history.recover()).outboxDepth).toBe(7)
      expect(await history.pending('webhook', 0, 10)).toHaveLength(5)
    })

    test('a row number is never given twice, even when the outbox was empty in between', async () => {
      const first = await history.commit(commit({ outbox: [message('a')] }))
      await history.delivered(first.stored.map(({ row }) => row))
      await reopen()
      const second = await history.commit(commit({ outbox: [message('b')] }))
      expect(second.stored[0]?.row).toBeGreaterThan(first.stored[0]?.row ?? Infinity)
    })

    test('refused for good: out of the queue, on the list with its reason; the list has a bound', async () => {
      const notices: StoreNotice[] = []
      await reopen({ deadLetterBound: 3, onNotice: (notice) => notices.push(notice) })
      const { stored } = await history.commit(commit({ outbox: ['a', 'b', 'c', 'd', 'e'].map((id) => message(id)) }))
      for (const { row, id } of stored.slice(0, 4)) await history.dead(row, `receiver does not want ${id}`)
      await history.dead(9999, 'no such row')
      expect((await history.deadLetters(10)).map(({ id, why }) => [id, why])).toEqual(
        ['d', 'c', 'b'].map((id) => [id, `receiver does not want ${id}`]),
      )
      expect((await history.pending('mqtt', 0, 10)).map(({ id }) => id)).toEqual(['e'])
      expect(history.figures()).toMatchObject({ deadLetters: 3, outboxDepth: 1 })
      expect(notices.map(({ kind }) => kind)).toContain('dead_letters_dropped')
    })

    test('at the bound of the outbox one summary per channel replaces the oldest of the lowest priority', async () => {
      const notices: StoreNotice[] = []
      await reopen({ outboxBound: 20, onNotice: (notice) => notices.push(notice) })
      const put = (n: number, priority: 'low' | 'medium' | 'high', channel = 'mqtt') =>
        history.commit(commit({ outbox: [message(`m${n}`, { priority, channel, made_ms: T0 + n })] }))
      for (let n = 0; n < 10; n++) await put(n, 'low', n % 2 === 0 ? 'mqtt' : 'webhook')
      for (let n = 10; n < 40; n++) await put(n, n % 3 === 0 ? 'high' : 'medium')
      const waiting = [...(await history.pending('mqtt', 0, 100)), ...(await history.pending('webhook', 0, 100))]
      expect(waiting.length).toBeLessThanOrEqual(20)
      expect(waiting.length).toBe(history.figures().outboxDepth)
      const summaries = waiting.filter(({ id }) => id.startsWith('summary:'))
      expect(summaries.map(({ channel }) => channel).toSorted()).toEqual(['mqtt', 'webhook'])
      const bodies = summaries.map(({ body }) => JSON.parse(body) as OutboxSummary)
      const told = bodies.reduce((sum, { count }) => sum + count, 0)
      expect(told + waiting.length - summaries.length, 'every message is there or counted').toBe(40)
      expect(history.figures().summarised).toBe(told)
      expect(bodies.every(({ byPriority }) => byPriority.high === 0)).toBe(true)
      expect(waiting.filter(({ priority, id }) => priority === 'high' && !id.startsWith('summary:'))).toHaveLength(10)
      expect(bodies[0]).toMatchObject({ kind: 'summary', first_ms: T0 })
      expect(notices.map(({ kind }) => kind)).toContain('outbox_summarised')
      await reopen()
      expect((await history.recover()).outboxDepth).toBe(waiting.length)
      expect(history.figures().summarised).toBe(told)
    })

    test('more handed in than it takes: refused at once and said, records last', async () => {
      await reopen({ queueBound: 4 })
      const many = Array.from({ length: 10 }, (_, i) => history.commit(commit({ snapshot: snapshot(i + 1) })))
      const records = Array.from({ length: 10 }, (_, i) => history.commit(commit({ records: [record(i + 1, i + 1)] })))
      const bare = await Promise.allSettled(many)
      expect(bare.filter(({ status }) => status === 'fulfilled')).toHaveLength(4)
      expect(bare.find((one) => one.status === 'rejected')?.reason).toMatchObject({ fault: { kind: 'overloaded' } })
      await Promise.all(records)
      expect(await history.journal({ limit: 100 })).toHaveLength(10)
      expect(history.figures()).toMatchObject({ queueDepth: 0, queueBytes: 0, refused: 6 })
    })

    test('a garbled text from outside keeps no event out of the journal', async () => {
      const event = alarmEvent(1, 'north-01', { comment: 'half \ud83d a sign' })
      await history.commit(commit({ records: [{ ...record(1, 1), event }] }))
      expect((await history.journal({ limit: 1 }))[0]?.event).toMatchObject({ comment: 'half \ufffd a sign' })
      expect(await history.verify()).toMatchObject({ ok: true })
    })

    test('closed: says so, and twice is no harm', async () => {
      await history.close()
      await history.close()
      await expect(history.commit(commit({ records: [record(1, 1)] }))).rejects.toMatchObject({ fault: { kind: 'closed' } })
      await expect(history.journal({ limit: 1 })).rejects.toMatchObject({ fault: { kind: 'closed' } })
    })
  })
}
