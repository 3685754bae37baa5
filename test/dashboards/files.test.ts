import { spawnSync } from 'node:child_process'
import { readFileSync } from 'node:fs'
import { expect, test } from 'vitest'
import { metricsWriter } from '../../dashboards/metrics.ts'
import { PHASES } from '../../rules/phases.ts'
import { QUALITY } from '../../rules/reading.ts'
import { isSignalName } from '../../rules/signals.ts'
import { SHOWN_STATES } from '../../dashboards/process-values.ts'
import { tool } from '../tool.ts'
import { declared, samples } from './exposition.ts'
import { alertRules, dashboards, expressions, RULES_FILE } from './files.ts'
import { busyHall } from './hall.ts'
import { parse } from './promql.ts'

const text = (await metricsWriter(busyHall().facts, '0')('')).text
const types = declared(text)
/** Labels that each metric really has, and its values. A histogram's parts belong to it. */
const shown = new Map<string, Map<string, Set<string>>>([...types.keys()].map((name) => [name, new Map()]))
for (const { name, labels } of samples(text)) {
  const family = shown.get(name) ?? shown.get(name.replace(/_(bucket|sum|count)$/, ''))
  for (const [label, value] of Object.entries(labels)) {
    if (label !== 'le') family?.set(label, (family.get(label) ?? new Set()).add(value))
  }
}
/** What the metrics store itself adds. */
const STORE_METRICS = new Set(['up'])
const STORE_LABELS = new Set(['job', 'instance'])

test.each(expressions())('$where speaks of metrics, labels and words that exist', ({ expr }) => {
  const { selectors, grouping } = parse(expr)
  expect(selectors.length).toBeGreaterThan(0)
  const unknown: string[] = []
  const all = new Set<string>(STORE_LABELS)
  for (const { metric, labels } of selectors) {
    if (!STORE_METRICS.has(metric) && !types.has(metric)) unknown.push(metric)
    const known = shown.get(metric) ?? new Map<string, Set<string>>()
    for (const name of known.keys()) all.add(name)
    for (const { name, op, value } of labels) {
      if (!known.has(name) && !STORE_LABELS.has(name)) unknown.push(`${metric}{${name}}`)
      if (value.includes('$') || STORE_LABELS.has(name)) continue
      for (const word of op === '=~' ? value.split('|') : [value]) {
        if (!isWord(name, word, known.get(name))) unknown.push(`${metric}{${name}="${word}"}`)
      }
    }
  }
  expect([...unknown, ...grouping.filter((name) => !all.has(name))]).toEqual([])
})

function isWord(label: string, word: string, values: ReadonlySet<string> | undefined): boolean {
  switch (label) {
    case 'signal':
      return isSignalName(word)
    case 'phase':
      return PHASES.some((phase) => phase === word)
    case 'state':
      return SHOWN_STATES.some((state) => state === word)
    default:
      return values?.has(word) ?? false
  }
}

test('a rate is taken of counters only, and of every counter in a rule or panel', () => {
  const used = expressions().flatMap(({ where, expr }) =>
    parse(expr).selectors.map(({ metric }) => ({
      what: `${where}: ${metric}`,
      isRated: new RegExp(`(?:rate|increase)\\(\\s*${metric}[{[]`).test(expr),
      isCounter: types.get(metric) === 'counter',
    })),
  )
  expect(used.filter(({ isRated }) => isRated).length).toBeGreaterThan(10)
  expect(used.filter(({ isRated, isCounter }) => isRated !== isCounter)).toEqual([])
})

interface Row {
  readonly type: string
  readonly labels: readonly string[]
}
const documented = new Map<string, Row>(
  [...readFileSync('docs/metrics.md', 'utf8').matchAll(/^\| `(\w+)` \| (\w+) \| (.+?) \| (.+) \|$/gm)].map(([, name, type, labels]) => [
    name ?? '',
    { type: type ?? '', labels: labels === '–' ? [] : (labels ?? '').split(', ') },
  ]),
)
test('docs/metrics.md names every metric with its type and labels, and none that is not there', () => {
  expect(documented.size).toBeGreaterThan(50)
  expect([...documented.keys()].toSorted()).toEqual([...types.keys()].toSorted())
  for (const [name, { type, labels }] of documented) {
    // What the library tells of Node comes and goes: its labels may be absent, never one too many.
    const real = [...(shown.get(name)?.keys() ?? [])]
    const told = name.startsWith('mouldtend_nodejs_') ? labels.filter((label) => real.includes(label)) : labels
    expect({ name, type, labels: told.toSorted() }).toEqual({ name, type: types.get(name), labels: real.toSorted() })
  }
})
test('docs/metrics.md tells the codes as they are', () => {
  const page = readFileSync('docs/metrics.md', 'utf8').replaceAll('\n', ' ')
  for (const [name, code] of Object.entries(QUALITY)) expect(page).toContain(`${code} ${name}`)
  for (const [code, name] of SHOWN_STATES.entries()) expect(page).toContain(`${code} ${name}`)
})

