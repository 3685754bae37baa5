import * as fc from 'fast-check'
import { expect, test } from 'vitest'
import { discoveryNotes, withDiscovery, type FoundUnitLike } from '../../config/discovered.ts'
import { format } from '../../config/finding.ts'
import { loadText } from '../../config/load.ts'
import type { Plan } from '../../config/plan.ts'

async function planOf(text: string): Promise<Plan> {
  const loaded = await loadText(text, 'site.yaml', '/x')
  if (loaded.kind === 'bad') throw new Error(loaded.errors.map(format).join('\n'))
  return loaded.plan
}
const SITE = [
  'site: kestrel-hall',
  'places: [{ id: press-3-slide }]',
  'supplies: [{ id: s, kind: network, units: [ua, other] }]',
  'units:',
  '  - id: ua',
  '    opcua: opc.tcp://h:4840',
  '    medium: oil',
  '    pressure_rating: 10 bar',
  '    circuits: { b: { place: press-3-slide, tolerance: 1 K } }',
  '    rules: { temperature.deviation: { on_delay: 90 s }, contact.lost: { after: 90 s } }',
  '  - { id: other, connection: { host: i }, profile: tenths16, pressure_rating: 9 bar }',
].join('\n')

const zone = (id: string): FoundUnitLike['circuits'][number] => ({
  id,
  signals: ['temperature.actual', 'temperature.set_value', 'pressure.main_line', 'active_errors', 'operating_mode', 'no.signal'].map(
    (signal) => ({
      signal,
      node: `ns=4;s=${id}.${signal}`,
    }),
  ),
})
const unit = (serial: string, ...zones: string[]): FoundUnitLike => ({ serial, location: '', circuits: zones.map(zone) })

test('one unit keeps the id of the site and gets its circuits with the same defaults and settings', async () => {
  const plan = withDiscovery(await planOf(SITE), { source: 'ua', units: [{ ...unit('KH-17', 'a', 'b'), location: 'Hall north' }] })
  expect(plan.units.map((each) => each.id)).toEqual(['ua', 'other'])
  const [found] = plan.units
  expect(found).toMatchObject({ serial: 'KH-17', medium: 'oil' })
  expect(found?.circuits.map((each) => [each.key, each.place, each.tolerance.plus_K])).toEqual([
    ['ua/a', 'ua-a', 5],
    ['ua/b', 'press-3-slide', 1],
  ])
  expect(found?.circuits[0]?.signals).toEqual([
    'temperature.actual',
    'temperature.set_value',
    'pressure.main_line',
    'active_errors',
    'operating_mode',
  ])
  expect(found?.circuits[0]?.nodes[1]).toBe('ns=4;s=a.temperature.set_value')
  const rules = new Map(found?.circuits[0]?.rules.map((rule) => [rule.id, rule]))
  expect(rules.get('temperature.deviation')).toMatchObject({
    onDelay_ms: 90_000,
    line: 'site.yaml:10',
    alarm: 'ua/a:temperature.deviation',
  })
  expect(rules.get('pressure.main_line.rating')).toMatchObject({ condition: { limit: 9 }, line: 'site.yaml:8' })
  expect(found?.rules.find((rule) => rule.id === 'contact.lost')).toMatchObject({ condition: { after_ms: 90_000 } })
  expect(plan.places).toContainEqual({ id: 'ua-a', name: 'Hall north, circuit a', machine: '', half: '', connection: '', ofUnit: 'ua' })
})

test('several units get their serial numbers into their ids, and stand in the supplies', async () => {
  const plan = withDiscovery(await planOf(SITE), { source: 'ua', units: [unit('KH/18', 'a'), unit('KH/17', 'a')] })
  expect(plan.units.map((each) => each.id)).toEqual(['ua-kh-17', 'ua-kh-18', 'other'])
  expect(plan.supplies[0]?.units).toEqual(['ua-kh-17', 'ua-kh-18', 'other'])
})

