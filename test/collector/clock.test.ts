import { expect, test } from 'vitest'
import { systemClock } from '../../collector/clock.ts'

function hands(): { wall: number; steady: number; wall_ms: () => number; steady_ms: () => number; pass: (ms: number) => void } {
  const self = {
    wall: 1_700_000_000_000,
    steady: 50,
    wall_ms: () => self.wall,
    steady_ms: () => self.steady,
    pass: (ms: number) => {
      self.wall += ms
      self.steady += ms
    },
  }
  return self
}

test('it runs with the wall clock', () => {
  const at = hands()
  const clock = systemClock(() => {}, at)
  at.pass(1234)
  expect(clock.now_ms()).toBe(1_700_000_001_234)
})

test('set ahead: followed at once and told', () => {
  const at = hands()
  const steps: number[] = []
  const clock = systemClock((by) => steps.push(by), at)
  clock.now_ms()
  at.wall += 3_600_000
  expect(clock.now_ms()).toBe(at.wall)
  at.pass(1000)
  expect(clock.now_ms()).toBe(at.wall)
  expect(steps).toEqual([3_600_000])
})

test('set back: told once, never falls, no delay is cut short, and it comes back in the end', () => {
  const at = hands()
  const steps: number[] = []
  const clock = systemClock((by) => steps.push(by), at)
  const start = clock.now_ms()
  at.wall -= 10_000
  let last = start
  for (let second = 0; second < 3000; second++) {
    at.pass(1000)
    const now = clock.now_ms()
    expect(now - last).toBeGreaterThanOrEqual(994)
    expect(now - last).toBeLessThanOrEqual(1000)
    last = now
  }
  expect(Math.abs(last - at.wall)).toBeLessThan(2)
  expect(steps).toHaveLength(1)
  expect(steps[0]).toBe(-10_000)
})
