import * as fc from 'fast-check'
import { expect, test } from 'vitest'
import { judge } from '../../rules/judge.ts'
import { ZONE } from '../../rules/alarm-state.ts'
import type { AlarmEvent, Event } from '../../rules/event.ts'
import type { Input } from '../../rules/input.ts'
import { openUnit } from '../../rules/unit.ts'
import type { UnitState } from '../../rules/unit-state.ts'
import { reading, rule, unitWith } from './bench-circuit.ts'

const LIMIT = 90
const DEADBAND = 2
const ON_MS = 10_000
const OFF_MS = 4_000
const plan = unitWith(
  ['temperature.actual'],
  [rule({ kind: 'high', signal: 'temperature.actual', limit: LIMIT, deadband: DEADBAND }, { onDelay_ms: ON_MS, offDelay_ms: OFF_MS })],
)
interface Row {
  at_ms: number
  v: number | null
}
// Values around the limit and the deadband, and bad ones; gaps from nothing to longer than both delays.
const value = fc.oneof(
  { weight: 6, arbitrary: fc.constantFrom(91, 90.25) },
  { weight: 3, arbitrary: fc.constantFrom(88, 87.5, 60) },
  { weight: 2, arbitrary: fc.constantFrom(90, 89, 88.25) },
  { weight: 1, arbitrary: fc.constant(null) },
)
// Each value is polled one to six times, so that delays get to their end.
const history = fc
  .array(fc.tuple(fc.integer({ min: 0, max: 6000 }), value, fc.integer({ min: 1, max: 6 })), { minLength: 10, maxLength: 40 })
  .map((rows) => {
    let at_ms = 0
    return rows.flatMap(([gap_ms, v, times]) => Array.from({ length: times }, (): Row => ({ at_ms: (at_ms += gap_ms), v })))
  })
const inputs = (rows: readonly Row[]): Input[] => [
  ...rows.map((row) => reading(row.at_ms, [row.v])),
  { kind: 'tick', at_ms: (rows.at(-1)?.at_ms ?? 0) + 60_000, unit: 'u' },
]
const run = (list: readonly Input[], restart: (i: number) => boolean = () => false): Event[] => {
  let engine = openUnit(plan, 'v', null)
  return list.flatMap((input, i) => {
    if (restart(i)) engine = openUnit(plan, 'v', JSON.parse(JSON.stringify(engine.save())) as UnitState)
    return [...engine.step(input)]
  })
}
const alarmEvents = (events: readonly Event[]): AlarmEvent[] => events.filter((e) => e.kind === 'alarm')

/** The stretches [from, to) in which each value held, the last one for ever. Worked out from the rows alone. */
const stretches = (rows: readonly Row[]): { from: number; to: number; v: number | null }[] =>
  rows.map((row, i) => ({ from: row.at_ms, to: rows[i + 1]?.at_ms ?? Infinity, v: row.v }))

test('never an alarm before its on-delay: all usable time since it began was beyond, and made up the delay exactly', () => {
  let reached = 0
  let runs = 0
  fc.assert(
    fc.property(history, (rows) => {
      runs += 1
      const raised = alarmEvents(run(inputs(rows))).filter((e) => e.event === 'raised')
      if (raised.length > 0) reached += 1
      for (const event of raised) {
        const since = event.since_ms ?? Number.NaN
        let good_ms = 0
        for (const s of stretches(rows)) {
          const from = Math.max(s.from, since)
          const to = Math.min(s.to, event.at_ms)
          if (to <= from || s.v === null) continue
          expect(s.v).toBeGreaterThan(LIMIT)
          good_ms += to - from
        }
        expect(good_ms).toBe(ON_MS)
      }
    }),
    { numRuns: 500 },
  )
  expect(reached / runs).toBeGreaterThan(0.8)
})

test('never a return inside the deadband, nor before the off-delay', () => {
  let reached = 0
  let runs = 0
  fc.assert(
    fc.property(history, (rows) => {
      runs += 1
      const returned = alarmEvents(run(inputs(rows))).filter((e) => e.event === 'returned')
      if (returned.length > 0) reached += 1
      for (const event of returned) {
        let good_ms = 0
        for (const s of stretches(rows).toReversed()) {
          const to = Math.min(s.to, event.at_ms)
          if (to <= s.from || s.v === null) continue
          if (good_ms >= OFF_MS) break
          expect(s.v).toBeLessThanOrEqual(LIMIT - DEADBAND)
          good_ms += to - s.from
        }
        expect(good_ms).toBeGreaterThanOrEqual(OFF_MS)
      }
    }),
    { numRuns: 500 },
  )
  expect(reached / runs).toBeGreaterThan(0.5)
})

test('the same inputs give the same events, and a restart at any step changes nothing', () => {
  let reached = 0
  fc.assert(
    fc.property(history, fc.array(fc.boolean(), { minLength: 7, maxLength: 61 }), (rows, restarts) => {
      const list = inputs(rows)
      const once = run(list)
      if (alarmEvents(once).length > 0) reached += 1
      expect(run(list)).toEqual(once)
      expect(run(list, (i) => restarts[i % restarts.length] === true)).toEqual(once)
    }),
    { numRuns: 300 },
  )
  expect(reached).toBeGreaterThan(250)
})

test('an alarm raises and returns in turn, numbered without a hole', () => {
  fc.assert(
    fc.property(history, (rows) => {
      const events = alarmEvents(run(inputs(rows)))
      expect(events.map((e) => e.eventNo)).toEqual(events.map((_, i) => i + 1))
      const turns = events.filter((e) => e.event === 'raised' || e.event === 'returned').map((e) => e.event)
      expect(turns).toEqual(turns.map((_, i) => (i % 2 === 0 ? 'raised' : 'returned')))
    }),
    { numRuns: 200 },
  )
})

test('equal to the limit is not beyond, one step further is: for every raw value of an int16 tenths register', () => {
  for (let raw = -32_768; raw <= 32_767; raw += 1) {
    const v = raw / 10
    expect(judge({ kind: 'high', signal: 'control', limit: Number((raw / 10).toFixed(1)), deadband: 0 }, v, 0)).not.toBe(ZONE.beyond)
    for (const tolerance of [3, 0.7]) {
      const steps = tolerance * 10
      const condition = {
        kind: 'band',
        signal: 'control',
        reference: { kind: 'fixed', value: v },
        plus: tolerance,
        minus: tolerance,
        deadband: 0,
      } as const
      if (judge(condition, (raw + steps) / 10, v) === ZONE.beyond)
        throw new Error(`${(raw + steps) / 10} is taken for beyond ${v} + ${tolerance}`)
      if (judge(condition, (raw - steps) / 10, v) === ZONE.beyond)
        throw new Error(`${(raw - steps) / 10} is taken for beyond ${v} - ${tolerance}`)
      if (judge(condition, (raw + steps + 1) / 10, v) !== ZONE.beyond)
        throw new Error(`${(raw + steps + 1) / 10} is not beyond ${v} + ${tolerance}`)
      if (judge(condition, (raw - steps - 1) / 10, v) !== ZONE.beyond)
        throw new Error(`${(raw - steps - 1) / 10} is not beyond ${v} - ${tolerance}`)
    }
  }
})
