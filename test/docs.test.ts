import { existsSync, readFileSync } from 'node:fs'
import { dirname, join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { expect, test } from 'vitest'

const root = fileURLToPath(new URL('..', import.meta.url))
const read = (file: string): string => readFileSync(join(root, file), 'utf8')
const pack = JSON.parse(read('package.json')) as {
  dependencies: Record<string, string>
  devDependencies: Record<string, string>
  optionalDependencies?: Record<string, string>
  scripts: Record<string, string>
  allowScripts: Record<string, boolean>
}

test.each(['README.md', 'DEVELOPERS.md', 'docs/alarm-semantics.md', 'docs/mqtt.md', 'docs/metrics.md', 'docs/errors.md', 'CHANGELOG.md'])(
  '%s: every link and every named file is there',
  (page) => {
    const text = read(page)
    const links = [...text.matchAll(/\]\((?!https?:|#)([^)#\s]+)/g)].map((match) => join(dirname(page), match[1] ?? ''))
    const named = [
      ...text.matchAll(
        /`((?:rules|config|collector|history|alerts|dashboards|simulator|service|test|docs|deploy|examples|scripts|bench)\/[\w./-]+\.[a-z]+)`/g,
      ),
    ].map((match) => match[1] ?? '')
    const missing = [...links, ...named].filter((file) => !existsSync(join(root, file)))
    expect(missing).toEqual([])
  },
)

test('README begins with the job and then gives the two commands', () => {
  const [, second] = read('README.md').split('```sh\n')
  const commands = (second ?? '')
    .split('```')[0]
    ?.trim()
    .split('\n')
    .map((line) => line.replace(/\s*#.*$/, ''))
  expect(commands).toEqual(['npm ci && npm run demo', 'npm ci && npm test'])
})

test('every npm script that a page tells people to run exists', () => {
  const told = ['README.md', 'DEVELOPERS.md', 'docs/performance.md', 'docs/metrics.md']
    .filter((page) => existsSync(join(root, page)))
    .flatMap((page) => [...read(page).matchAll(/npm run ([\w:-]+)/g)].map((match) => match[1] ?? ''))
  expect(told.length).toBeGreaterThan(3)
  expect(told.filter((script) => pack.scripts[script] === undefined)).toEqual([])
})

test('every package has a line in docs/dependencies.md, and every line a package', () => {
  const lines = [...read('docs/dependencies.md').matchAll(/^\| ([^|]+) \|/gm)]
    .flatMap((match) => (match[1] ?? '').replace(/ \(.*/, '').split(', '))
    .map((name) => name.trim())
  const named = new Set(lines.filter((name) => name !== 'package' && !name.startsWith('---')))
  const have = new Set([pack.dependencies, pack.devDependencies, pack.optionalDependencies ?? {}].flatMap((list) => Object.keys(list)))
  expect([...have].filter((name) => !named.has(name))).toEqual([])
  expect([...named].filter((name) => !have.has(name))).toEqual([])
})

test('no version is a range, and only the runtime may run a script at install', () => {
  const versions = [pack.dependencies, pack.devDependencies, pack.optionalDependencies ?? {}].flatMap((list) => Object.values(list))
  expect(versions.filter((version) => !/^\d+\.\d+\.\d+$/.test(version))).toEqual([])
  expect(Object.entries(pack.allowScripts).filter(([, allowed]) => allowed)).toEqual([['node', true]])
})

test.each([
  'canary_late',
  'dead_letter',
  'alerts_dropped',
  'clock_untrusted',
  'store_disk_full',
  'store_io',
  'store_corrupt',
  'store_locked',
  'store_overloaded',
  'store_closed',
  'store_newer_schema',
])('the reason %s that /readyz can give is explained', (code) => {
  expect(read('docs/errors.md')).toContain(`\`${code}\``)
})

test('nothing that mouldtend says calls anything safe', () => {
  // A watcher cannot know that. The word may stand where a page says so, and in code of cautions that keep it out.
  const spoken = [
    'config/rule-words.ts',
    'service/narrator.ts',
    'service/self.ts',
    'collector/faults.ts',
    'alerts/fault.ts',
    'alerts/explain.ts',
    'dashboards/alert-rules.yml',
  ]
  const said = spoken.flatMap((file) => (read(file).match(/['"`>|].*\b(un)?safe(ly)?\b/gi) ?? []).map((line) => `${file}: ${line}`))
  expect(said).toEqual([])
})
