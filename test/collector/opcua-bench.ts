import { mkdtempSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { openOpcUa } from '../../collector/adapters/opcua.ts'
import { systemClock } from '../../collector/clock.ts'
import type { Discovery, FoundUnit, Item, ReadFault, Source } from '../../collector/source.ts'
import type { CircuitPlan, OpcUaSource, UnitPlan } from '../../config/plan.ts'
import { sampleAt, type Sample, type UnitError } from '../../rules/reading.ts'
import { isSignalName } from '../../rules/signals.ts'
import type { VirtualUnit, ZoneValues } from '../../simulator/zone.ts'

/** A zone that stands still: every number is its own, so that a mix-up shows. */
export const STEADY: ZoneValues = {
  mainLine_degC: 80,
  returnLine_degC: 82.5,
  external_degC: Number.NaN,
  actual_degC: 80,
  setValue_degC: 81,
  standby_degC: 40,
  limitation_degC: 140,
  switchingOff_degC: 60,
  flow_l_min: 30,
  mainLine_bar: 6,
  returnLine_bar: 2,
  regulation_percent: -15,
  process_kW: -3.5,
  pumpSpeed_percent: 90,
  pumpSpeed_rpm: 2700,
  pump_kW: 1.25,
  pumpRunning: true,
  operatingMode: 2,
  controlPoint: 0,
  hoursOfOperation_h: 1234.5,
  refills: 0,
  alarmContact: false,
  errors: [],
  tolerance_K: 5,
}

/** A virtual unit whose values a test sets. */
export function testUnit(serial: string, zones: readonly string[], start: Partial<ZoneValues> = {}) {
  const values = new Map(zones.map((id): [string, ZoneValues] => [id, { ...STEADY, ...start }]))
  const unit: VirtualUnit = {
    serial,
    model: 'Test unit 9',
    manufacturer: 'Kestrel Hall',
    location: 'Bay 3',
    maxTemperature_degC: 140,
    heating_kW: 9,
    nominalFlow_l_min: 50,
    zones: zones.map((id) => ({ id, values: () => values.get(id) ?? STEADY })),
  }
  return {
    unit,
    set: (zone: string, change: Partial<ZoneValues>): void => {
      values.set(zone, { ...(values.get(zone) ?? STEADY), ...change })
    },
  }
}

export function tempFolder(): { readonly path: string; readonly remove: () => void } {
  const path = mkdtempSync(join(tmpdir(), 'mouldtend-opcua-'))
  return { path, remove: () => rmSync(path, { recursive: true, force: true }) }
}

export function settingsFor(endpoint: string, pki: string, change: Partial<OpcUaSource> = {}): OpcUaSource {
  return {
    kind: 'opcua',
    id: 'hall',
    endpoint,
    securityMode: 'None',
    securityPolicy: 'None',
    identity: { kind: 'anonymous' },
    pki,
    sampling_ms: 50,
    queue: 2,
    timeout_ms: 3000,
    discover: true,
    medium: 'water',
    line: 'site.yaml:3',
    ...change,
  }
}

export function circuitPlan(unit: string, id: string, signals: readonly { signal: string; node: string }[]): CircuitPlan {
  return {
    key: `${unit}/${id}`,
    id,
    place: 'bay-3',
    signals: signals.map(({ signal }) => signal).filter(isSignalName),
    controlPoint: 'unit',
    registers: null,
    nodes: signals.map(({ node }) => node),
    texts: {},
    switchOff_degC: 60,
    tolerance: { plus_K: 3, minus_K: 3 },
    rules: [],
  }
}
export function unitPlan(id: string, serial: string, circuits: readonly CircuitPlan[], poll_ms = 200): UnitPlan {
  return { id, serial, medium: 'water', source: 'hall', poll_ms, staleAfter_ms: 5000, booting_ms: 0, circuits, rules: [] }
}
/** The plan that a service makes of a finding: unit ids are the serial numbers in small letters. */
export function planOf(found: readonly FoundUnit[], poll_ms = 200): UnitPlan[] {
  return found.map((unit) => {
    const id = unit.serial.toLowerCase()
    return unitPlan(
      id,
      unit.serial,
      unit.circuits.map((circuit) => circuitPlan(id, circuit.id, circuit.signals)),
      poll_ms,
    )
  })
}

export interface Told {
  readonly circuit: string
  readonly at_ms: number
  readonly phase: string | null
  readonly errors: readonly UnitError[]
  readonly samples: Readonly<Record<string, Sample>>
}

/** Opens the adapter and keeps what it says; `until` waits for a condition, looking whenever something was said. */
export function listen(settings: OpcUaSource, units: readonly UnitPlan[], secrets: ReadonlyMap<string, string> = new Map()) {
  const signals = new Map(units.flatMap((unit) => unit.circuits.map((circuit) => [circuit.key, circuit.signals] as const)))
  const readings: Told[] = []
  const faults: ReadFault[] = []
  const findings: Discovery[] = []
  let wake = (): void => {}
  const take = (item: Item): void => {
    if (item.kind === 'fault') faults.push(item.fault)
    else if (item.kind === 'discovery') findings.push(item)
    else if (item.kind === 'reading') {
      const samples = (signals.get(item.circuit) ?? []).map((name, index) => [name, sampleAt(item, index)] as const)
      readings.push({
        circuit: item.circuit,
        at_ms: item.at_ms,
        phase: item.phase,
        errors: item.errors,
        samples: Object.fromEntries(samples),
      })
    }
  }
  let full = false
  const source: Source = openOpcUa(
    settings,
    units,
    (batch) => {
      for (const item of batch) take(item)
      wake()
      return !full
    },
    systemClock(),
    secrets,
  )
  const last = (circuit: string): Told | undefined => readings.findLast((reading) => reading.circuit === circuit)
  return {
    readings,
    faults,
    findings,
    last,
    source,
    fill: (yes: boolean) => void (full = yes),
    sample: (circuit: string, signal: string): Sample | undefined => last(circuit)?.samples[signal],
    /** Resolves with the first value that is not undefined, null or false. */
    until: <T>(look: () => T | undefined | null | false, within_ms = 15_000): Promise<T> =>
      new Promise((resolve, reject) => {
        const before = wake
        const timer = setTimeout(() => {
          wake = before
          const state = JSON.stringify({ faults, readings: readings.slice(-2), findings: findings.length })
          reject(new Error(`waited ${within_ms} ms for ${String(look)}; so far ${state}`))
        }, within_ms)
        const check = (): void => {
          before()
          const seen = look()
          if (seen === undefined || seen === null || seen === false) return
          clearTimeout(timer)
          wake = before
          resolve(seen)
        }
        wake = check
        check()
      }),
  }
}
export type Listening = ReturnType<typeof listen>

/** Finds what a server shows, and closes again. */
export async function find(settings: OpcUaSource): Promise<readonly FoundUnit[]> {
  const listening = listen(settings, [])
  const finding = await listening.until(() => listening.findings[0])
  await listening.source.close()
  return finding.units
}