test('serial numbers that come to the same slug still give two ids', async () => {
  const plan = withDiscovery(await planOf(SITE), { source: 'ua', units: [unit('KH 1', 'a'), unit('KH/1', 'a'), unit('', 'a')] })
  expect(new Set(plan.units.map((each) => each.id)).size).toBe(4)
})

test('nothing found, an unknown source, or one that is not discovered: the plan as it was', async () => {
  const plan = await planOf(SITE)
  expect(withDiscovery(plan, { source: 'ua', units: [] })).toBe(plan)
  expect(withDiscovery(plan, { source: 'nobody', units: [unit('x', 'a')] })).toBe(plan)
  expect(withDiscovery(plan, { source: 'other', units: [unit('x', 'a')] })).toBe(plan)
})

test('the same finding gives the same version, in any order, and found again after another one of several too', async () => {
  const plan = await planOf(SITE)
  const all = ['KH-1', 'KH-2', 'KH-3', 'KH-4'].map((serial) => unit(serial, 'b', 'a'))
  const want = withDiscovery(plan, { source: 'ua', units: all })
  expect(want.version).not.toBe(plan.version)
  let reordered = 0
  fc.assert(
    fc.property(fc.shuffledSubarray(all, { minLength: 4 }), fc.subarray(all, { minLength: 2 }), (order, before) => {
      if (order[0] !== all[0]) reordered++
      const turned = order.map((each) => ({ ...each, circuits: each.circuits.toReversed() }))
      const first = withDiscovery(plan, { source: 'ua', units: before })
      expect(withDiscovery(first, { source: 'ua', units: turned })).toEqual(want)
    }),
    { numRuns: 40 },
  )
  expect(reordered).toBeGreaterThan(10)
})

test('a unit keeps its id when another one appears beside it, and from one run to the next: alarms are known by it', async () => {
  const plan = await planOf(SITE)
  const alone = withDiscovery(plan, { source: 'ua', units: [unit('KH-1', 'a')] })
  const ids = (of: typeof plan): string[] => of.units.filter((each) => each.source === 'ua').map((each) => `${each.id} ${each.serial}`)
  expect(ids(alone)).toEqual(['ua KH-1'])
  const both = withDiscovery(alone, { source: 'ua', units: [unit('KH-0', 'a'), unit('KH-1', 'a')] })
  expect(ids(both)).toEqual(['ua-kh-0 KH-0', 'ua KH-1'])
  const nextRun = withDiscovery(plan, {
    source: 'ua',
    units: [
      { ...unit('KH-0', 'a'), id: 'ua-kh-0' },
      { ...unit('KH-1', 'a'), id: 'ua' },
    ],
  })
  expect(ids(nextRun)).toEqual(ids(both))
})

test('a setting that the found unit cannot have is told, with its line', async () => {
  const plan = await planOf(SITE.replace('    pressure_rating: 10 bar', '    limits: { tank_level: { low: 10 % } }'))
  expect(discoveryNotes(plan, { source: 'ua', units: [unit('KH-1', 'a')] })).toEqual([
    expect.stringContaining('site.yaml:8 unit "ua": the map of this circuit does not give tank_level'),
  ])
  expect(discoveryNotes(await planOf(SITE), { source: 'ua', units: [unit('KH-1', 'a')] })).toEqual([])
})

test('a place of another unit stays when the discovered unit that also stood there is found', async () => {
  const plan = await planOf(
    'site: k\nunits:\n  - { id: ua, opcua: "opc.tcp://h:1", place: here }\n  - { id: z, connection: { host: h }, profile: tenths16, place: here }',
  )
  const found = withDiscovery(withDiscovery(plan, { source: 'ua', units: [unit('1', 'a')] }), { source: 'ua', units: [unit('1', 'a')] })
  expect(found.places.map((place) => place.id)).toEqual(['here'])
})
