import * as fc from 'fast-check'
import { expect, test } from 'vitest'
import type { AlarmEvent } from '../../rules/event.ts'
import { messagesFor } from '../../alerts/outbox-messages.ts'
import { createPresent } from '../../alerts/present.ts'
import { CAUTIOUS_STEP } from '../../alerts/first-step.ts'
import { canaryMessage, channelsOf } from '../../alerts/outbox-messages.ts'
import { readBody } from '../../alerts/payloads.ts'
import { coldContext, deviation, kestrel, RAISED_MS, raised } from './kestrel.ts'

const of = (event: AlarmEvent) => ({ id: `e${event.eventNo}`, event })
const acknowledged: AlarmEvent = {
  ...raised,
  event: 'acknowledged',
  eventNo: 2,
  before: 'unack_active',
  core: 'ack_active',
  shown: 'ack_active',
  by: 'p-17',
  from: 'mqtt',
  annunciate: false,
}
const returned: AlarmEvent = { ...raised, event: 'returned', eventNo: 3, core: 'normal', shown: 'normal', annunciate: false }
const topic = `mouldtend/kestrel-hall/press-12-moving/kite-07.a/alarm/${deviation.id}`

test('raised, acknowledged, returned: retained while there is something to tell', () => {
  const present = createPresent()
  expect(present.fold([of(raised)], kestrel)).toMatchObject([{ topic, state: { state: 'unack_active', acknowledged: null } }])
  expect(present.fold([of(acknowledged)], kestrel)).toMatchObject([{ topic, state: { state: 'ack_active', acknowledged: { by: 'p-17' } } }])
  expect(present.fold([of(returned)], kestrel)).toEqual([{ topic, state: null }])
  expect(present.list()).toEqual([])
})

test('returned but never acknowledged stays (Retain, OPC 10000-9)', () => {
  const present = createPresent()
  present.fold([of(raised), of({ ...returned, eventNo: 2, core: 'rtn_unack', shown: 'rtn_unack' })], kestrel)
  expect(present.list()).toMatchObject([{ core: 'rtn_unack', returned: '2026-03-04T13:03:20.000Z' }])
})

test('an event told twice, or an old one after the end, changes nothing', () => {
  const present = createPresent()
  present.fold([of(raised), of(acknowledged), of(returned)], kestrel)
  expect(present.fold([of(raised), of(returned)], kestrel)).toEqual([])
  const restarted = createPresent(createPresent().list())
  restarted.fold([of(raised)], kestrel)
  expect(createPresent(restarted.list()).fold([of(raised)], kestrel)).toEqual([])
})

test('a rejected command and a late reading are no state', () => {
  const present = createPresent()
  present.fold([of(raised)], kestrel)
  expect(present.fold([of({ ...raised, event: 'rejected', eventNo: 2, why: 'too_long' })], kestrel)).toEqual([])
})

test('carried to another place, the old place keeps nothing', () => {
  const present = createPresent()
  present.fold([of(raised)], kestrel)
  const moved = present.fold([of({ ...raised, event: 're_alarmed', eventNo: 2, place: 'press-13-fixed' })], kestrel)
  expect(moved).toMatchObject([
    { topic, state: null },
    { topic: topic.replace('press-12-moving', 'press-13-fixed'), state: { place: { name: 'Press 13, fixed half' } } },
  ])
})

test('what stands for hours asks for the cautious step, though it was cold when it came', () => {
  const present = createPresent()
  present.fold([of({ ...raised, context: coldContext })], kestrel)
  expect(present.list()[0]?.first_step).toBe(CAUTIOUS_STEP)
})

