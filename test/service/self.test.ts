import { expect, test } from 'vitest'
import { messageFor } from '../../alerts/message.ts'
import { loadText } from '../../config/load.ts'
import type { Plan } from '../../config/plan.ts'
import { openEngine } from '../../rules/engine.ts'
import type { AlarmEvent } from '../../rules/event.ts'
import { watchSelf, withSelf, type SelfFacts } from '../../service/self.ts'

async function sitePlan(): Promise<Plan> {
  const site = await loadText(
    'site: kestrel-hall\nunits:\n  - { id: t-1, connection: { host: 127.0.0.1 }, profile: tenths16, pressure_rating: 9 bar }\n',
    'site.yaml',
    '.',
  )
  if (site.kind === 'bad') throw new Error(JSON.stringify(site.errors))
  return withSelf(site.plan)
}
const well: SelfFacts = { canary_age_s: 1, deadLetters: 0, storeFault: false, clockUntrusted: false }

test.each<{ name: string; facts: SelfFacts; rule: string; priority: string }>([
  { name: 'no canary for more than three intervals', facts: { ...well, canary_age_s: 181 }, rule: 'self.canary', priority: 'high' },
  { name: 'a message refused for good', facts: { ...well, deadLetters: 1 }, rule: 'self.dead_letters', priority: 'medium' },
  { name: 'the disk takes nothing', facts: { ...well, storeFault: true }, rule: 'self.store', priority: 'high' },
  { name: 'the clock is behind the record', facts: { ...well, clockUntrusted: true }, rule: 'self.clock', priority: 'medium' },
])('$name is an alarm like any other, and ends when it is over', async ({ facts, rule, priority }) => {
  const plan = await sitePlan()
  const engine = openEngine(plan, null)
  const events: AlarmEvent[] = []
  let now_ms = 1_000_000
  const due: (() => void)[] = []
  let present = well
  const watch = watchSelf({
    clock: { now_ms: () => now_ms, after: (_delay_ms, call) => (due.push(call), { cancel: () => void due.splice(0) }) },
    sink: (batch) => {
      for (const item of batch)
        if (item.kind === 'reading') for (const event of engine.step(item)) if (event.kind === 'alarm') events.push(event)
      return true
    },
    facts: () => present,
  })
  for (const next of [facts, well]) {
    present = next
    now_ms += 5_000
    due.shift()?.()
  }
  watch.close()
  expect(due).toEqual([])
  expect(events.map((e) => `${e.rule} ${e.event} ${e.priority}`)).toEqual([`${rule} raised ${priority}`, `${rule} returned ${priority}`])
  const raised = events[0]
  if (raised === undefined) throw new Error('nothing was raised')
  const message = messageFor(raised, plan, now_ms, { id: 'x', recorded: true })
  // A computer is not a hot circuit: no caution that does not apply, since cautions are for where they do.
  expect(message.hands_off).toBe(false)
  expect(message.text).not.toMatch(/hot|pressure/i)
  expect(message.headline).toMatch(/^mouldtend itself: /)
})

test('the plan with mouldtend in it has a version of its own and is made once', async () => {
  const plan = await sitePlan()
  expect(withSelf(plan)).toBe(plan)
  expect(plan.units.map((unit) => unit.id)).toEqual(['t-1', 'mouldtend'])
})
