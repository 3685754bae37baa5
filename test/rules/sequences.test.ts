import { readFileSync } from 'node:fs'
import * as fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import type { Condition, RulePlan, UnitPlan } from '../../config/plan.ts'
import type { Event } from '../../rules/event.ts'
import type { CommandAction, Input } from '../../rules/input.ts'
import { openUnit, type UnitEngine } from '../../rules/unit.ts'
import type { UnitState } from '../../rules/unit-state.ts'
import { reading, rule, unitWith } from './bench-circuit.ts'

// Worked sequences: states and transitions after ANSI/ISA-18.2-2016 = IEC 62682 (from memory) and OPC 10000-9.

interface SequenceRule {
  kind: 'high' | 'low' | 'band' | 'off_normal' | 'discrepancy'
  limit?: number
  set_value?: number
  plus?: number
  minus?: number
  normal?: number
  expected?: number
  tolerance?: number
  deadband?: number
  on_delay?: number
  off_delay?: number
  latch?: boolean
  stale_after?: number
  max_shelve?: number
  re_alarm?: number
  re_alarm_max?: number
  armed_by_start?: boolean
  start?: { timeout: number; on?: string[] }
}
interface SequenceInput {
  t: number
  v?: number | null
  q?: string
  sv?: number
  cmd?: string
  for?: number
  tick?: boolean
  restart?: boolean
}
interface Expected {
  t: number
  event: string
  state: string
  core?: string
  why?: string
  quality?: string
  count?: number
  at?: number
}
interface Sequence {
  id: string
  title: string
  rule: SequenceRule
  inputs: SequenceInput[]
  end: number
  events: Expected[]
}
const { sequences } = JSON.parse(readFileSync(new URL('sequences.json', import.meta.url), 'utf8')) as { sequences: Sequence[] }

function conditionOf(r: SequenceRule): Condition {
  const deadband = r.deadband ?? 0
  switch (r.kind) {
    case 'high':
    case 'low':
      return { kind: r.kind, signal: 'temperature.actual', limit: r.limit ?? 0, deadband }
    case 'band':
      return {
        kind: 'band',
        signal: 'temperature.actual',
        reference: { kind: 'signal', signal: 'temperature.set_value' },
        plus: r.plus ?? 0,
        minus: r.minus ?? 0,
        deadband,
      }
    case 'off_normal':
      return { kind: 'off_normal', signal: 'temperature.actual', normal: r.normal ?? 0 }
    case 'discrepancy':
      return {
        kind: 'discrepancy',
        signal: 'temperature.actual',
        reference: { kind: 'signal', signal: 'temperature.set_value' },
        expected_ms: (r.expected ?? 0) * 1000,
        tolerance: r.tolerance ?? 0,
      }
  }
}

function planOf(r: SequenceRule): UnitPlan {
  const probe: Partial<RulePlan> = {
    onDelay_ms: (r.on_delay ?? 0) * 1000,
    offDelay_ms: (r.off_delay ?? 0) * 1000,
    latch: r.latch ?? false,
    reAlarm_ms: r.re_alarm === undefined ? null : r.re_alarm * 1000,
    reAlarmMax: r.re_alarm_max ?? null,
    maxShelve_ms: (r.max_shelve ?? 28_800) * 1000,
    armedByStart: r.armed_by_start ?? false,
    start:
      r.start === undefined
        ? null
        : {
            timeout_ms: r.start.timeout * 1000,
            hold_ms: 0,
            onStart: true,
            onSetValue: r.start.on?.includes('set_value') ?? false,
            setValueStep: 0,
            cap_ms: null,
            capWindow_ms: 0,
          },
  }
  return unitWith(['temperature.actual', 'temperature.set_value'], [rule(conditionOf(r), probe)], {
    staleAfter_ms: r.stale_after === undefined ? 1e15 : r.stale_after * 1000,
  })
}