test('folding in one go, one by one, or over a restart gives the same list', () => {
  const kinds = fc.constantFrom(
    'raised',
    'returned',
    'acknowledged',
    're_alarmed',
    'quality_changed',
    'shelved',
    'unshelved',
    'rule_removed',
    'rejected',
  )
  const cores = fc.constantFrom('normal', 'unack_active', 'ack_active', 'rtn_unack')
  const step = fc.record({ event: kinds, core: cores, alarm: fc.nat(2), place: fc.constantFrom('press-12-moving', 'press-13-fixed') })
  let listed = 0
  fc.assert(
    fc.property(fc.array(step, { maxLength: 30 }), fc.nat(30), (steps, cut) => {
      const events = steps.map(({ event, core, alarm, place }, index) =>
        of({
          ...raised,
          event,
          core,
          shown: core,
          place,
          alarm: `kite-${alarm}/a:x`,
          circuit: `kite-${alarm}/a`,
          unit: `kite-${alarm}`,
          eventNo: index + 1,
        }),
      )
      const whole = createPresent()
      whole.fold(events, kestrel)
      const first = createPresent()
      const topics = new Map<string, unknown>()
      const show = (changes: ReturnType<typeof first.fold>): void => {
        for (const { topic, state } of changes)
          if (state === null) topics.delete(topic)
          else topics.set(topic, state)
      }
      for (const event of events.slice(0, cut)) show(first.fold([event], kestrel))
      const second = createPresent(first.list())
      for (const event of events.slice(cut)) show(second.fold([event], kestrel))
      expect(new Set(second.list())).toEqual(new Set(whole.list()))
      // What lies on the topics is exactly the list.
      expect(new Set(topics.values())).toEqual(new Set(whole.list()))
      listed += whole.list().length
    }),
  )
  expect(listed).toBeGreaterThan(50)
})

const webhookPlan = (minPriority: 'high' | 'medium' | 'low') => ({
  ...kestrel,
  service: { ...kestrel.service, webhook: { url: 'http://127.0.0.1:9', headers: {}, timeout_ms: 1, minPriority } },
})
test.each<{ name: string; event: Partial<AlarmEvent>; channels: string[] }>([
  { name: 'raised and told', event: {}, channels: ['mqtt', 'webhook'] },
  { name: 'raised beneath an overlay', event: { annunciate: false, shown: 'shelved' }, channels: [] },
  { name: 'overlay gone, alarm uncovered', event: { event: 'unshelved', annunciate: true }, channels: ['mqtt', 'webhook'] },
  { name: 'returned', event: { event: 'returned', annunciate: false }, channels: ['mqtt', 'webhook'] },
  { name: 'below the webhook priority', event: { priority: 'low' }, channels: ['mqtt'] },
  { name: 'acknowledged', event: { event: 'acknowledged', annunciate: false }, channels: ['mqtt'] },
  { name: 'quality of a standing alarm', event: { event: 'quality_changed', annunciate: false }, channels: ['mqtt'] },
  { name: 'quality of a normal one', event: { event: 'quality_changed', annunciate: false, core: 'normal' }, channels: [] },
  { name: 'rejected: its caller alone', event: { event: 'rejected', annunciate: false }, channels: [] },
  { name: 'held back at start', event: { event: 'inhibited', annunciate: false }, channels: [] },
])('$name goes to $channels', ({ event, channels }) => {
  const plan = webhookPlan('medium')
  const made = messagesFor([of({ ...raised, ...event })], plan, channelsOf(plan), RAISED_MS)
  expect(made.map(({ channel }) => channel)).toEqual(channels)
})

test('rows carry id, order key, priority, and a body that every version of today can read', () => {
  const [made] = messagesFor([of(raised)], kestrel, channelsOf(kestrel), RAISED_MS + 40)
  expect(made).toMatchObject({ id: 'e1', channel: 'mqtt', orderKey: 'kite-07/a', priority: 'high', made_ms: RAISED_MS + 40 })
  expect(readBody(made?.body ?? '')).toMatchObject({ kind: 'alarm', message: { id: 'e1' } })
  expect(readBody(canaryMessage('c1', kestrel, RAISED_MS).body)).toMatchObject({ kind: 'canary', message: { id: 'c1' } })
})
