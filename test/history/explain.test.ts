import { readFileSync } from 'node:fs'
import { expect, test } from 'vitest'
import { explain } from '../../history/faults.ts'
import type { StoreFault, StoreNotice } from '../../history/store.ts'

const detail = 'as the system said it'
// Typed by kind, so that a new one stops the build here until it is on the page.
const faults: { readonly [K in StoreFault['kind']]: Extract<StoreFault, { kind: K }> } = {
  disk_full: { kind: 'disk_full', detail },
  io: { kind: 'io', detail },
  corrupt: { kind: 'corrupt', detail },
  newer_schema: { kind: 'newer_schema', found: 7, known: 1 },
  locked: { kind: 'locked', detail },
  overloaded: { kind: 'overloaded', detail },
  closed: { kind: 'closed', detail },
}
const notices: Readonly<Record<StoreNotice['kind'], true>> = {
  reserve_released: true,
  reserve_restored: true,
  no_reserve: true,
  connection_discarded: true,
  connection_back: true,
  chunk_damaged: true,
  snapshot_damaged: true,
  id_conflict: true,
  outbox_summarised: true,
  dead_letters_dropped: true,
  migrated: true,
}

test('every fault and notice of the history stands in docs/errors.md, and nothing else does', () => {
  const page = readFileSync(new URL('../../docs/errors.md', import.meta.url), 'utf8')
  const section = page.split(/^## /m).find((part) => part.startsWith('history\n')) ?? ''
  const listed = [...section.matchAll(/^### `(.*)`$/gm)].map(([, code]) => code)
  expect(listed).toHaveLength(new Set(listed).size)
  expect(new Set(listed)).toEqual(new Set([...Object.keys(faults), ...Object.keys(notices)]))
})

test.each(Object.values(faults))('$kind: says where, and in two sentences or more what goes on and what to do', (fault) => {
  const text = explain(fault, '/data/hall.db')
  expect(text.startsWith('/data/hall.db: ')).toBe(true)
  expect(text).toContain('detail' in fault ? detail : 'schema 7')
  expect(text.split(/[.:] /).length).toBeGreaterThanOrEqual(3)
})
