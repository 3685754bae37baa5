import * as fc from 'fast-check'
import { expect, test } from 'vitest'
import {
  acknowledgeTopic,
  alarmFilter,
  alarmTopic,
  canaryTopic,
  circuitLevel,
  eventTopic,
  heartbeatTopic,
  level,
  resultTopic,
  statusTopic,
} from '../../alerts/topics.ts'

const where = { place: 'press-12-moving', unit: 'kite-07', circuit: 'kite-07/a', rule: 'temperature.deviation' }

test('topics of a site', () => {
  expect([
    eventTopic('kestrel-hall', where),
    alarmTopic('kestrel-hall', where),
    alarmTopic('kestrel-hall', { ...where, circuit: null }),
    alarmFilter('kestrel-hall'),
    statusTopic('kestrel-hall'),
    heartbeatTopic('kestrel-hall'),
    canaryTopic('kestrel-hall'),
    acknowledgeTopic('kestrel-hall'),
    resultTopic('kestrel-hall'),
  ]).toEqual([
    'mouldtend/kestrel-hall/press-12-moving/kite-07.a/event',
    'mouldtend/kestrel-hall/press-12-moving/kite-07.a/alarm/temperature.deviation',
    'mouldtend/kestrel-hall/press-12-moving/kite-07/alarm/temperature.deviation',
    'mouldtend/kestrel-hall/+/+/alarm/+',
    'mouldtend/kestrel-hall/service/status',
    'mouldtend/kestrel-hall/service/heartbeat',
    'mouldtend/kestrel-hall/service/canary',
    'mouldtend/kestrel-hall/command/acknowledge',
    'mouldtend/kestrel-hall/command/result',
  ])
})

// OASIS MQTT 5.0, 4.7: wildcards, separator and U+0000 have no place in a level of a topic name; 1.5.4: no lone surrogates.
test.each([
  ['a/b', 'a%2Fb'],
  ['a+b', 'a%2Bb'],
  ['#', '%23'],
  ['$SYS', '%24SYS'],
  ['100 %', '100%20%25'],
  ['', '-'],
  ['-', '%2D'],
  ['a\u0000b', 'a%00b'],
  ['Düse', 'Düse'],
  ['\uD800', '\uFFFD'],
])('level %j is %j', (name, topic) => expect(level(name)).toBe(topic))

test('a place called service takes no topic of the service', () => {
  expect(eventTopic('kestrel-hall', { ...where, place: 'service' })).toMatch(/^mouldtend\/kestrel-hall\/%73ervice\//)
})

test('any name is one legal level, and different names give different topics', () => {
  const name = fc.oneof(fc.string({ maxLength: 30, unit: 'binary' }), fc.constantFrom('a.b', 'a', 'service', 'command', '-', '', '%2D'))
  fc.assert(
    fc.property(name, name, (one, other) => {
      for (const topic of [level(one), circuitLevel(one, `${one}/${other}`)]) {
        for (const char of ['/', '+', '#', '\u0000']) expect(topic).not.toContain(char)
        expect(topic.length).toBeGreaterThan(0)
      }
      const topics = [one, other].map((place) => eventTopic('s', { ...where, place }))
      expect(topics[0] === topics[1]).toBe(one.toWellFormed() === other.toWellFormed())
      const circuits = [circuitLevel(one, `${one}/${other}`), circuitLevel(other, `${other}/${one}`), circuitLevel(one, null)]
      expect(circuits[0] === circuits[1]).toBe(one.toWellFormed() === other.toWellFormed())
      expect(circuits[0]).not.toBe(circuits[2])
    }),
    { numRuns: 1_000 },
  )
})
