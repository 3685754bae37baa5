import { mkdtemp, readdir, readFile, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { Ajv2020 } from 'ajv/dist/2020.js'
import * as fc from 'fast-check'
import { expect, test } from 'vitest'
import { parse } from 'yaml'
import { canonicalJson } from '../../config/canonical.ts'
import { checkText } from '../../config/check-text.ts'
import { parseText } from '../../config/document.ts'
import { format, nearest } from '../../config/finding.ts'
import { loadSite, loadText } from '../../config/load.ts'
import type { Plan } from '../../config/plan.ts'
import { parseProfile } from '../../config/profile.ts'
import { resolveSecrets } from '../../config/secrets.ts'
import { siteJsonSchema } from '../../config/site-json-schema.ts'

const folder = (path: string): string => fileURLToPath(new URL(`../../${path}`, import.meta.url))
const examples = (await readdir(folder('examples'))).filter((name) => name.endsWith('.yaml'))
const textOf = (name: string): Promise<string> => readFile(folder(name), 'utf8')
async function planOf(text: string): Promise<Plan> {
  const loaded = await loadText(text, 'site.yaml', '/x')
  if (loaded.kind === 'bad') throw new Error(loaded.errors.map(format).join('\n'))
  return loaded.plan
}

test.each(examples)('examples/%s loads without an error or a warning', async (name) => {
  const loaded = await loadSite(folder(`examples/${name}`))
  expect([...(loaded.kind === 'bad' ? loaded.errors : []), ...loaded.warnings].map(format)).toEqual([])
})

test('the smallest example is about ten lines, forty units are about thirty', async () => {
  const lines = (text: string): number => text.split('\n').filter((line) => line.trim() !== '' && !line.trim().startsWith('#')).length
  expect(lines(await textOf('examples/first-site.yaml'))).toBeLessThanOrEqual(10)
  const forty = await textOf('examples/forty-units.yaml')
  expect(lines(forty)).toBeLessThanOrEqual(32)
  expect((await planOf(forty)).units).toHaveLength(40)
})

test('the schema for editors is current, and takes the examples but not a misspelt key', async () => {
  const kept: unknown = JSON.parse(await textOf('config/site.schema.json'))
  expect(canonicalJson(kept), 'run: node scripts/site-schema.ts').toBe(canonicalJson(JSON.parse(siteJsonSchema())))
  const accepts = new Ajv2020({ allowUnionTypes: true }).compile(kept as object)
  for (const name of examples) {
    const value: unknown = parse(await textOf(`examples/${name}`))
    expect(accepts(value), `${name}: ${JSON.stringify(accepts.errors)}`).toBe(true)
  }
  expect(accepts(parse('site: a\nunits: [{ id: a, tolerence: 3 K }]'))).toBe(false)
  expect(accepts(parse('site: a\nunits: [{ id: a, connection: { port: 70000 } }]'))).toBe(false)
  expect(accepts(parse('site: a\nunits: [{ id: a, tolerance: 3 }]'))).toBe(false)
})

test('check says what is asked, how often, and which rules watch with which numbers', async () => {
  const loaded = await loadSite(folder('examples/forty-units.yaml'))
  if (loaded.kind === 'bad') throw new Error('refused')
  const text = checkText(loaded.plan, loaded.warnings, (circuits) => circuits.length * 2)
  expect(text).toContain('40 units, 40 circuits, 40 places')
  expect(text).toContain(
    'gateway-1: Modbus TCP 10.20.2.1:502, 20 units (address 1..20), 500 signals, 40 requests a second (forty-units.yaml:9)',
  )
  expect(text).toContain('north-01, north-02, north-03 … south-40 (38 units)')
  expect(text).toContain(
    'by more than +3 / -3 K, deadband 0.75 K; on 60 s, off 30 s; after a start or a set value moved by 1.5 K or more it waits until in tolerance for 120 s, at most the way to go at 2 K/min and 10 min (down: 1 K/min and 20 min), 15 min to 3 h *',
  )
  expect(text).toContain('by more than +1.5 / -1.5 K')
  expect(text).toMatch(/pressure\.main_line above 9 bar, deadband 0\.18 bar; on 5 s, off 5 s \(forty-units\.yaml:\d+\)/)
  expect(text.endsWith('\n')).toBe(true)
  expect(checkText(loaded.plan, loaded.warnings, (circuits) => circuits.length * 2)).toBe(text)
})

test('check shows no secret, and no address of one', async () => {
  const plan = await planOf(
    'site: k\nunits: [{ id: a, opcua: { endpoint: "opc.tcp://h:1", user: u, password: { env: KESTREL_UA } } }]\nwebhook: { url: "https://hooks.kestrel.example/T0KEN", headers: { X-Key: { file: key.txt } } }',
  )
  const text = checkText(plan, [], () => 1)
  expect(text).toContain('webhook: hooks.kestrel.example')
  expect(text).not.toMatch(/T0KEN|KESTREL_UA|key\.txt/)
})

test('secrets come from the environment or a file; what is missing is named and never shown', async () => {
  const dir = await mkdtemp(join(tmpdir(), 'mouldtend-'))
  await writeFile(
    join(dir, 'site.yaml'),
    [
      'site: k',
      'units: [{ id: a, opcua: { endpoint: "opc.tcp://h:1", user: u, password: { env: KESTREL_UA } } }]',
      'mqtt: { url: "mqtts://b", user: u, password: { file: broker.txt } }',
      'webhook: { url: "https://hooks.kestrel.example", headers: { X-One: plain, X-Two: { file: none.txt }, X-Three: { env: KESTREL_NONE } } }',
    ].join('\n'),
  )
  await writeFile(join(dir, 'broker.txt'), 'blue heron\n')
  const loaded = await loadSite(join(dir, 'site.yaml'))
  if (loaded.kind === 'bad') throw new Error(loaded.errors.map(format).join('\n'))
  const { secrets, errors } = await resolveSecrets(loaded.plan, { KESTREL_UA: 'grey owl' })
  expect([...secrets]).toEqual([
    ['KESTREL_UA', 'grey owl'],
    [join(dir, 'broker.txt'), 'blue heron'],
  ])
  expect(errors).toEqual([
    expect.stringContaining(`webhook.headers.X-Two: the file ${join(dir, 'none.txt')} cannot be read (ENOENT)`),
    expect.stringContaining('webhook.headers.X-Three: the environment variable KESTREL_NONE is not set'),
  ])
  expect(JSON.stringify(loaded.plan)).not.toMatch(/heron|owl/)
})

test('canonical JSON does not depend on the order of keys', () => {
  let unordered = 0
  fc.assert(
    fc.property(fc.dictionary(fc.string(), fc.jsonValue()), (value) => {
      const turned = Object.fromEntries(Object.entries(value).toReversed())
      if (Object.keys(value).join() !== Object.keys(turned).join()) unordered++
      expect(canonicalJson(turned)).toBe(canonicalJson(value))
      expect(JSON.parse(canonicalJson(value))).toEqual(JSON.parse(JSON.stringify(value)))
    }),
  )
  expect(unordered).toBeGreaterThan(20)
})

test.each<[string, string[], string | null]>([
  ['prot', ['port', 'host', 'parity'], 'port'],
  ['temperature.deviaton', ['temperature.deviation', 'temperature.outer_high'], 'temperature.deviation'],
  ['on-delay', ['on_delay', 'off_delay'], 'on_delay'],
  ['Poll', ['poll'], 'poll'],
  ['xyz', ['port', 'host'], null],
  ['', ['a'], 'a'],
])('nearest to %j', (word, known, found) => expect(nearest(word, known)).toBe(found))

test('an alias bomb and an unknown alias are refused in words', () => {
  const bomb = `a: &a [x, x, x, x, x, x, x, x, x]\n${'bcdefgh'
    .split('')
    .map((name, i) => `${name}: &${name} [${Array(9).fill(`*${'abcdefg'[i]}`).join(', ')}]`)
    .join('\n')}`
  for (const text of [bomb, 'a: *nowhere']) {
    const source = parseText(text, 'x.yaml')
    expect(source.value).toBeUndefined()
    expect(source.findings.length).toBeGreaterThan(0)
  }
})

test('an anchor’s content is found through its alias', async () => {
  const loaded = await loadText(
    'site: k\nunits:\n  - &u { id: a, connection: { host: h }, profile: tenths16, poll: 5 }\n  - *u\n',
    'site.yaml',
    '/x',
  )
  expect(loaded.kind === 'bad' ? loaded.errors.map((each) => format(each).slice(0, 30)) : []).toContain('site.yaml:3:67 units[0].poll: ')
})

/** Mutations of real files: whatever comes out, the loader answers, and each finding has a place that exists. */
const MUTATIONS = ['delete', 'double', 'insert', 'swap', 'cut', 'indent'] as const
const mutation = fc.record({
  kind: fc.constantFrom(...MUTATIONS),
  at: fc.double({ min: 0, max: 0.999, noNaN: true }),
  length: fc.nat(12),
  text: fc.constantFrom(
    'x',
    ':',
    ' ',
    '\n',
    '-',
    '{',
    '}',
    '[',
    '"',
    '#',
    '&a ',
    '*a',
    '!!binary ',
    '0',
    '-1',
    '9e999',
    '.nan',
    '~',
    '\u0000',
    '\t',
    '<nn>',
    '°',
    '? ',
    '| ',
    '%',
    '__proto__: 1\n',
    '3 K',
    'true',
  ),
})
function mutate(
  text: string,
  { kind, at, length, text: extra }: { kind: (typeof MUTATIONS)[number]; at: number; length: number; text: string },
): string {
  const from = Math.floor(at * text.length)
  const lines = text.split('\n')
  const line = Math.floor(at * lines.length)
  switch (kind) {
    case 'delete':
      return text.slice(0, from) + text.slice(from + length)
    case 'double':
      return lines.toSpliced(line, 0, lines[line] ?? '').join('\n')
    case 'insert':
      return text.slice(0, from) + extra + text.slice(from)
    case 'swap':
      return text.slice(0, from) + extra + text.slice(from + extra.length)
    case 'cut':
      return lines.toSpliced(line, 1 + (length % 4)).join('\n')
    case 'indent':
      return lines.with(line, `${' '.repeat(length % 5)}${lines[line] ?? ''}`).join('\n')
  }
  return text
}

test('a mutated site file never crashes the loader, and every finding has a place in the file', async () => {
  const texts = await Promise.all(examples.map((name) => textOf(`examples/${name}`)))
  let refused = 0
  let beyondSyntax = 0
  let loadedAnyway = 0
  await fc.assert(
    fc.asyncProperty(fc.constantFrom(...texts), fc.array(mutation, { minLength: 1, maxLength: 3 }), async (text, mutations) => {
      const mutated = mutations.reduce(mutate, text)
      const loaded = await loadText(mutated, 'site.yaml', '/x')
      const findings = [...loaded.warnings, ...(loaded.kind === 'bad' ? loaded.errors : [])]
      if (loaded.kind === 'ok') loadedAnyway++
      else {
        refused++
        if (loaded.errors.some((each) => each.path !== '')) beyondSyntax++
      }
      expect(loaded.kind === 'bad' ? loaded.errors.length : 1).toBeGreaterThan(0)
      const lines = mutated.split(/\r?\n/)
      for (const each of findings.filter((one) => one.file === 'site.yaml')) {
        expect(each.line).toBeGreaterThanOrEqual(1)
        expect(each.line).toBeLessThanOrEqual(lines.length)
        expect(each.column).toBeGreaterThanOrEqual(1)
        expect(each.column).toBeLessThanOrEqual((lines[each.line - 1]?.length ?? 0) + 1)
        expect(each.text).not.toBe('')
        expect(format(each)).not.toMatch(/undefined|\[object/)
        expect(format(each).includes('\u0001') || format(each).includes('\u0002')).toBe(false)
      }
    }),
    { numRuns: 400 },
  )
  expect(refused).toBeGreaterThan(100)
  expect(beyondSyntax).toBeGreaterThan(50)
  expect(loadedAnyway).toBeGreaterThan(20)
}, 120_000)

test('a mutated profile never crashes the parser', async () => {
  const texts = await Promise.all(['tenths16', 'float32swap'].map((name) => textOf(`config/profiles/${name}.yaml`)))
  let refused = 0
  fc.assert(
    fc.property(fc.constantFrom(...texts), fc.array(mutation, { minLength: 1, maxLength: 3 }), (text, mutations) => {
      const found = parseProfile(mutations.reduce(mutate, text), 'p.yaml')
      if (found.kind === 'ok') return
      refused++
      expect(found.errors.every((each) => each.line >= 1 && each.column >= 1 && each.text !== '')).toBe(true)
    }),
    { numRuns: 300 },
  )
  expect(refused).toBeGreaterThan(60)
}, 60_000)
