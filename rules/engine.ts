import type { Plan } from '../config/plan.ts'
import type { Event } from './event.ts'
import type { Input } from './input.ts'
import { migrate } from './migrate.ts'
import { forgetLive, goOnCounting, keptPast, noPast, remember, type KeptPast } from './numbers.ts'
import { freshService, serviceRecords, type ServiceState } from './service.ts'
import { openUnit, type UnitEngine } from './unit.ts'
import type { UnitState } from './unit-state.ts'

/** Changes whenever the same inputs could give other events. Stands in every state and event that is kept. */
export const ENGINE_VERSION = '1'

/** Everything that is to be remembered between two inputs: plain JSON-able data. */
export interface EngineState {
  readonly service: ServiceState
  readonly units: Readonly<Record<string, UnitState>>
  /** How far was counted for what the plan had once. Absent: nothing has ever gone. */
  readonly past?: KeptPast
}

/** All units of a site on one plan. Live service, restart and replay are this one thing. */
export interface Engine {
  readonly plan: () => Plan
  /** One input in, in sequence; what happened out, in order. */
  readonly step: (input: Input) => readonly Event[]
  /** Goes over to another plan: its plan_change input must have been stepped just before. */
  readonly changePlan: (to: Plan, at_ms: number) => readonly Event[]
  /** Units with a timer due at or before at_ms, and the earliest due time of all others. */
  readonly due: (at_ms: number) => { readonly units: readonly string[]; readonly next_ms: number }
  readonly next_ms: () => number
  /** Never later than `next_ms`, and known without looking at every unit: whoever waits for that long misses nothing. */
  readonly soonest_ms: () => number
  readonly unit: (id: string) => UnitEngine | null
  readonly units: () => Iterable<UnitEngine>
  readonly save: () => EngineState
  /** The last input but plan changes was a clean stop of the service, or there was none. */
  readonly wasStopped: () => boolean
}

export function openEngine(first: Plan, saved: EngineState | null): Engine {
  let plan = first
  // A snapshot is JSON, so its own round trip is the copy.
  const service: ServiceState = saved === null ? freshService() : (JSON.parse(JSON.stringify(saved.service)) as ServiceState)
  const past = noPast(saved?.past)
  let units = new Map<string, UnitEngine>()
  let byCircuit = new Map<string, UnitEngine>()
  let byAlarm = new Map<string, UnitEngine>()
  /** Earliest timer of each unit, kept so that a reading costs only its own unit. */
  let dues = new Map<string, number>()
  let soonest = Infinity

  function open(states: (unit: string) => UnitState | null): void {
    units = new Map(plan.units.map((unit) => [unit.id, openUnit(unit, plan.version, goOnCounting(unit, states(unit.id), past))]))
    for (const unit of plan.units) forgetLive(past, unit)
    byCircuit = new Map()
    byAlarm = new Map()
    dues = new Map()
    for (const engine of units.values()) {
      for (const circuit of engine.plan.circuits) byCircuit.set(circuit.key, engine)
      for (const { rule } of engine.alarms()) byAlarm.set(rule.alarm, engine)
      dues.set(engine.plan.id, engine.due_ms())
    }
    soonest = next_ms()
  }
  // Filled in place when opened, so never the caller's own.
  open((unit) => structuredClone(saved?.units[unit] ?? null))

  function one(engine: UnitEngine | undefined, input: Input): readonly Event[] {
    if (engine === undefined) return []
    const events = engine.step(input)
    const due = engine.due_ms()
    dues.set(engine.plan.id, due)
    if (due < soonest) soonest = due
    return events
  }

  function step(input: Input): readonly Event[] {
    switch (input.kind) {
      case 'reading':
        service.stopped = false
        return one(byCircuit.get(input.circuit), input)
      case 'fault':
      case 'tick':
        return one(units.get(input.unit), input)
      case 'command':
        return byAlarm.has(input.alarm) ? one(byAlarm.get(input.alarm), input) : serviceRecords(service, plan.version, input)
      case 'service_start':
      case 'service_stop':
      case 'clock_step':
      case 'gap':
        return [...serviceRecords(service, plan.version, input), ...[...units.values()].flatMap((engine) => one(engine, input))]
      case 'plan_change':
      case 'canary':
        return serviceRecords(service, plan.version, input)
    }
  }

  function changePlan(to: Plan, at_ms: number): readonly Event[] {
    const events: Event[] = []
    const carried = new Map<string, UnitState>()
    for (const engine of units.values()) {
      const next = to.units.find((unit) => unit.id === engine.plan.id) ?? null
      const before = engine.save()
      const moved = migrate(before, engine.plan, next, to.version, at_ms)
      events.push(...moved.events)
      remember(past, engine.plan, before)
      // The line of its end is the last of an alarm.
      for (const event of moved.events) if (event.kind === 'alarm') past.events.set(event.alarm, event.eventNo)
      if (next !== null) carried.set(next.id, moved.state)
    }
    plan = to
    open((unit) => carried.get(unit) ?? null)
    return events
  }

  function next_ms(): number {
    let next = Infinity
    for (const due of dues.values()) if (due < next) next = due
    soonest = next
    return next
  }

  return {
    plan: () => plan,
    step,
    changePlan,
    due: (at_ms) => {
      const now: string[] = []
      let next = Infinity
      for (const [unit, due] of dues) {
        if (due <= at_ms) now.push(unit)
        else if (due < next) next = due
      }
      return { units: now, next_ms: next }
    },
    next_ms,
    soonest_ms: () => soonest,
    unit: (id) => units.get(id) ?? null,
    units: () => units.values(),
    wasStopped: () => service.stopped,
    save: () => ({ service, units: Object.fromEntries([...units].map(([id, engine]) => [id, engine.save()])), past: keptPast(past) }),
  }
}
