import { readFileSync } from 'node:fs'
import type { CircuitPlan, UnitPlan } from '../../config/plan.ts'
import { parseProfile } from '../../config/profile.ts'
import type { RegisterMap, RegisterRow } from '../../config/register-map.ts'
import type { Clock, FaultReport, Item, ReadFault, Sink } from '../../collector/source.ts'
import type { ModbusSource } from '../../collector/modbus/wire.ts'
import { isBad, qualityName, type Reading, type UnitError } from '../../rules/reading.ts'
import type { SignalName } from '../../rules/signals.ts'

/** A row as plain as can be: an int16 input register in the signal's own unit. */
export const row = (signal: SignalName, address: number, more: Partial<RegisterRow> = {}): RegisterRow => ({
  signal,
  table: 'input_register',
  address,
  type: 'int16',
  bit: 0,
  width: 1,
  words: 'high_first',
  bytes: 'high_first',
  decimals: null,
  offset: 0,
  unit: 'degC',
  notAvailable: [],
  min: null,
  max: null,
  enumeration: {},
  inverted: false,
  line: `profile.yaml:${address + 1}`,
  ...more,
})

export const map = (rows: readonly RegisterRow[], more: Partial<RegisterMap> = {}): RegisterMap => ({
  profile: 'by hand',
  rows,
  errors: [],
  phases: {},
  maxRegisters: 125,
  maxBits: 2000,
  gap: 8,
  holes: [],
  ...more,
})

/** One of the shipped profiles. */
export function shipped(name: string, circuit: string): RegisterMap {
  const file = new URL(`../../config/profiles/${name}.yaml`, import.meta.url)
  const parsed = parseProfile(readFileSync(file, 'utf8'), `${name}.yaml`)
  const found = parsed.kind === 'ok' ? parsed.profile.mapFor(circuit, null) : null
  if (found === null) throw new Error(`no profile ${name} for circuit ${circuit}`)
  return found
}

export function circuit(unit: string, id: string, registers: RegisterMap | null, signals?: readonly SignalName[]): CircuitPlan {
  return {
    key: `${unit}/${id}`,
    id,
    place: `${unit}-${id}`,
    signals: signals ?? registers?.rows.map((each) => each.signal) ?? [],
    controlPoint: 'main_line',
    registers,
    nodes: [],
    texts: {},
    switchOff_degC: 70,
    tolerance: { plus_K: 3, minus_K: 3 },
    rules: [],
  }
}

export const unit = (id: string, circuits: readonly CircuitPlan[], more: Partial<UnitPlan> = {}): UnitPlan => ({
  id,
  serial: '',
  medium: 'water',
  source: 'line',
  poll_ms: 100,
  staleAfter_ms: 60_000,
  booting_ms: 0,
  circuits,
  rules: [],
  ...more,
})

export const tcp = (port: number, units: readonly string[], more: Partial<Extract<ModbusSource, { host: string }>> = {}): ModbusSource => ({
  kind: 'modbus_tcp',
  id: 'line',
  host: '127.0.0.1',
  port,
  timeout_ms: 300,
  retries: 0,
  units: units.map((id, index) => ({ unit: id, address: index + 1, line: 'site.yaml:1' })),
  line: 'site.yaml:1',
  ...more,
})

/** A reading kept: the adapter's arrays are its own. */
export interface Kept {
  readonly circuit: string
  readonly at_ms: number
  readonly phase: Reading['phase']
  readonly errors: readonly UnitError[]
  readonly values: readonly number[]
  readonly quality: readonly string[]
  readonly anyGood: boolean
  readonly allGood: boolean
}

/** A sink that keeps everything and can be waited on. */
export interface Recorder {
  readonly sink: Sink
  readonly readings: Kept[]
  readonly faults: FaultReport[]
  readonly kinds: () => ReadFault['kind'][]
  /** Full: takes nothing more than what it is given, and says so. */
  full: boolean
  readonly batches: { offered: number }
  readonly until: (what: string, done: () => boolean) => Promise<void>
  /** The next reading from now on that fits. */
  readonly next: (what: string, fits: (reading: Kept) => boolean) => Promise<Kept>
}

export function recorder(limit_ms = 15_000): Recorder {
  const waiting = new Set<() => void>()
  const readings: Kept[] = []
  const faults: FaultReport[] = []
  const batches = { offered: 0 }
  const take = (item: Item): void => {
    if (item.kind === 'fault') faults.push(item)
    if (item.kind !== 'reading') return
    readings.push({
      circuit: item.circuit,
      at_ms: item.at_ms,
      phase: item.phase,
      errors: item.errors,
      values: [...item.values],
      quality: [...item.quality].map(qualityName),
      anyGood: item.quality.some((code) => !isBad(code)),
      allGood: item.quality.every((code) => code === 0),
    })
  }
  const self: Recorder = {
    full: false,
    batches,
    readings,
    faults,
    kinds: () => faults.map((each) => each.fault.kind),
    sink: (batch) => {
      batches.offered++
      batch.forEach(take)
      for (const look of waiting) look()
      return !self.full
    },
    until: (what, done) =>
      new Promise((resolve, reject) => {
        const timer = setTimeout(() => {
          waiting.delete(look)
          reject(
            new Error(`not within ${limit_ms} ms: ${what}. Faults: ${self.kinds().join(', ')}; last: ${JSON.stringify(readings.at(-1))}`),
          )
        }, limit_ms)
        const look = (): void => {
          if (!done()) return
          clearTimeout(timer)
          waiting.delete(look)
          resolve()
        }
        waiting.add(look)
        look()
      }),
    next: async (what, fits) => {
      const from = readings.length
      let found: Kept | undefined
      await self.until(what, () => (found = readings.slice(from).find(fits)) !== undefined)
      return found as Kept
    },
  }
  return self
}

export const noSecrets: ReadonlyMap<string, string> = new Map()

/** A clock that a test moves: timers due up to the new time are called in order. */
export function virtualClock(start_ms = 1_000_000): Clock & { readonly advance: (ms: number) => void } {
  let now = start_ms
  let timers: { at: number; call: () => void }[] = []
  return {
    now_ms: () => now,
    after: (delay_ms, call) => {
      const timer = { at: now + delay_ms, call }
      timers.push(timer)
      return { cancel: () => void (timers = timers.filter((each) => each !== timer)) }
    },
    advance: (ms) => {
      const end = now + ms
      for (;;) {
        const next = timers.filter((each) => each.at <= end).sort((a, b) => a.at - b.at)[0]
        if (next === undefined) break
        timers = timers.filter((each) => each !== next)
        now = Math.max(now, next.at)
        next.call()
      }
      now = end
    },
  }
}
