import { readFileSync } from 'node:fs'
import { expect, test } from 'vitest'
import { finished, messageFor } from '../../alerts/message.ts'
import { alarmMessage, commandResult, PUBLISHED } from '../../alerts/payloads.ts'
import { kestrel, RAISED_MS, raised } from './kestrel.ts'

const page = readFileSync(new URL('../../docs/mqtt.md', import.meta.url), 'utf8')
const examples = [...page.matchAll(/^```json\n([\s\S]*?)^```/gm)].map(([, json]) => JSON.parse(json ?? '') as unknown)

test('the event shown on the page is what the code makes', () => {
  const made = finished(messageFor(raised, kestrel, RAISED_MS + 8, { id: '7d1f0c52a9e64b38' }), RAISED_MS + 11)
  expect(alarmMessage.parse(examples[0])).toEqual(made)
  expect(commandResult.safeParse(examples[1]).success).toBe(true)
})

test('the page links every published schema', () => {
  for (const name of Object.keys(PUBLISHED)) expect(page).toContain(`(schemas/${name}.schema.json)`)
})