/** Turns the sequence's shorthand into inputs of the engine: what is not said stays as it was. */
function inputsOf(sequence: Sequence): Input[] {
  let value: number | null = null
  let set: number | null = sequence.rule.set_value ?? null
  let phase: 'off' | 'heating' = sequence.rule.armed_by_start === true ? 'off' : 'heating'
  let count = 0
  const inputs = sequence.inputs.flatMap((input): Input[] => {
    const at_ms = input.t * 1000
    if (input.restart === true) return []
    if (input.tick === true) return [{ kind: 'tick', at_ms, unit: 'u' }]
    if (input.cmd !== undefined && input.cmd !== 'start' && input.cmd !== 'stop') {
      const action = (
        input.cmd === 'ack'
          ? { act: 'acknowledge' }
          : input.cmd === 'shelve'
            ? { act: 'shelve', for_ms: (input.for ?? 0) * 1000 }
            : { act: input.cmd }
      ) as CommandAction
      count += 1
      return [{ kind: 'command', at_ms, id: `c${count}`, alarm: 'u/a:probe', action, by: 'p1', from: 'test', comment: '' }]
    }
    if (input.cmd === 'start') phase = 'heating'
    if (input.cmd === 'stop') phase = 'off'
    if (input.sv !== undefined) set = input.sv
    if (input.v !== undefined) value = input.q === 'bad' ? null : input.v
    return [reading(at_ms, [value, set], { phase })]
  })
  return [...inputs, { kind: 'tick', at_ms: sequence.end * 1000, unit: 'u' }]
}

function shorthand(event: Event): Expected | null {
  if (event.kind !== 'alarm') return null
  const why = event.event === 'quality_changed' || event.why !== null ? event.why : null
  return {
    t: event.at_ms / 1000,
    event: event.event,
    state: event.shown,
    ...(event.shown === event.core ? {} : { core: event.core }),
    ...(why === null ? {} : { why }),
    ...(event.event === 'quality_changed' ? { quality: event.quality } : {}),
    ...(event.count === null ? {} : { count: event.count }),
    ...(event.late_ms === null ? {} : { at: event.late_ms / 1000 }),
  }
}

/** Late samples carry the engine's time as their own in the table. */
function play(plan: UnitPlan, inputs: readonly Input[], restartAt: (index: number) => boolean = () => false): Event[] {
  let engine: UnitEngine = openUnit(plan, 'v', null)
  return inputs.flatMap((input, index) => {
    if (restartAt(index)) engine = openUnit(plan, 'v', JSON.parse(JSON.stringify(engine.save())) as UnitState)
    return [...engine.step(input)]
  })
}

const alarms = (events: readonly Event[]): Event[] => events.filter((e) => e.kind === 'alarm')

describe('worked sequences', () => {
  test('all 23 are here', () => expect(sequences).toHaveLength(23))
  test.each(sequences)('$id $title', (sequence) => {
    const events = play(planOf(sequence.rule), inputsOf(sequence))
    expect(events.map(shorthand).filter((e) => e !== null)).toEqual(sequence.events)
  })
  test.each(sequences)('$id with a restart before every input', (sequence) => {
    const inputs = inputsOf(sequence)
    expect(play(planOf(sequence.rule), inputs, () => true)).toEqual(play(planOf(sequence.rule), inputs))
  })
  test('ticks in between and restarts anywhere change no alarm event (T12)', () => {
    let moved = 0
    fc.assert(
      fc.property(
        fc.constantFrom(...sequences),
        fc.array(fc.nat(1000), { minLength: 1, maxLength: 12 }),
        fc.array(fc.boolean(), { minLength: 40 }),
        (sequence, ticks, restarts) => {
          const bare = inputsOf(sequence)
          let latest = 0
          const before = new Map(bare.map((input) => [input, (latest = Math.max(latest, input.at_ms))]))
          const extra = ticks.map((t): Input => ({ kind: 'tick', at_ms: t * sequence.end, unit: 'u' }))
          // A tick is put before the first input that is not earlier, so that it is never later than the next input.
          const mixed = [...bare]
          for (const tick of extra) {
            const place = mixed.findIndex((input) => (before.get(input) ?? input.at_ms) >= tick.at_ms)
            const next = mixed[place]
            if (next !== undefined && next.at_ms >= tick.at_ms) mixed.splice(place, 0, tick)
          }
          if (mixed.length > bare.length) moved += 1
          const plan = planOf(sequence.rule)
          expect(alarms(play(plan, mixed, (i) => restarts[i % restarts.length] === true))).toEqual(alarms(play(plan, bare)))
        },
      ),
      { numRuns: 400 },
    )
    expect(moved).toBeGreaterThan(200)
  })
})
