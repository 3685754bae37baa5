import { afterEach, describe, expect, test } from 'vitest'
import type { Sink, Source } from '../../collector/source.ts'
import { recorder, type Kept } from '../collector/plans.ts'

/** One adapter with a real device behind it, for the contract that all adapters keep. */
export interface SourceBench {
  readonly open: (sink: Sink) => Source
  /** What readings of one circuit must carry, in the order of its signals, while all is well. */
  readonly circuit: string
  readonly values: readonly number[]
  /** The device, or the way to it, goes silent without closing anything. */
  readonly cut: () => Promise<void>
  readonly restore: () => Promise<void>
  /** The device takes longer to answer than the poll interval. */
  readonly slow: () => Promise<void>
  /** Connections that the device holds open at this moment. */
  readonly connections: () => number
  readonly end: () => Promise<void>
}
export type ContractCase = 'values' | 'loss' | 'recovery' | 'sink full' | 'close' | 'late polls'

/**
 * What every adapter in collector/adapters/ must do. One that cannot do a case names it with the reason in its own test file,
 * through `cannot`; the contract itself knows no exceptions.
 */
export function sourceContract(
  name: string,
  make: () => Promise<SourceBench>,
  cannot: Readonly<Partial<Record<ContractCase, string>>> = {},
): void {
  const ends: (() => Promise<void>)[] = []
  const bench = async (): Promise<SourceBench> => {
    const made = await make()
    ends.push(made.end)
    return made
  }
  const open = (made: SourceBench, sink: Sink): Source => {
    const source = made.open(sink)
    ends.push(source.close)
    return source
  }
  const cases: { readonly what: ContractCase; readonly title: string; readonly run: () => Promise<void> }[] = []
  const contract = (what: ContractCase, title: string, run: () => Promise<void>): void => void cases.push({ what, title, run })

  describe(`${name} keeps the contract of sources`, () => {
    afterEach(async () => {
      for (const end of ends.splice(0).toReversed()) await end()
    })
    const good = (made: SourceBench) => (each: Kept) => each.circuit === made.circuit && each.allGood
    const lost = (made: SourceBench) => (each: Kept) => each.circuit === made.circuit && !each.anyGood

    contract('values', 'readings carry the right values, all signals of the circuit, at a time that never falls', async () => {
      const made = await bench()
      const seen = recorder()
      const source = open(made, seen.sink)
      const mine = (): Kept[] => seen.readings.filter(good(made))
      await seen.until('three good readings', () => mine().length >= 3)
      for (const reading of mine()) expect(reading.values).toEqual(made.values)
      const times = seen.readings.map((each) => each.at_ms)
      expect(times).toEqual(times.toSorted((a, b) => a - b))
      expect(Math.abs(Date.now() - (times.at(-1) ?? 0))).toBeLessThan(5000)
      const figures = source.figures()
      expect(figures.connected).toBe(true)
      expect(figures.polls).toBeGreaterThanOrEqual(3)
      expect(seen.faults).toEqual([])
    })

    contract('loss', 'silence makes every signal bad, and is told once', async () => {
      const made = await bench()
      const seen = recorder()
      const source = open(made, seen.sink)
      await seen.next('a good reading', good(made))
      await made.cut()
      const reading = await seen.next('a reading without values', lost(made))
      expect(new Set(reading.quality)).toEqual(new Set(['no_communication']))
      expect(reading.values.every((value) => Number.isNaN(value))).toBe(true)
      const told = seen.faults.length
      await seen.next('another', lost(made))
      await seen.next('and another', lost(made))
      expect(told).toBe(1)
      expect(seen.kinds().filter((kind) => kind === seen.kinds()[0])).toHaveLength(1)
      const { faults } = source.figures()
      expect(Object.values(faults).reduce((sum, count) => sum + count, 0)).toBeGreaterThan(0)
    })

    contract('recovery', 'comes back by itself', async () => {
      const made = await bench()
      const seen = recorder()
      open(made, seen.sink)
      await seen.next('a good reading', good(made))
      await made.cut()
      await seen.next('a reading without values', lost(made))
      await made.restore()
      const reading = await seen.next('a good reading again', good(made))
      expect(reading.values).toEqual(made.values)
    })

    contract('sink full', 'a full sink: nothing new is polled, it is counted late and told once there is room', async () => {
      const made = await bench()
      const seen = recorder()
      const source = open(made, seen.sink)
      await seen.next('a good reading', good(made))
      seen.full = true
      await seen.until('full is noticed', () => source.figures().faults.sink_full === 1)
      const { readings } = seen
      const count = readings.length
      await seen.until('due times pass', () => source.figures().polls_late >= 2)
      expect(readings).toHaveLength(count)
      seen.full = false
      await seen.next('a good reading again', good(made))
      expect(seen.kinds()).toEqual(['sink_full'])
      expect(source.figures().faults.sink_full).toBe(1)
    })

    contract('late polls', 'a device slower than the poll interval: polls are counted late, never piled up', async () => {
      const made = await bench()
      const seen = recorder()
      const source = open(made, seen.sink)
      await seen.next('a good reading', good(made))
      await made.slow()
      await seen.until('late polls', () => source.figures().polls_late >= 2)
      await seen.next('still good readings', good(made))
      expect(seen.faults).toEqual([])
    })

    contract('close', 'close ends it: no reading more, no connection left', async () => {
      const made = await bench()
      const seen = recorder()
      const source = open(made, seen.sink)
      await seen.next('a good reading', good(made))
      expect(made.connections()).toBe(1)
      await source.close()
      const count = seen.batches.offered
      await expect.poll(made.connections).toBe(0)
      expect(seen.batches.offered).toBe(count)
      expect(source.figures().connected).toBe(false)
      await source.close()
    })

    test.each(cases.filter(({ what }) => cannot[what] === undefined))('$title', async ({ run }) => {
      expect.hasAssertions()
      await run()
    })
    test.each(Object.entries(cannot))('cannot do "%s": %s', (_, reason) => expect(reason).toMatch(/\w{3}/))
  })
}
