import { readFileSync, readdirSync } from 'node:fs'
import { Ajv2020 } from 'ajv/dist/2020.js'
import { expect, test } from 'vitest'
import { finished, messageFor } from '../../alerts/message.ts'
import { jsonSchemaOf, PUBLISHED, type AlarmState } from '../../alerts/payloads.ts'
import { createPresent } from '../../alerts/present.ts'
import { cold, kestrel, RAISED_MS, raised } from './kestrel.ts'

const folder = new URL('../../docs/schemas/', import.meta.url)
type Name = keyof typeof PUBLISHED
const names = Object.keys(PUBLISHED) as Name[]
const stored = (name: Name): object => JSON.parse(readFileSync(new URL(`${name}.schema.json`, folder), 'utf8')) as object
// Formats are not ajv's own: the pattern beside each of them is what is checked.
const validator = (name: Name) =>
  new Ajv2020({ strict: true, allowUnionTypes: true, validateFormats: false, allErrors: true }).compile(stored(name))

test('the published schemas are those of the code (node scripts/payload-schemas.ts writes them)', () => {
  for (const name of names) expect({ name, schema: stored(name) }).toEqual({ name, schema: jsonSchemaOf(name) })
  const ours = readdirSync(folder).filter((file) => names.some((name) => file === `${name}.schema.json`))
  expect(ours).toHaveLength(names.length)
})

const state = (): AlarmState => {
  const present = createPresent()
  present.fold([{ id: 'e1', event: raised }], kestrel)
  const [first] = present.list()
  if (first === undefined) throw new Error('no state')
  return first
}
const examples: Readonly<Record<Name, unknown>> = {
  'alarm-event': finished(messageFor(raised, kestrel, RAISED_MS, { id: 'e1' }), RAISED_MS + 5),
  'alarm-state': state(),
  'service-status': {
    schema: 'mouldtend/service-status/1',
    site: 'kestrel-hall',
    state: 'online',
    at: '2026-03-04T13:03:20.000Z',
    version: '0.1.0',
  },
  heartbeat: {
    schema: 'mouldtend/heartbeat/1',
    site: 'kestrel-hall',
    at: '2026-03-04T13:03:20.000Z',
    count: 1,
    facts: { canary_age_s: 12 },
  },
  canary: { schema: 'mouldtend/canary/1', id: 'canary-1', made: '2026-03-04T13:03:20.000Z' },
  'outbox-summary': {
    schema: 'mouldtend/outbox-summary/1',
    id: 'summary:mqtt:1:3',
    site: 'kestrel-hall',
    count: 3,
    by_priority: { high: 0, medium: 1, low: 2 },
    first: '2026-03-04T13:02:20.000Z',
    last: '2026-03-04T13:03:20.000Z',
    text: 'three',
    sent: '2026-03-04T13:05:20.000Z',
  },
  'acknowledge-command': { id: 'c1', alarm: 'kite-07/a:temperature.deviation', by: 'p-17' },
  'command-result': {
    schema: 'mouldtend/command-result/1',
    id: 'c1',
    alarm: null,
    result: 'done',
    why: null,
    at: '2026-03-04T13:03:20.000Z',
  },
}
test.each(names)('%s: a real payload passes ajv, as an independent reader, and a damaged one does not', (name) => {
  const validate = validator(name)
  const example = JSON.parse(JSON.stringify(examples[name])) as Record<string, unknown>
  validate(example)
  expect(validate.errors).toBeNull()
  for (const key of Object.keys(example)) {
    const { [key]: gone, ...rest } = example
    expect(gone).not.toBeUndefined()
    expect({ key, passes: validate(rest) }).toEqual({ key, passes: false })
  }
})

test('every kind of event gives a payload that passes', () => {
  const validate = validator('alarm-event')
  for (const event of [raised, cold, { ...raised, event: 'returned' as const, value: null, quality: 'bad' as const }]) {
    expect(validate(JSON.parse(JSON.stringify(messageFor(event, kestrel, RAISED_MS, { id: 'e1' }))))).toBe(true)
  }
})

test('a reader of today accepts fields of tomorrow, a command with a misspelt key is refused', () => {
  expect(validator('canary')({ ...(examples.canary as object), more: 1 })).toBe(true)
  expect(validator('acknowledge-command')({ ...(examples['acknowledge-command'] as object), coment: 'x' })).toBe(false)
})
