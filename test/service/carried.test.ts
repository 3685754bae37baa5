import { expect, test } from 'vitest'
import { withDiscovery, type FoundUnitLike } from '../../config/discovered.ts'
import { loadText } from '../../config/load.ts'
import type { Plan } from '../../config/plan.ts'
import { carriedDiscoveries, withMissing } from '../../service/carried.ts'

async function planOf(endpoint = 'opc.tcp://127.0.0.1:4840'): Promise<Plan> {
  const site = await loadText(
    `site: kestrel-hall\nunits:\n  - { id: ua, opcua: '${endpoint}', pressure_rating: 10 bar }\n`,
    'site.yaml',
    '.',
  )
  if (site.kind === 'bad') throw new Error(JSON.stringify(site.errors))
  return site.plan
}
const unit = (serial: string): FoundUnitLike => ({
  serial,
  location: '',
  circuits: [{ id: 'a', signals: [{ signal: 'temperature.actual', node: `nsu=urn:x;s=${serial}` }] }],
})
const units = (plan: Plan): string[] =>
  plan.units.map((each) => `${each.id} ${each.serial} ${each.circuits.map((circuit) => circuit.nodes.join()).join()}`)

test('a unit that does not show itself any more stays in the plan, under its id and with its nodes', async () => {
  const both = withDiscovery(await planOf(), { source: 'ua', units: [unit('KH-1'), unit('KH-2')] })
  const again = withDiscovery(both, withMissing(both, { source: 'ua', units: [unit('KH-2')] }))
  expect(units(again)).toEqual(units(both))
  expect(units(again)).toHaveLength(2)
  // Without carrying it over it would be gone.
  expect(units(withDiscovery(both, { source: 'ua', units: [unit('KH-2')] }))).toHaveLength(1)
})
test('a new start knows what an earlier one found, under the same ids', async () => {
  const alone = withDiscovery(await planOf(), { source: 'ua', units: [unit('KH-1')] })
  const both = withDiscovery(alone, { source: 'ua', units: [unit('KH-0'), unit('KH-1')] })
  expect(units(carriedDiscoveries(await planOf(), both))).toEqual(units(both))
})
test('another endpoint is another server: nothing is carried over', async () => {
  const found = withDiscovery(await planOf(), { source: 'ua', units: [unit('KH-1')] })
  const moved = await planOf('opc.tcp://127.0.0.1:4841')
  expect(carriedDiscoveries(moved, found)).toBe(moved)
})
