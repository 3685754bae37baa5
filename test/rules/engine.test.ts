import { expect, test } from 'vitest'
import type { Plan, UnitPlan } from '../../config/plan.ts'
import { coldState } from '../../rules/cold.ts'
import { openEngine, type EngineState } from '../../rules/engine.ts'
import type { Event } from '../../rules/event.ts'
import { reading, rule, unitWith } from './bench-circuit.ts'

const high = (limit: number) => rule({ kind: 'high', signal: 'temperature.actual', limit, deadband: 1 })
const site = (version: string, units: readonly UnitPlan[]): Plan => ({
  version,
  site: 'kestrel-hall',
  timezone: 'UTC',
  altitude_m: 0,
  places: [],
  supplies: [],
  sources: [],
  units,
  service: {
    historyFile: '',
    keepInputs_ms: 0,
    http: { host: '', port: 0 },
    mqtt: {
      url: null,
      embedded: { host: '', port: 0, wsPort: null },
      clientId: '',
      user: null,
      password: null,
      ca: null,
      certificate: null,
      privateKey: null,
      heartbeat_ms: 1000,
      acceptCommands: false,
    },
    webhook: null,
    canary_ms: 60_000,
  },
})
const one = (limit: number, place = 'bench'): UnitPlan => unitWith(['temperature.actual'], [high(limit)], {}, { place })
const brief = (events: readonly Event[]): string[] => events.map((e) => (e.kind === 'alarm' ? `${e.event} ${e.eventNo}` : e.event))
const active = () => {
  const engine = openEngine(site('v1', [one(90)]), null)
  engine.step(reading(1000, [95]))
  return engine
}

test('a rule that changed while its alarm stood: the alarm is kept, judged anew, and the change has a line', () => {
  const engine = active()
  engine.step({ kind: 'plan_change', at_ms: 2000, from: 'v1', to: 'v2', by: 'p1', why: 'test' })
  expect(brief(engine.changePlan(site('v2', [one(100)]), 2000))).toEqual(['rule_changed 2'])
  expect(brief(engine.step(reading(3000, [95])))).toEqual(['returned 3'])
})
test('a rule that is gone ends its alarm with a line of its own', () => {
  const engine = active()
  expect(brief(engine.changePlan(site('v2', [unitWith(['temperature.actual'], [])]), 2000))).toEqual(['rule_removed 2'])
})
test('a unit that is gone takes its alarms along, each with a line', () => {
  expect(brief(active().changePlan(site('v2', []), 2000))).toEqual(['rule_removed 2'])
})
test('a circuit that stands at another place now: the assignment has a line', () => {
  const events = active().changePlan(site('v2', [one(90, 'press-2')]), 2000)
  expect(events).toMatchObject([{ event: 'assignment_changed', place: 'press-2', facts: { from: 'bench', to: 'press-2' } }])
})
test('a command for an alarm that does not exist is on record', () => {
  const events = active().step({
    kind: 'command',
    at_ms: 2000,
    id: 'c',
    alarm: 'u/a:none',
    action: { act: 'acknowledge' },
    by: 'p1',
    from: 'mqtt',
    comment: '',
  })
  expect(events).toMatchObject([{ event: 'command_refused', facts: { why: 'unknown_alarm', by: 'p1' } }])
})
test('a canary leaves a line in the journal', () => {
  expect(active().step({ kind: 'canary', at_ms: 2000, id: 'canary:1' })).toMatchObject([
    { event: 'canary', subject: 'service', facts: { id: 'canary:1' } },
  ])
})
test('a state that starts cold goes on counting', () => {
  const plan = site('v1', [one(90)])
  const numbers = {
    events: new Map([['u/a:probe', 7]]),
    activations: new Map([['u/a:probe', 3]]),
    records: new Map([
      ['u/a', 5],
      ['service', 2],
    ]),
  }
  const events = openEngine(plan, coldState(plan, numbers)).step(reading(1000, [95]))
  expect(events).toMatchObject([{ event: 'raised', eventNo: 8, activation: 4 }])
})
const nothing = (): UnitPlan => unitWith(['temperature.actual'], [])
test.each<{ name: string; gone: readonly UnitPlan[] }>([
  { name: 'a rule', gone: [nothing()] },
  { name: 'a unit', gone: [] },
])('$name that is taken away and put back goes on counting, also over a restart between', ({ gone }) => {
  for (const restart of [false, true]) {
    const first = active()
    expect(brief(first.step(reading(1500, [80])))).toEqual(['returned 2'])
    expect(brief(first.changePlan(site('v2', gone), 2000))).toEqual(['rule_removed 3'])
    const engine = restart ? openEngine(site('v2', gone), JSON.parse(JSON.stringify(first.save())) as EngineState) : first
    engine.changePlan(site('v3', gone), 2500)
    engine.changePlan(site('v4', [one(90)]), 3000)
    expect(engine.step(reading(4000, [95]))).toMatchObject([{ event: 'raised', eventNo: 4, activation: 2 }])
    expect(engine.save().past?.events).toEqual([])
  }
})
test('a cold start remembers numbers of what its plan does not have', () => {
  const numbers = { events: new Map([['u/a:probe', 7]]), activations: new Map([['u/a:probe', 3]]), records: new Map([['u/a', 5]]) }
  const engine = openEngine(site('v1', []), coldState(site('v1', []), numbers))
  engine.changePlan(site('v2', [one(90)]), 500)
  expect(engine.step(reading(1000, [95]))).toMatchObject([{ event: 'raised', eventNo: 8, activation: 4 }])
})
test('after a restart from a snapshot the same goes on', () => {
  const engine = active()
  const again = openEngine(site('v1', [one(90)]), engine.save())
  expect(again.step(reading(3000, [80]))).toEqual(engine.step(reading(3000, [80])))
})
test('due times: the earliest of all units, and which of them are due', () => {
  const slow = unitWith(
    ['temperature.actual'],
    [rule({ kind: 'high', signal: 'temperature.actual', limit: 90, deadband: 1 }, { onDelay_ms: 5000 })],
  )
  const engine = openEngine(site('v1', [slow]), null)
  engine.step(reading(1000, [95]))
  expect(engine.next_ms()).toBe(6000)
  expect(engine.due(5999).units).toEqual([])
  expect(engine.due(6000).units).toEqual(['u'])
  expect(brief(engine.step({ kind: 'tick', at_ms: 6500, unit: 'u' }))).toEqual(['raised 1'])
})
