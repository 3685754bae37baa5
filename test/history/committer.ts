import { writeSync } from 'node:fs'
import { createChunkWriter } from '../../history/chunk.ts'
import { openHistory } from '../../history/sqlite.ts'
import { StoreError, type Commit, type Receipt } from '../../history/store.ts'
import { message, plan, reading, record } from './made.ts'

/*
 * A process for the tests to kill: committer.ts <file> <commits> <in flight>. Commits readings, events and messages without
 * end and prints `R <last input> <event ids>` for every receipt, after it, straight to descriptor 1; with a fourth word it
 * prints `F <fault>` for a refusal and commits the same again until it is taken, and `N <kind>` for a notice. Everything follows from the
 * sequence number, so a second process goes on where the first one was killed, and plays its last events again as a recovery would.
 */
const [file = '', commits = '1000000', inFlight = '1', stay = ''] = process.argv.slice(2)
const site = plan()
const writer = createChunkWriter(site)
const history = await openHistory(file, {
  reserveBytes: 65_536,
  onNotice: ({ kind }) => {
    if (stay !== '') writeSync(1, `N ${kind}\n`)
  },
})
const { lastSeq, snapshot } = await history.recover()
const eventsAt = (seq: number): number => (seq % 3 === 0 ? 2 : 1)
let seq = lastSeq

function next(): Commit {
  for (let i = 0; i < 5; i++) writer.add(++seq, reading(seq))
  const records = Array.from({ length: eventsAt(seq) }, (_, i) => record(2 * seq + i, seq - i))
  return {
    chunk: writer.take(),
    records,
    outbox: records.map(({ id }) => message(id, { made_ms: seq })),
    snapshot:
      seq % 40 === 0
        ? { seq, at_ms: seq, engine: '1', planVersion: site.version, state: JSON.stringify({ seq, more: 'x'.repeat(5000) }) }
        : null,
    plan: site,
  }
}
async function insist(commit: Commit): Promise<Receipt> {
  let told = ''
  for (let chunk = commit.chunk; ;) {
    try {
      return await history.commit({ ...commit, chunk })
    } catch (error) {
      if (stay === '' || !(error instanceof StoreError)) throw error
      if (told !== error.fault.kind) writeSync(1, `F ${(told = error.fault.kind)} \n`)
      chunk = error.chunk
    }
  }
}
async function run(): Promise<void> {
  for (let n = 0; n < Number(commits); n++) {
    const commit = next()
    const last = seq
    const receipt = await insist(commit)
    writeSync(1, `R ${last} ${commit.records.map(({ id }) => id).join(',')}\n`)
    // The drainer at work, so that the outbox is written from both ends.
    if (n % 3 === 0 && stay === '') await history.delivered(receipt.stored.map(({ row }) => row))
  }
}
// What a recovery does: the inputs since the snapshot are played again and give the same events.
const replayed = await history.inputs(snapshot?.seq ?? 0, 1_000_000)
const again = replayed
  .filter(({ seq }) => seq % 5 === 0)
  .flatMap(({ seq }) => Array.from({ length: eventsAt(seq) }, (_, i) => record(2 * seq + i, seq - i)))
const receipt = await history.commit({
  chunk: null,
  records: again,
  outbox: again.map(({ id }) => message(id)),
  snapshot: null,
  plan: null,
})
writeSync(1, `S ${lastSeq} ${receipt.stored.length} ${receipt.conflicts.length} ${receipt.doubles.length}\n`)
await Promise.all(Array.from({ length: Number(inFlight) }, run))
await history.close()
