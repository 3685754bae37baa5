import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import * as fc from 'fast-check'
import { afterAll, expect, test } from 'vitest'
import { openReplay, type ReplaySource } from '../../collector/adapters/replay.ts'
import { systemClock } from '../../collector/clock.ts'
import { explain } from '../../collector/faults.ts'
import { cells } from '../../collector/recording.ts'
import type { UnitPlan } from '../../config/plan.ts'
import { circuit, noSecrets, recorder, unit, virtualClock } from './plans.ts'

const folder = mkdtempSync(join(tmpdir(), 'replay-'))
afterAll(() => rmSync(folder, { recursive: true }))
let files = 0
function recording(text: string): string {
  const file = join(folder, `${++files}.csv`)
  writeFileSync(file, text)
  return file
}
const source = (file: string, speed: number | null): ReplaySource => ({ kind: 'replay', id: 'week', file, speed, line: 'site.yaml:3' })
const plan: UnitPlan = unit('north-01', [circuit('north-01', 'a', null, ['temperature.main_line', 'flow_rate', 'pressure.main_line'])])

test('every row is a reading with its recorded time, every cell a value or a reason', async () => {
  const seen = recorder()
  const file = recording(
    [
      '\uFEFFtime,circuit,flow_rate,temperature.main_line,phase',
      '1700000000000,north-01/a,12.5,89.7,heating',
      '2023-11-14T22:13:21Z,north-01/a,,90.1?,',
      '"2023-11-14T23:13:22+01:00","north-01/a",sensor_failure,-4e1,in_tolerance\r',
      '',
    ].join('\n'),
  )
  const opened = openReplay(source(file, null), [plan], seen.sink, systemClock(), noSecrets)
  await seen.until('three readings', () => seen.readings.length === 3)
  expect(seen.readings.map((each) => each.at_ms)).toEqual([1_700_000_000_000, 1_700_000_001_000, 1_700_000_002_000])
  expect(seen.readings.map((each) => each.values)).toEqual([
    [89.7, 12.5, Number.NaN],
    [90.1, Number.NaN, Number.NaN],
    [-40, Number.NaN, Number.NaN],
  ])
  expect(seen.readings.map((each) => each.quality)).toEqual([
    ['good', 'good', 'not_available'],
    ['uncertain', 'no_data', 'not_available'],
    ['good', 'sensor_failure', 'not_available'],
  ])
  expect(seen.readings.map((each) => each.phase)).toEqual(['heating', null, 'in_tolerance'])
  expect(seen.faults).toEqual([])
  await opened.close()
})

test.each([
  { name: 'a word for a number', row: '1700000000500,north-01/a,fast,1', detail: '"fast" is neither' },
  { name: 'a decimal comma', row: '1700000000500,north-01/a,12;5,1', detail: '"12;5" is neither' },
  { name: 'a missing cell', row: '1700000000500,north-01/a,1', detail: '3 cells' },
  { name: 'a circuit of nobody', row: '1700000000500,north-99/a,1,1', detail: 'circuit "north-99/a"' },
  { name: 'a local time', row: '2023-11-14 22:13:20,north-01/a,1,1', detail: 'ISO 8601 with a zone' },
  { name: 'a time that falls', row: '1600000000000,north-01/a,1,1', detail: 'lies before' },
  { name: 'an open quote', row: '1700000000500,"north-01/a,1,1', detail: 'quote is not closed' },
  { name: 'a number that is none', row: '1700000000500,north-01/a,0x10,1', detail: '"0x10" is neither' },
])('$name is a fault with file and line; the rows around it are played', async ({ row, detail }) => {
  const seen = recorder()
  const file = recording(
    `time,circuit,flow_rate,temperature.main_line\n1700000000000,north-01/a,1,2\n${row}\n1700000001000,north-01/a,3,4\n`,
  )
  const opened = openReplay(source(file, null), [plan], seen.sink, systemClock(), noSecrets)
  await seen.until('both good rows', () => seen.readings.length === 2)
  const fault = seen.faults[0]?.fault
  expect(seen.faults).toHaveLength(1)
  expect(fault).toMatchObject({ kind: 'recording', unit: 'north-01', where: `${file}:3` })
  expect(fault === undefined ? '' : explain(fault)).toContain(detail)
  expect(opened.figures().faults.recording).toBe(1)
  await opened.close()
})

