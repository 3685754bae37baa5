import type { Fault } from './faults.ts'
import type { Hall, HallUnit, UnitOrder } from './hall.ts'

/** One thing that happens, for people. `at_s` and `until_s` are seconds of the wall clock from the story's start. */
export interface StoryPoint {
  readonly at_s: number
  readonly until_s: number
  readonly unit: string
  readonly place: string
  readonly what: string
}

interface Scene {
  readonly at_s: number
  readonly ramp_s: number
  readonly until_s: number
  readonly what: string
  readonly fault: Fault
  readonly fits: (unit: HallUnit) => boolean
}

/** The hall of the demo: every layout, water and oil, hot and cool. */
export const DEMO_UNITS: readonly UnitOrder[] = [
  { layout: 'tenths16', duty: 'hot', zones: 1 },
  { layout: 'tenths16', duty: 'cool', zones: 2 },
  { layout: 'tenths16', duty: 'hot', zones: 1 },
  { layout: 'tenths16', duty: 'cool', zones: 1 },
  { layout: 'float32swap', duty: 'hot', zones: 1 },
  { layout: 'float32swap', duty: 'oil', zones: 1 },
  { layout: 'float32swap', duty: 'cool', zones: 2 },
  { layout: 'opcua', duty: 'hot', zones: 1 },
  { layout: 'opcua', duty: 'cool', zones: 2 },
]

const atMainLine = (unit: HallUnit): boolean => unit.zones.every((zone) => zone.design.controlPoint === 0)
const DEMO: readonly Scene[] = [
  {
    at_s: 8,
    ramp_s: 0,
    until_s: 90,
    what: 'all heater phases gone: the unit reports it, the temperature falls',
    fault: { kind: 'heater_phase_lost', phases: 3 },
    fits: (unit) => unit.duty === 'hot' && unit.layout === 'tenths16',
  },
  {
    at_s: 15,
    ramp_s: 5,
    until_s: 120,
    what: 'the mould channels are constricted: the flow falls to about a third',
    fault: { kind: 'constriction', factor: 9 },
    fits: (unit) => unit.duty === 'cool' && unit.layout !== 'float32swap',
  },
  {
    at_s: 25,
    ramp_s: 0,
    until_s: 75,
    what: 'the unit no longer answers, and it is hot',
    fault: { kind: 'link_down', how: 'silent' },
    fits: (unit) => unit.duty === 'hot' && unit.layout === 'float32swap',
  },
  {
    at_s: 40,
    ramp_s: 0,
    until_s: 130,
    what: 'somebody turns the main switch off while it is hot',
    fault: { kind: 'main_switch_off' },
    fits: (unit) => unit.duty === 'oil' && unit.layout !== 'opcua',
  },
]

/** Puts the demo's faults into the hall, from now on; a scene that no unit is left for is left out. */
export function tell(hall: Hall, speed: number): readonly StoryPoint[] {
  const taken = new Set<string>()
  return DEMO.flatMap((scene) => {
    const free = hall.units.filter((unit) => !taken.has(unit.serial))
    // The unit that shows it best, else a hot one, else any; an OPC UA unit cannot fall silent on its own.
    const modbus = free.filter((u) => u.layout !== 'opcua')
    const unit =
      free.find((u) => scene.fits(u) && atMainLine(u)) ?? free.find(scene.fits) ?? modbus.find((u) => u.duty !== 'cool') ?? modbus[0]
    if (unit === undefined) return []
    taken.add(unit.serial)
    const start_s = hall.now_s + scene.at_s * speed
    hall.inject({
      unit: unit.serial,
      start_s,
      ramp_s: scene.ramp_s * speed,
      end_s: hall.now_s + scene.until_s * speed,
      fault: scene.fault,
    })
    return [{ at_s: scene.at_s, until_s: scene.until_s, unit: unit.serial, place: unit.location, what: scene.what }]
  })
}
