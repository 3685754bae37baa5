import { readFileSync } from 'node:fs'
import { expect, test } from 'vitest'
import { explain, FAULT_KINDS } from '../../collector/faults.ts'
import { counter } from '../../collector/figures.ts'
import type { ReadFault } from '../../collector/source.ts'

const EXAMPLES: Readonly<Record<ReadFault['kind'], ReadFault>> = {
  timeout: { kind: 'timeout', unit: 'north-07', waited_ms: 1000 },
  refused: { kind: 'refused', unit: 'north-07', address: '192.0.2.7:502', detail: 'connect ECONNREFUSED' },
  link_lost: { kind: 'link_lost', unit: 'north-07', address: '192.0.2.7:502', detail: 'closed' },
  no_such_register: { kind: 'no_such_register', unit: 'north-07', register: 17, signal: 'flow_rate', line: 'profile.yaml:9' },
  exception: { kind: 'exception', unit: 'north-07', code: 4, register: 17, line: 'profile.yaml:9' },
  malformed: { kind: 'malformed', unit: 'north-07', detail: '3 bytes came that are no answer' },
  untrusted_certificate: { kind: 'untrusted_certificate', unit: 'north-07', address: 'opc.tcp://192.0.2.7', file: 'pki/rejected/a.pem' },
  identity_rejected: { kind: 'identity_rejected', unit: 'north-07', address: 'opc.tcp://192.0.2.7', detail: 'BadUserAccessDenied' },
  no_such_node: { kind: 'no_such_node', unit: 'north-07', node: 'ns=2;s=Flow', signal: 'flow_rate' },
  unknown_unit_of_measure: { kind: 'unknown_unit_of_measure', unit: 'north-07', node: 'ns=2;s=Flow', found: 'bucket/h' },
  nothing_found: { kind: 'nothing_found', unit: 'north-07', address: 'opc.tcp://192.0.2.7', detail: 'no device type' },
  recording: { kind: 'recording', unit: 'north-07', where: 'week.csv:12', detail: '"12,5" is no number' },
  sink_full: { kind: 'sink_full', unit: 'north-07' },
}
const page = readFileSync(new URL('../../docs/errors.md', import.meta.url), 'utf8')
const section = page.split(/^## /m).find((part) => part.startsWith('collector\n')) ?? ''
const described = [...section.matchAll(/^### `([^`]+)`\n([\s\S]*?)(?=^### |$(?![\s\S]))/gm)]

test('the page and the list name the same kinds, and each has a remedy', () => {
  expect(new Set(described.map((found) => found[1]))).toEqual(new Set(FAULT_KINDS))
  expect(described.filter((found) => !/Remedy: \S/.test(found[2] ?? '')).map((found) => found[1])).toEqual([])
})

test('the figures count every kind', () => {
  expect(new Set(Object.keys(counter().figures().faults))).toEqual(new Set(FAULT_KINDS))
})

test.each(FAULT_KINDS)('%s names the unit, the details and what goes on', (kind) => {
  const fault = EXAMPLES[kind]
  const text = explain(fault)
  const details = Object.entries(fault).flatMap(([key, value]) => (key === 'kind' ? [] : [String(value)]))
  expect(details.filter((detail) => !text.includes(detail))).toEqual([])
  expect(text).toMatch(/go(es)? on|went on|by itself|again/)
  expect(text).not.toMatch(/\bsafe/i)
})
