import { once } from 'node:events'
import { existsSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { DatabaseSync } from 'node:sqlite'
import { expect, onTestFinished, test, vi } from 'vitest'
import { openHistory, type HistoryOptions } from '../../history/sqlite.ts'
import type { History, StoreNotice } from '../../history/store.ts'
import { chunkOf } from '../contract/history.ts'
import { tool } from '../tool.ts'
import { commit, message, plan, reading, record, T0 } from './made.ts'
import { canMakeDisks, scratch, smallDisk, startCommitter } from './scratch.ts'

const site = plan()
const notices: StoreNotice[] = []
const kinds = (): string[] => notices.map(({ kind }) => kind)
async function open(file: string, options: HistoryOptions = {}): Promise<History> {
  notices.length = 0
  const history = await openHistory(file, { reserveBytes: 65_536, onNotice: (one) => notices.push(one), ...options })
  onTestFinished(() => history.close())
  return history
}
/** A file with 40 inputs in 4 chunks, 4 events, 2 snapshots; closed. */
async function written(): Promise<string> {
  const file = join(scratch(), 'history.db')
  const history = await openHistory(file, { reserveBytes: 0 })
  for (let n = 1; n <= 4; n++) {
    const state = JSON.stringify({ n, text: 'all of the engine '.repeat(20) })
    const snapshot = { seq: 10 * n, at_ms: T0 + n, engine: '1', planVersion: site.version, state }
    const one = record(n, 10 * n)
    await history.commit(
      commit({ plan: site, chunk: chunkOf(site, 10 * n - 9, 10 * n), records: [one], outbox: [message(one.id)], snapshot }),
    )
  }
  await history.close()
  return file
}
function alter(file: string, sql: string): void {
  const db = new DatabaseSync(file)
  db.exec(sql)
  db.close()
}

test('one file, one service: the second is told who has it, and gets it once the first is gone', async () => {
  const file = join(scratch(), 'history.db')
  const first = await open(file)
  const refused = await openHistory(file).catch((error: unknown) => error)
  expect(refused).toMatchObject({ fault: { kind: 'locked' } })
  expect(String(refused)).toContain(`process ${process.pid}`)
  await first.commit(commit({ records: [record(1, 1)] }))
  await first.close()
  expect(await (await open(file)).journal({ limit: 5 })).toHaveLength(1)
})

test('another process that holds it is named, and a killed one holds nothing', async () => {
  const file = join(scratch(), 'history.db')
  const child = startCommitter([file, '1000000', '1'])
  const over = once(child, 'exit')
  await once(createInterface({ input: child.stdout }), 'line')
  await expect(openHistory(file)).rejects.toThrow(`process ${String(child.pid)} on `)
  child.kill('SIGKILL')
  await over
  const history = await open(file)
  expect((await history.recover()).notes).toEqual([])
})

test('a newer file is refused and left as it was, byte for byte', async () => {
  const file = await written()
  alter(file, 'pragma user_version = 99')
  const before = readFileSync(file)
  const refused = await openHistory(file).catch((error: unknown) => error)
  expect(refused).toMatchObject({ fault: { kind: 'newer_schema', found: 99, known: 1 } })
  expect(String(refused)).toMatch(/Install the newer version again/)
  expect(readFileSync(file).equals(before)).toBe(true)
  expect(existsSync(`${file}-wal`)).toBe(false)
})

test.each([
  ['a database of somebody else', (file: string) => alter(file, 'create table theirs (a)')],
  ['no database at all', (file: string) => writeFileSync(file, 'kestrel '.repeat(1000))],
])('%s is refused and left as it was', async (_, make) => {
  const file = join(scratch(), 'history.db')
  make(file)
  const before = readFileSync(file)
  await expect(openHistory(file)).rejects.toMatchObject({ fault: { kind: 'corrupt' } })
  expect(readFileSync(file).equals(before)).toBe(true)
})

test('a folder that cannot be made is said, not thrown as a bug', async () => {
  const file = join(scratch(), 'plain')
  writeFileSync(file, '')
  await expect(openHistory(join(file, 'history.db'))).rejects.toMatchObject({ fault: { kind: 'io' } })
})

test('a damaged chunk is left out as one gap, is named, and everything around it is there', async () => {
  const file = await written()
  alter(file, `update inputs set bytes = cast(substr(bytes, 1, 99) || x'ff' || substr(bytes, 101) as blob) where first_seq = 11`)
  const history = await open(file)
  const inputs = await history.inputs(0, 1000)
  expect(inputs.map(({ seq }) => seq)).toEqual([
    ...Array.from({ length: 10 }, (_, i) => i + 1),
    20,
    ...Array.from({ length: 20 }, (_, i) => i + 21),
  ])
  expect(inputs[10]?.input).toMatchObject({
    kind: 'gap',
    from_ms: T0 + 11_000,
    to_ms: T0 + 20_000,
    why: expect.stringContaining('inputs 11 to 20') as unknown,
  })
  expect(inputs[11]?.input).toEqual(reading(21))
  expect(kinds()).toEqual(['chunk_damaged'])
  expect(await history.verify()).toMatchObject({ ok: false, detail: expect.stringContaining('inputs 11 to 20: its checksum') as unknown })
})

test.each([
  ['the last snapshot', 'where seq = 40', 30, 1],
  ['both snapshots', '', null, 2],
])('%s damaged: recovery falls back and says so', async (_, where, seq, notes) => {
  const file = await written()
  alter(file, `update snapshots set state = replace(state, 'engine', 'engima') ${where}`)
  const history = await open(file)
  const recovery = await history.recover()
  expect(recovery.snapshot?.seq ?? null).toBe(seq)
  expect(recovery.lastSeq).toBe(40)
  expect(recovery.notes).toHaveLength(notes)
  expect(kinds()).toEqual(Array.from({ length: notes }, () => 'snapshot_damaged'))
  expect((await history.inputs(seq ?? 0, 1000))[0]?.seq, 'the inputs to play again are there').toBe((seq ?? 0) + 1)
})

test('a page of the journal overwritten: refused at the start, named, left as it is for whoever repairs it', async () => {
  const file = await written()
  const bytes = readFileSync(file)
  const at = bytes.lastIndexOf('north-01/a:temperature.deviation')
  bytes.fill(0xee, at - (at % 4096), at - (at % 4096) + 4096)
  writeFileSync(file, bytes)
  await expect(openHistory(file, { reserveBytes: 0 })).rejects.toMatchObject({ fault: { kind: 'corrupt' } })
  expect(readFileSync(file).equals(bytes)).toBe(true)
})

test.each([
  ['a value changed in the record', `update journal set body = replace(body, '84.5', '81.5') where row = 2`, 'row 2: its hash'],
  ['a row taken out of the middle', `delete from journal where row = 2`, 'row 3: does not follow'],
  [
    'two rows exchanged',
    `update journal set row = 9 where row = 2; update journal set row = 2 where row = 3; update journal set row = 3 where row = 9`,
    'row 2: does not follow',
  ],
  ['a hash made to fit alone', `update journal set hash = '00' where row = 1`, 'row 1: its hash'],
  ['the recording time changed', `update journal set recorded_ms = recorded_ms - 1 where row = 4`, 'row 4: its hash'],
  [
    'a search column changed, so that queries would miss it',
    `update journal set subject = 'north-09/a' where row = 3`,
    'row 3: the columns',
  ],
])('the chain of the journal shows %s', async (_, sql, said) => {
  const file = await written()
  expect(await (await open(file)).verify().then(({ ok }) => ok)).toBe(true)
  const copy = join(scratch(), 'copy.db')
  const db = new DatabaseSync(file)
  db.prepare('vacuum into ?').run(copy)
  db.close()
  alter(copy, sql)
  expect(await (await open(copy)).verify()).toMatchObject({ ok: false, detail: expect.stringContaining(said) as unknown })
})

const disks: { name: string; place: () => { file: string; more: HistoryOptions; fill: (history: History) => Promise<void> } | null }[] = [
  {
    name: 'a real small disk',
    place: () => {
      const folder = smallDisk(4 * 1024 * 1024)
      const filler = folder === null ? '' : join(folder, 'filler')
      const fill = (): Promise<void> => {
        for (let size = 1024 * 1024; size >= 512; size /= 2) {
          for (let n = 0; n < 8; n++) {
            try {
              writeFileSync(filler, Buffer.alloc(size), { flag: 'a' })
            } catch {
              break
            }
          }
        }
        return Promise.resolve()
      }
      return folder === null ? null : { file: join(folder, 'history.db'), more: {}, fill }
    },
  },
  {
    name: 'a file with a bound',
    place: () => ({ file: join(scratch(), 'history.db'), more: { maxBytes: 1024 * 1024 }, fill: () => Promise.resolve() }),
  },
]

test.each(disks.filter(({ name }) => name !== 'a real small disk' || canMakeDisks()))(
  'full ($name): readings stop first, the journal goes on from the reserve, then says so; room brings all back',
  async ({ place }) => {
    const made = place()
    if (made === null) throw new Error('the disk was there a moment ago')
    const history = await open(made.file, { reserveBytes: 512 * 1024, ...made.more })
    await history.commit(commit({ plan: site, chunk: chunkOf(site, 1, 10) }))
    await made.fill(history)
    let seq = 10
    const refusals: { readonly error: unknown; readonly from: number | null; readonly left: number }[] = []
    const readings = async (): Promise<string> => {
      const chunk = chunkOf(site, seq + 1, seq + 1000)
      try {
        await history.commit(commit({ chunk }))
        seq += 1000
        return 'kept'
      } catch (error) {
        refusals.push({ error, from: seq + 1, left: chunk.bytes.length })
        return 'refused'
      }
    }
    while ((await readings()) === 'kept');
    expect(kinds(), 'readings alone never touch the reserve').toEqual([])
    expect(existsSync(`${made.file}.reserve`)).toBe(true)

    const events: number[] = []
    const big = 'x'.repeat(20_000)
    const event = async (): Promise<boolean> => {
      const n = events.length + 1
      const one = record(n, seq, 'north-01', { comment: big })
      const done = await history.commit(commit({ records: [one], outbox: [message(one.id)] })).catch((error: unknown) => error)
      if (done instanceof Error) {
        refusals.push({ error: done, from: null, left: 0 })
        return false
      }
      events.push(n)
      return true
    }
    while (!kinds().includes('reserve_released')) expect(await event()).toBe(true)
    expect(existsSync(`${made.file}.reserve`)).toBe(false)
    expect(history.figures().reserve).toBe(false)
    expect(await readings()).toBe('refused')
    for (let i = 0; i < 3; i++) expect(await event(), 'the journal goes on').toBe(true)
    while (await event());
    expect(await history.journal({ limit: 1000 }), 'what was receipted, and nothing of what was refused').toHaveLength(events.length)
    expect(history.figures().outboxDepth).toBe(events.length)
    expect(await history.verify()).toMatchObject({ ok: true })
    expect(refusals.length).toBeGreaterThanOrEqual(3)
    for (const { error, from, left } of refusals) {
      // The buffer went away with the commit and comes back with the refusal.
      expect(error).toMatchObject({ fault: { kind: 'disk_full' }, chunk: from === null ? null : { firstSeq: from } })
      expect(left).toBe(0)
    }
    await history.close()
    rmSync(join(made.file, '../filler'), { force: true })
    const again = await open(made.file, { reserveBytes: 512 * 1024 })
    expect(await again.journal({ limit: 1000 })).toHaveLength(events.length)
    await again.commit(commit({ chunk: chunkOf(site, seq + 1, seq + 10) }))
    expect(kinds()).toEqual([])
    expect(statSync(`${made.file}.reserve`).size).toBe(512 * 1024)
  },
)

test.runIf(canMakeDisks())(
  'a full disk that gets room again while the service runs: the reserve comes back, readings are kept, and both are said',
  async () => {
    const folder = smallDisk(4 * 1024 * 1024) ?? ''
    const filler = join(folder, 'filler')
    const history = await open(join(folder, 'history.db'), { reserveBytes: 512 * 1024 })
    await history.commit(commit({ plan: site, chunk: chunkOf(site, 1, 10) }))
    expect(() => {
      for (;;) writeFileSync(filler, Buffer.alloc(4096), { flag: 'a' })
    }).toThrow(/ENOSPC/)
    const comment = 'x'.repeat(20_000)
    for (let n = 1; !kinds().includes('reserve_released'); n++)
      await history.commit(commit({ records: [record(n, 10, 'north-01', { comment })] }))
    const readings = () => history.commit(commit({ chunk: chunkOf(site, 11, 20) }))
    await expect(readings()).rejects.toMatchObject({ fault: { kind: 'disk_full' } })
    rmSync(filler)
    await vi.waitFor(readings, { timeout: 20_000, interval: 100 })
    expect(kinds()).toEqual(['reserve_released', 'reserve_restored'])
    expect(history.figures().reserve).toBe(true)
    expect(await history.inputs(0, 100)).toHaveLength(20)
  },
)

const strace = tool('strace')

test.runIf(strace !== null)(
  'an fsync that fails: refused, connection discarded, file verified, then it goes on (EIO put in by strace)',
  { timeout: 60_000 },
  async () => {
    const folder = scratch()
    const file = join(folder, 'history.db')
    const inject = ['-f', '-o', join(folder, 'trace'), '-e', 'trace=fdatasync,fsync', '-e', 'inject=fdatasync,fsync:error=EIO:when=14']
    const child = startCommitter([file, '25', '1', 'stay'], [strace ?? '', ...inject])
    const lines: string[] = []
    for await (const line of createInterface({ input: child.stdout })) lines.push(line)
    const refused = lines.filter((line) => line.startsWith('F '))
    expect(refused[0]).toMatch(/^F io /)
    const said = lines.filter((line) => line.startsWith('N ')).map((line) => line.split(' ')[1])
    expect(said).toEqual(['connection_discarded', 'connection_back'])
    const ids = lines.filter((line) => line.startsWith('R ')).flatMap((line) => (line.split(' ')[2] ?? '').split(','))
    expect(
      lines.findLastIndex((line) => line.startsWith('R ')),
      'committed again afterwards',
    ).toBeGreaterThan(lines.findLastIndex((line) => line.startsWith('N connection_back')))
    const history = await open(file)
    const kept = new Set((await history.journal({ limit: 10_000 })).map(({ id }) => id))
    expect(ids.filter((id) => !kept.has(id))).toEqual([])
    expect(await history.verify()).toMatchObject({ ok: true })
  },
)
