import { describe, expect, test } from 'vitest'
import { evaluate, fire, observe, RANK, type Alarm, type Happening } from '../../rules/alarm.ts'
import { obey } from '../../rules/obey.ts'
import { freshAlarm, ZONE } from '../../rules/alarm-state.ts'
import { CORE_STATES, type CoreState } from '../../rules/event.ts'
import type { Command } from '../../rules/input.ts'
import { rule } from './bench-circuit.ts'

// All cells of the core table: ANSI/ISA-18.2-2016 clause 5 (from memory) and OPC 10000-9 5.7.3, 5.8.2, 5.8.5, B.1.2, B.1.5.
type Cell = readonly [CoreState, string] | null
const RAISE = ['unack_active', 'raised'] as const
const TABLE: Readonly<
  Record<CoreState, { raise: Cell; return: Cell; latchedReturn: Cell; acknowledge: Cell; reset: Cell; reAlarm: Cell }>
> = {
  normal: {
    raise: RAISE,
    return: null,
    latchedReturn: null,
    acknowledge: ['normal', 'rejected nothing_to_acknowledge'],
    reset: ['normal', 'rejected not_latched'],
    reAlarm: null,
  },
  unack_active: {
    raise: null,
    return: ['rtn_unack', 'returned'],
    latchedReturn: ['latched_unack', 'returned'],
    acknowledge: ['ack_active', 'acknowledged'],
    reset: ['unack_active', 'rejected not_latched'],
    reAlarm: ['unack_active', 're_alarmed'],
  },
  ack_active: {
    raise: null,
    return: ['normal', 'returned'],
    latchedReturn: ['latched_ack', 'returned'],
    acknowledge: ['ack_active', 'rejected already_acknowledged'],
    reset: ['ack_active', 'rejected not_latched'],
    reAlarm: ['unack_active', 're_alarmed'],
  },
  rtn_unack: {
    raise: RAISE,
    return: null,
    latchedReturn: null,
    acknowledge: ['normal', 'acknowledged'],
    reset: ['rtn_unack', 'rejected not_latched'],
    reAlarm: null,
  },
  latched_unack: {
    raise: RAISE,
    return: null,
    latchedReturn: null,
    acknowledge: ['latched_ack', 'acknowledged'],
    reset: ['latched_unack', 'rejected acknowledge_first'],
    reAlarm: null,
  },
  latched_ack: {
    raise: RAISE,
    return: null,
    latchedReturn: null,
    acknowledge: ['latched_ack', 'rejected already_acknowledged'],
    reset: ['normal', 'reset'],
    reAlarm: null,
  },
}

function alarmIn(core: CoreState, latch: boolean): { alarm: Alarm; told: string[] } {
  const told: string[] = []
  const probe = rule({ kind: 'high', signal: 'temperature.actual', limit: 90, deadband: 0 }, { latch, reAlarm_ms: 1000 })
  const state = { ...freshAlarm(probe), core, zone: core.endsWith('active') ? ZONE.beyond : ZONE.inactive, raised_ms: 0, reAlarmBase_ms: 0 }
  const tell = (h: Happening): void => void told.push(h.why === undefined ? h.event : `${h.event} ${h.why}`)
  return { alarm: { rule: probe, state, tell }, told }
}
const command = (act: 'acknowledge' | 'reset'): Command => ({
  kind: 'command',
  at_ms: 500,
  id: 'c',
  alarm: 'u/a:probe',
  action: { act },
  by: 'p',
  from: 'test',
  comment: '',
})
const DO: Readonly<Record<string, (alarm: Alarm) => void>> = {
  raise: (a) => (observe(a, 500, ZONE.beyond, 0, null, 95, null), evaluate(a, 500), fire(a, RANK.delay, 500)),
  return: (a) => (observe(a, 500, ZONE.inactive, 0, null, 80, null), evaluate(a, 500), fire(a, RANK.delay, 500)),
  acknowledge: (a) => obey(a, command('acknowledge')),
  reset: (a) => obey(a, command('reset')),
  reAlarm: (a) => fire(a, RANK.re_alarm, 1000),
}

describe.each(CORE_STATES)('%s', (core) => {
  const row = TABLE[core]
  const cells = Object.keys(DO).map((what) => ({ what, cell: row[what as keyof typeof row], latch: core.startsWith('latched') }))
  const all = [...cells, { what: 'return', cell: row.latchedReturn, latch: true }]
  const possible = all.filter((one) => one.cell !== null)
  test.each(possible)('on $what, latching $latch', ({ what, cell, latch }) => {
    const { alarm, told } = alarmIn(core, latch)
    DO[what]?.(alarm)
    expect([alarm.state.core, told.join()]).toEqual(cell)
  })
  // Cannot arise: an active alarm does not raise, one that is not active neither returns nor re-alarms.
  test('the other cells cannot arise', () => {
    const active = core.endsWith('active')
    expect(all.filter((one) => one.cell === null).map((one) => one.what)).toEqual(active ? ['raise'] : ['return', 'reAlarm', 'return'])
  })
})

test.each(['unack_active', 'ack_active'] as const)('reset of an active latching alarm (%s) is refused: still active', (core) => {
  const { alarm, told } = alarmIn(core, true)
  obey(alarm, command('reset'))
  expect([alarm.state.core, told]).toEqual([core, ['rejected still_active']])
})
