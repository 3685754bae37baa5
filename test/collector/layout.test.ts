import { expect, test } from 'vitest'
import { layoutOf } from '../../collector/modbus/layout.ts'
import { map, row } from './plans.ts'

/** Three registers that stand apart, each dropped as refused at 0 ms. */
function refusedAll() {
  const layout = layoutOf([
    map([row('temperature.main_line', 0), row('temperature.set_value', 200), row('flow_rate', 400, { unit: 'l_min' })]),
  ])
  while (layout.drop(0, 0) !== null);
  expect(layout.missing.size).toBe(3)
  return layout
}

test('a refused register is asked for again after 5 s, then at doubled intervals, at the longest every ten minutes', () => {
  const layout = refusedAll()
  const [held] = layout.missing.values()
  if (held === undefined) throw new Error('nothing is missing')
  const waits = [held.askAgain_ms / 1000]
  for (let n = 0; n < 9; n++) {
    const at_ms = held.askAgain_ms
    layout.askAgainLater(held.span, at_ms)
    waits.push((held.askAgain_ms - at_ms) / 1000)
  }
  expect(waits).toEqual([5, 10, 20, 40, 80, 160, 320, 600, 600, 600])
})

test('one that is there again is a sign that the others are: they are asked for at once', () => {
  const layout = refusedAll()
  const [first] = layout.missing.values()
  if (first === undefined) throw new Error('nothing is missing')
  layout.foundAgain(first.span)
  expect([...layout.missing.values()].map(({ askAgain_ms }) => askAgain_ms)).toEqual([0, 0])
  expect(layout.pieces).toHaveLength(1)
})