test.each(dashboards())('$file is whole: ids unique, panels beside one another, one data source', ({ dashboard }) => {
  const { panels } = dashboard
  expect(new Set(panels.map(({ id }) => id)).size).toBe(panels.length)
  const cells = panels.flatMap(({ title, gridPos: { x, y, w, h } }) =>
    Array.from({ length: w * h }, (_, i) => ({ title, at: `${x + (i % w)},${y + Math.floor(i / w)}` })),
  )
  const first = new Map(cells.toReversed().map(({ title, at }) => [at, title]))
  expect(cells.filter(({ title, at }) => first.get(at) !== title)).toEqual([])
  expect(panels.filter(({ gridPos }) => gridPos.x + gridPos.w > 24)).toEqual([])
  const asking = panels.filter(({ type }) => type !== 'text')
  expect(asking.filter(({ targets = [] }) => targets.length === 0)).toEqual([])
  const sources = asking.flatMap(({ datasource, targets = [] }) => [datasource, ...targets.map((target) => target.datasource)])
  expect(new Set(sources.map((source) => source?.uid))).toEqual(new Set(['mouldtend-metrics']))
})

const NEUTRAL = new Set(['text', '#5b7083', '#9aa8b3'])
const KINDS = new Set(['text', 'stat', 'table', 'timeseries', 'state-timeline'])
test.each(dashboards())('$file is calm: no gauges, and what is well has no colour', ({ dashboard }) => {
  expect(dashboard.panels.filter(({ type }) => !KINDS.has(type))).toEqual([])
  const well = dashboard.panels.flatMap(({ fieldConfig }) => fieldConfig?.defaults.thresholds?.steps[0]?.color ?? [])
  expect(well.length).toBeGreaterThan(2)
  expect(well.filter((color) => !NEUTRAL.has(color))).toEqual([])
  expect(JSON.stringify(dashboard)).not.toMatch(/palette-classic|"green"/)
})

test('hall and circuit warn that a missing value is not a cold unit; nothing anywhere says that something is safe', () => {
  const all = dashboards()
  expect(all.map(({ dashboard }) => dashboard.uid).toSorted()).toEqual(['mouldtend-circuit', 'mouldtend-hall', 'mouldtend-service'])
  const texts = new Map(all.map(({ dashboard }) => [dashboard.uid, JSON.stringify(dashboard)]))
  for (const uid of ['mouldtend-circuit', 'mouldtend-hall']) expect(texts.get(uid)).toContain('is not a cold unit')
  for (const words of texts.values()) expect(words).not.toMatch(/\bsafe/i)
  expect(readFileSync(RULES_FILE, 'utf8')).not.toMatch(/\bsafe/i)
})

test('every alert rule has its own name and tells what, what to do, and a caution', () => {
  const rules = alertRules()
  expect(rules.length).toBeGreaterThan(10)
  expect(new Set(rules.map(({ alert }) => alert)).size).toBe(rules.length)
  const short = rules.filter(({ annotations }) => Object.values(annotations).some((words) => words.length < 15))
  expect(short).toEqual([])
})

const promtool = tool('promtool')
const judge = (...args: string[]) => spawnSync(promtool ?? '', args, { encoding: 'utf8' })
test.skipIf(promtool === null)('the metrics store accepts the alert rules', () => {
  const { status, stdout, stderr } = judge('check', 'rules', '--lint=all', '--lint-fatal', RULES_FILE)
  expect(stderr).toBe('')
  expect(stdout).toContain('SUCCESS')
  expect(status).toBe(0)
})
test.skipIf(promtool === null)('the alert rules fire when they should, and only then', () => {
  const { status, stdout, stderr } = judge('test', 'rules', 'test/dashboards/alert-rules.test.yml')
  expect(stdout + stderr).not.toContain('FAILED')
  expect(status).toBe(0)
})