test.each([
  { name: 'no such file', file: join(folder, 'none.csv'), detail: 'ENOENT' },
  { name: 'a head without times', file: recording('circuit,flow_rate\n'), detail: 'time and circuit' },
  { name: 'a column of nobody', file: recording('time,circuit,flow\n1,north-01/a,1\n'), detail: '"flow" is no signal' },
])('$name is one fault and no reading', async ({ file, detail }) => {
  const seen = recorder()
  const opened = openReplay(source(file, null), [plan], seen.sink, systemClock(), noSecrets)
  await seen.until('a fault', () => seen.faults.length > 0)
  await opened.close()
  expect(JSON.stringify(seen.faults)).toContain(detail.replaceAll('"', String.raw`\"`))
  expect(seen.faults).toHaveLength(1)
  expect(seen.readings).toEqual([])
})

test('at speed 60 a minute takes a second, and rows bear the time at which they came', async () => {
  const clock = virtualClock(5_000_000)
  const seen = recorder()
  const rows = [0, 60_000, 60_000, 180_000].map((at) => `${1_700_000_000_000 + at},north-01/a,1,2`)
  const file = recording(`time,circuit,flow_rate,temperature.main_line\n${rows.join('\n')}\n`)
  const opened = openReplay(source(file, 60), [plan], seen.sink, clock, noSecrets)
  await seen.until('the first', () => seen.readings.length === 1)
  await new Promise((resolve) => setImmediate(resolve))
  clock.advance(999)
  expect(seen.readings).toHaveLength(1)
  clock.advance(1)
  await seen.until('the two of the first minute', () => seen.readings.length === 3)
  await new Promise((resolve) => setImmediate(resolve))
  clock.advance(2000)
  await seen.until('all', () => seen.readings.length === 4)
  expect(seen.readings.map((each) => each.at_ms - 5_000_000)).toEqual([0, 1000, 1000, 3000])
  await opened.close()
})

test('a full sink holds the recording back and loses nothing', async () => {
  const seen = recorder()
  const rows = Array.from({ length: 2000 }, (_, at) => `${1_700_000_000_000 + at * 1000},north-01/a,${at},2`)
  const file = recording(`time,circuit,flow_rate,temperature.main_line\n${rows.join('\n')}\n`)
  seen.full = true
  const opened = openReplay(source(file, null), [plan], seen.sink, systemClock(), noSecrets)
  await seen.until('the sink is asked again', () => seen.batches.offered > 3)
  expect(seen.readings.length).toBeLessThan(300)
  expect(opened.figures().faults.sink_full).toBe(1)
  expect(opened.figures().polls_late).toBeGreaterThan(0)
  seen.full = false
  await seen.until('all rows', () => seen.readings.length === 2000)
  expect(seen.readings.map((each) => each.values[1])).toEqual(Array.from({ length: 2000 }, (_, at) => at))
  await opened.close()
})

test('closed while it waits, it ends at once', async () => {
  const seen = recorder()
  const file = recording('time,circuit,flow_rate\n1700000000000,north-01/a,1\n1800000000000,north-01/a,2\n')
  const opened = openReplay(source(file, 1), [plan], seen.sink, systemClock(), noSecrets)
  await seen.until('the first', () => seen.readings.length === 1)
  await opened.close()
  expect(seen.readings).toHaveLength(1)
  expect(seen.faults).toEqual([])
})

test('any cell that is written after RFC 4180 reads back', () => {
  const cell = fc.string({ maxLength: 12 }).map((text) => text.replaceAll(/[\r\n]/g, '').trim())
  fc.assert(
    fc.property(fc.array(cell, { minLength: 1, maxLength: 6 }), (row) => {
      expect(cells(row.map((text) => `"${text.replaceAll('"', '""')}"`).join(','))).toEqual(row)
    }),
  )
})
