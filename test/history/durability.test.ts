import { once } from 'node:events'
import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { expect, test } from 'vitest'
import { openHistory } from '../../history/sqlite.ts'
import type { StoredRecord } from '../../history/store.ts'
import { tool } from '../tool.ts'
import { scratch, startCommitter } from './scratch.ts'

const KILLS = 50

test(
  `killed ${KILLS} times with SIGKILL while it commits: nothing receipted is lost, nothing is there twice, no event without its input`,
  { timeout: 120_000 },
  async () => {
    const file = join(scratch(), 'history.db')
    const receipted = new Set<string>()
    let reached = 0
    let killedInFlight = 0
    let replayedDoubles = 0
    const restarts: { readonly stored: string; readonly conflicts: string | undefined; readonly isBehind: boolean }[] = []
    for (let kill = 0; kill < KILLS; kill++) {
      const child = startCommitter([file, '1000000', '3'])
      const over = once(child, 'exit')
      let lines = 0
      // A random number of receipts, then a random moment within the next commit: never the same place twice.
      const killAfter = Math.floor(Math.random() * 30)
      const delay_ms = Math.random() * 4
      let errors = ''
      child.stderr.on('data', (data: Buffer) => (errors += data.toString()))
      for await (const line of createInterface({ input: child.stdout })) {
        const [kind, seq = '', ids = '', conflicts, doubles] = line.split(' ')
        if (kind === 'S') {
          restarts.push({ stored: ids, conflicts, isBehind: Number(seq) < reached })
          replayedDoubles += Number(doubles)
        } else {
          reached = Math.max(reached, Number(seq))
          for (const id of ids.split(',')) receipted.add(id)
        }
        if (lines++ === killAfter) setTimeout(() => child.kill('SIGKILL'), delay_ms)
        if (lines > killAfter + 1) killedInFlight++
      }
      expect([(await over)[1], errors]).toEqual(['SIGKILL', ''])
    }
    const history = await openHistory(file, { reserveBytes: 0 })
    try {
      const inputs = new Set((await history.inputs(0, 10_000_000)).map(({ seq }) => seq))
      const records: StoredRecord[] = []
      for (;;) {
        const page = await history.journal({ afterRow: records.at(-1)?.row ?? 0, limit: 5000 })
        if (page.length === 0) break
        records.push(...page)
      }
      const ids = new Set(records.map(({ id }) => id))
      expect(
        [...receipted].filter((id) => !ids.has(id)),
        'receipted and lost',
      ).toEqual([])
      expect(ids.size, 'no id twice').toBe(records.length)
      expect(
        records.filter(({ seq }) => !inputs.has(seq)),
        'events ahead of their inputs',
      ).toEqual([])
      const { lastSeq } = await history.recover()
      expect(inputs.size, 'every input from the first to the last, none missing in between').toBe(lastSeq)
      expect(lastSeq).toBeGreaterThanOrEqual(reached)
      const waiting = await history.pending('mqtt', 0, 10_000_000)
      expect(new Set(waiting.map(({ id }) => id)).size).toBe(waiting.length)
      expect(
        waiting.every(({ id }) => ids.has(id)),
        'nobody is told what is not in the journal',
      ).toBe(true)
      expect(await history.verify()).toMatchObject({ ok: true })
      // After every kill: no new message, no other content, and on from no earlier than what was receipted.
      expect(restarts).toEqual(Array.from({ length: KILLS }, () => ({ stored: '0', conflicts: '0', isBehind: false })))
      // That the loop reached what it is about.
      expect(receipted.size).toBeGreaterThan(KILLS * 5)
      expect(killedInFlight).toBeGreaterThan(KILLS / 2)
      expect(replayedDoubles).toBeGreaterThan(KILLS)
    } finally {
      await history.close()
    }
  },
)

const strace = tool('strace')

test.runIf(strace !== null)(
  'the log is fsynced before a receipt is printed, every time (seen by strace)',
  { timeout: 60_000 },
  async () => {
    const folder = scratch()
    const trace = join(folder, 'trace')
    const calls = 'trace=fsync,fdatasync,write,pwrite64,pwritev'
    const child = startCommitter([join(folder, 'history.db'), '40', '1'], [strace ?? '', '-f', '-y', '-s', '16', '-e', calls, '-o', trace])
    child.stdout.resume()
    expect((await once(child, 'exit'))[0]).toBe(0)
    const seen = judge(readFileSync(trace, 'utf8').split('\n'))
    expect(seen.early, 'receipts printed while something in the log was not yet on the disk').toEqual([])
    expect(seen.receipts).toBe(40)
    expect(seen.logWrites).toBeGreaterThanOrEqual(40)
    expect(seen.syncedBetween, 'each receipt has an fsync of its own before it').toBe(40)
  },
)

test('the judge of the trace can say no', () => {
  const write = '7 pwrite64(20</x/history.db-wal>, "..", 4096, 32) = 4096'
  const sync = '7 fdatasync(20</x/history.db-wal>) = 0'
  const receipt = '6 write(1<pipe:[9]>, "R 5 abc"..., 37) = 37'
  expect(judge([write, sync, receipt]).early).toEqual([])
  expect(judge([write, receipt, sync]).early).toHaveLength(1)
  expect(judge([sync, write, receipt]).early).toHaveLength(1)
  expect(
    judge(['7 fdatasync(20</x/history.db-wal> <unfinished ...>', write, '7 <... fdatasync resumed>) = 0', receipt]).early,
  ).toHaveLength(1)
  expect(judge([write, '7 fdatasync(20</x/history.db-wal> <unfinished ...>', receipt]).early).toHaveLength(1)
  expect(judge([write, '7 fdatasync(20</x/history.db-wal>) = -1 EIO (Input/output error)', receipt]).early).toHaveLength(1)
  expect(judge([write, '7 fdatasync(20</x/history.db-wal> <unfinished ...>', '7 <... fdatasync resumed>) = 0', receipt]).early).toEqual([])
})

/** Walks through a trace: what is written to the log is dirty until an fsync that began after it has returned 0. */
function judge(lines: readonly string[]): { receipts: number; logWrites: number; syncedBetween: number; early: string[] } {
  let isDirty = false
  let isSynced = false
  let isWrittenSinceSync = false
  const syncing = new Set<string>()
  const seen = { receipts: 0, logWrites: 0, syncedBetween: 0, early: [] as string[] }
  const finish = (line: string): void => {
    if (!line.endsWith('= 0')) return
    if (!isWrittenSinceSync) isDirty = false
    isSynced = true
  }
  for (const line of lines) {
    const thread = line.split(' ')[0] ?? ''
    if (/ pwrite(64|v)\(\d+<[^>]*-wal>/.test(line)) {
      isDirty = isWrittenSinceSync = true
      seen.logWrites++
    } else if (/ f(data)?sync\(\d+<[^>]*-wal>/.test(line)) {
      isWrittenSinceSync = false
      if (line.includes('<unfinished')) syncing.add(thread)
      else finish(line)
    } else if (/<\.\.\. f(data)?sync resumed/.test(line) && syncing.delete(thread)) {
      finish(line)
    } else if (/ write\(1<[^>]*>, "R /.test(line)) {
      seen.receipts++
      if (isDirty) seen.early.push(line)
      if (isSynced) seen.syncedBetween++
      isSynced = false
    }
  }
  return seen
}
