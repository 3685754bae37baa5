import { Circuit, type Wish } from './circuit.ts'
import { drawUnit, type Duty, type UnitDesign } from './draw.ts'
import { linkAt, LINK_UP, type Fault, type Link, type TimedFault } from './faults.ts'
import type { MediumName } from './medium.ts'
import { random } from './noise.ts'
import type { VirtualUnit } from './zone.ts'

export const LAYOUTS = ['tenths16', 'float32swap', 'opcua'] as const
export type Layout = (typeof LAYOUTS)[number]

export interface UnitOrder {
  readonly layout: Layout
  /** Left out: drawn. */
  readonly duty?: Duty
  readonly zones?: number
}
export interface HallOrder {
  readonly seed: number
  readonly units: readonly UnitOrder[]
}

/** A fault as ordered: times in virtual seconds from the hall's start; without a start it begins now. */
export interface FaultOrder {
  readonly unit: string
  readonly zone?: string | undefined
  readonly start_s?: number | undefined
  readonly ramp_s?: number | undefined
  readonly end_s?: number | undefined
  readonly fault: Fault
}
export type Refusal =
  | { readonly kind: 'unknown_unit'; readonly unit: string }
  | { readonly kind: 'unknown_zone'; readonly unit: string; readonly zone: string }
  | { readonly kind: 'too_many_faults'; readonly most: number }
export type Outcome<T> = { readonly ok: true; readonly value: T } | { readonly ok: false; readonly refusal: Refusal }

const HALVES = ['fixed half', 'moving half'] as const
const DUTIES: readonly [Duty, ...Duty[]] = ['cool', 'cool', 'hot', 'hot', 'oil']
const MOST_FAULTS = 1000
const STEP_S = 1

export class HallUnit implements VirtualUnit {
  readonly serial: string
  readonly model: string
  readonly manufacturer = 'Hollinbeck Heatworks'
  readonly location: string
  readonly maxTemperature_degC: number
  readonly heating_kW: number
  readonly nominalFlow_l_min: number
  readonly medium: MediumName
  readonly duty: Duty
  readonly layout: Layout
  readonly zones: readonly Circuit[]
  faults: readonly TimedFault[] = []

  constructor(serial: string, location: string, layout: Layout, design: UnitDesign, zones: readonly Circuit[]) {
    this.serial = serial
    this.location = location
    this.layout = layout
    this.model = design.model
    this.maxTemperature_degC = design.maxTemperature_degC
    this.heating_kW = design.heating_kW
    this.nominalFlow_l_min = design.nominalFlow_l_min
    this.medium = design.medium
    this.duty = design.duty
    this.zones = zones
  }
}

/** Kestrel Hall: virtual units on a virtual clock. The same order gives the same hall and the same noise. */
export class Hall {
  readonly units: readonly HallUnit[]
  readonly #bySerial: ReadonlyMap<string, HallUnit>
  #now_s = 0
  #stepped_s = 0
  #nextFault = 1
  #tick = 0

  constructor(order: HallOrder) {
    this.units = order.units.map((unit, index) => build(order.seed, unit, index))
    this.#bySerial = new Map(this.units.map((unit) => [unit.serial, unit]))
  }

  /** Virtual seconds since the start. */
  get now_s(): number {
    return this.#now_s
  }

  /** Counts physics steps: what was encoded at the same tick is still current. */
  get tick(): number {
    return this.#tick
  }

  /** Physics go in whole seconds; what is left over waits for the next call. */
  advance(dt_ms: number): void {
    if (!(dt_ms >= 0)) throw new RangeError(`time goes forward only, not by ${dt_ms} ms`)
    this.#now_s += dt_ms / 1000
    // Half a microsecond of slack: ten times 100 ms is a second, whatever their sum in binary.
    while (this.#now_s - this.#stepped_s >= STEP_S - 5e-7) {
      for (const unit of this.units) for (const zone of unit.zones) zone.step(STEP_S)
      this.#stepped_s += STEP_S
      this.#tick += 1
    }
  }

  unit(serial: string): HallUnit | null {
    return this.#bySerial.get(serial) ?? null
  }

  link(unit: HallUnit): Link {
    return unit.faults.length === 0 ? LINK_UP : linkAt(unit.faults, this.#now_s)
  }

  faults(): readonly TimedFault[] {
    return this.units.flatMap((unit) => unit.faults)
  }

  inject(order: FaultOrder): Outcome<TimedFault> {
    const target = this.#target(order.unit, order.zone)
    if (!target.ok) return target
    for (const unit of this.units)
      this.#assign(
        unit,
        unit.faults.filter((f) => f.end_s === null || f.end_s > this.#now_s),
      )
    if (this.faults().length >= MOST_FAULTS) return { ok: false, refusal: { kind: 'too_many_faults', most: MOST_FAULTS } }
    const fault: TimedFault = {
      id: `F${this.#nextFault++}`,
      unit: order.unit,
      zone: order.zone ?? null,
      start_s: order.start_s ?? this.#now_s,
      ramp_s: order.ramp_s ?? 0,
      end_s: order.end_s ?? null,
      fault: order.fault,
    }
    this.#assign(target.value.unit, [...target.value.unit.faults, fault])
    return { ok: true, value: fault }
  }

  /** Ends faults by id, of a unit, or all. Returns how many. */
  clear(which: { readonly id?: string | undefined; readonly unit?: string | undefined }): number {
    let cleared = 0
    for (const unit of this.units) {
      if (which.unit !== undefined && which.unit !== unit.serial) continue
      const left = unit.faults.filter((fault) => which.id !== undefined && which.id !== fault.id)
      cleared += unit.faults.length - left.length
      this.#assign(unit, left)
    }
    return cleared
  }

  setValue(serial: string, zone: string | undefined, degC: number): Outcome<number> {
    return this.#each(serial, zone, (circuit) => {
      circuit.setValue_degC = degC
    })
  }

  wish(serial: string, zone: string | undefined, wish: Wish): Outcome<number> {
    return this.#each(serial, zone, (circuit) => {
      circuit.wish = wish
    })
  }

  machine(serial: string, zone: string | undefined, running: boolean): Outcome<number> {
    return this.#each(serial, zone, (circuit) => {
      circuit.machineRunning = running
    })
  }

  #each(serial: string, zone: string | undefined, act: (circuit: Circuit) => void): Outcome<number> {
    const target = this.#target(serial, zone)
    if (!target.ok) return target
    for (const circuit of target.value.circuits) act(circuit)
    return { ok: true, value: target.value.circuits.length }
  }

  #target(serial: string, zone: string | undefined): Outcome<{ readonly unit: HallUnit; readonly circuits: readonly Circuit[] }> {
    const unit = this.unit(serial)
    if (unit === null) return { ok: false, refusal: { kind: 'unknown_unit', unit: serial } }
    const circuits = zone === undefined ? unit.zones : unit.zones.filter((circuit) => circuit.id === zone)
    if (circuits.length === 0) return { ok: false, refusal: { kind: 'unknown_zone', unit: serial, zone: zone ?? '' } }
    return { ok: true, value: { unit, circuits } }
  }

  #assign(unit: HallUnit, faults: readonly TimedFault[]): void {
    if (faults.length === unit.faults.length) return
    unit.faults = faults
    for (const circuit of unit.zones) {
      circuit.faults = faults.filter(
        ({ zone, fault }) => (zone === null || zone === circuit.id) && fault.kind !== 'link_down' && fault.kind !== 'link_slow',
      )
    }
  }
}

function build(seed: number, order: UnitOrder, index: number): HallUnit {
  const dice = random(seed, index)
  // Drawn in any case: ordering one thing must not change what else is drawn.
  const drawnDuty = dice.pick(DUTIES)
  const drawnZones = dice.next() < 0.3 ? 2 : 1
  const design = drawUnit(dice, order.duty ?? drawnDuty, order.zones ?? drawnZones)
  const serial = `KH-${String(index + 1).padStart(4, '0')}`
  const location = `Kestrel Hall, press ${Math.floor(index / 2) + 1}, ${HALVES[index % 2] ?? HALVES[0]}`
  const zones = design.circuits.map((circuit, zone) => new Circuit(circuit, random(seed, 100_000 + index * 8 + zone)))
  return new HallUnit(serial, location, order.layout, design, zones)
}
