import type { OpcUaSource, UnitPlan } from '../../config/plan.ts'
import { QUALITY } from '../../rules/reading.ts'
import { counter } from '../figures.ts'
import { circuit, type Circuit } from '../opcua/circuit.ts'
import type { Refusal } from '../opcua/connect.ts'
import { oneSession, pause, type Ending, type House } from '../opcua/session.ts'
import { sinkGate } from '../sink-gate.ts'
import type { Discovery, Item, Open, ReadFault, Timer } from '../source.ts'
import { standingFaults } from '../standing-faults.ts'

const FIRST_RETRY_ms = 500
const LAST_RETRY_ms = 10_000
/** A server without anything that the plan wants is looked at again this often. */
const IDLE_ms = 15_000

/**
 * OPC UA: any server by node ids, or by itself where it has temperature control devices of OPC 40082-1. Only Read, Browse and
 * the services of a subscription are ever asked for. The library is large and loaded here, when the first source is opened.
 *
 * Readings: one per changed circuit and answer of the server, and each circuit's present state once per poll_ms while the
 * subscription lives, since a steady value is news too. Without a server: all signals bad once per poll_ms.
 */
export const openOpcUa: Open<OpcUaSource> = (settings, units, sink, clock, secrets) => {
  const figures = counter()
  const faults = standingFaults(figures)
  const gate = sinkGate(sink, clock, figures, units[0]?.id ?? settings.id)
  const closing = new AbortController()
  const circuits = new Map(units.map((unit) => [unit.id, unit.circuits.map((plan) => circuit(plan))]))
  const seats = units.flatMap((unit) => (circuits.get(unit.id) ?? []).map((each) => ({ unit: unit.id, circuit: each })))
  const timers = new Map<string, Timer>()
  /** starting: nothing is known yet and nothing is said, for a new session at most a few seconds. */
  let state: 'starting' | 'alive' | 'lost' = 'starting'
  let wasAlive = false
  /** Sessions that failed since the last one that lived. */
  let failures = 0
  /** The last finding that was told; one that the sink had no room for waits here. */
  let told = ''
  let untold: Discovery | null = null

  const tell = (readings: readonly Item[]): void => {
    const news = faults.take()
    const discovery = untold === null ? [] : [untold]
    if (news.length + discovery.length + readings.length === 0) return
    untold = null
    gate.tell(news.length + discovery.length === 0 ? readings : [...news, ...discovery, ...readings])
  }
  /** Faults and findings do not wait for a reading. */
  const tellNews = (): void => {
    if (gate.isOpen()) tell([])
  }
  const tellChanged = (): void => {
    if (state !== 'alive' || !gate.isOpen()) return // what has changed is told with the next poll
    const at_ms = clock.now_ms()
    const readings: Item[] = []
    for (const { circuit: each } of seats) if (each.isChanged()) readings.push(each.reading(at_ms))
    tell(readings)
  }
  const flush = (each: Circuit): void => {
    if (state === 'alive' && gate.isOpen()) tell([each.reading(clock.now_ms())])
  }

  const poll = (unit: UnitPlan, due_ms: number): void => {
    const now_ms = clock.now_ms()
    if (state !== 'starting') {
      if (gate.isOpen()) {
        figures.poll(now_ms - due_ms)
        tell((circuits.get(unit.id) ?? []).map((each) => each.reading(now_ms)))
      } else figures.missed(1)
    }
    const passed = Math.max(0, Math.floor((now_ms - due_ms) / unit.poll_ms))
    if (passed > 0) figures.missed(passed)
    const next_ms = due_ms + (passed + 1) * unit.poll_ms
    timers.set(
      unit.id,
      clock.after(next_ms - now_ms, () => poll(unit, next_ms)),
    )
  }
  // Units of one server are told one after the other, not all at once.
  for (const [place, unit] of units.entries()) {
    const due_ms = clock.now_ms() + Math.round((unit.poll_ms * (place + 1)) / units.length)
    timers.set(
      unit.id,
      clock.after(due_ms - clock.now_ms(), () => poll(unit, due_ms)),
    )
  }

  const house: House = {
    settings,
    units,
    seats,
    secrets,
    clock,
    closing: closing.signal,
    told: {
      fault: (subject, fault) => faults.happened(subject, fault, clock.now_ms()),
      over: faults.over,
      flush,
    },
    found: (discovery) => {
      const text = JSON.stringify(discovery.units)
      if (text === told) return
      told = text
      untold = discovery
      tellNews()
    },
    alive: () => {
      if (wasAlive) figures.reconnect()
      wasAlive = true
      failures = 0
      state = 'alive'
      figures.connected(true)
      figures.poll(0) // everything was read once at the beginning
      for (const unit of namesOf(units, settings)) faults.over(`link of ${unit}`)
      tellChanged()
    },
    heard: tellChanged,
  }
  const lose = (why: Refusal): void => {
    state = 'lost'
    figures.connected(false)
    for (const { circuit: each } of seats) each.forget(QUALITY.no_communication)
    const at_ms = clock.now_ms()
    for (const unit of namesOf(units, settings)) faults.happened(`link of ${unit}`, faultOf(why, unit, settings), at_ms)
    tell(gate.isOpen() ? seats.map(({ circuit: each }) => each.reading(at_ms)) : [])
  }

  const run = async (): Promise<void> => {
    const opcua = await import('node-opcua')
    // Its warnings are for programmers and go to the console; what matters of them comes to us as an error and out as a fault.
    opcua.setWarningLogger(() => {})
    opcua.setErrorLogger(() => {})
    while (!closing.signal.aborted) {
      const ending: Ending = await oneSession(opcua, house)
      if (state === 'alive') state = 'starting'
      switch (ending.kind) {
        case 'closed':
          return
        case 'renew': // a server that changes without end must not keep us busy without end
          await pause(clock, FIRST_RETRY_ms, closing.signal)
          break
        case 'idle':
          figures.connected(false)
          tellNews()
          await pause(clock, IDLE_ms, closing.signal)
          break
        case 'lost': {
          lose(ending.why)
          const wait_ms = Math.min(LAST_RETRY_ms, FIRST_RETRY_ms * 2 ** failures++)
          await pause(clock, wait_ms * (0.75 + Math.random() / 2), closing.signal)
          break
        }
      }
    }
  }
  const running = run()
  return {
    figures: figures.figures,
    standing: faults.standing,
    close: async () => {
      closing.abort()
      for (const timer of timers.values()) timer.cancel()
      await running
      figures.connected(false)
    },
  }
}

/** Who hears of the line: every unit behind it, or the source itself while no unit is known. */
const namesOf = (units: readonly UnitPlan[], settings: OpcUaSource): readonly string[] =>
  units.length === 0 ? [settings.id] : units.map(({ id }) => id)

function faultOf(why: Refusal, unit: string, settings: OpcUaSource): ReadFault {
  const address = settings.endpoint
  switch (why.kind) {
    case 'timeout':
      return { kind: 'timeout', unit, waited_ms: settings.timeout_ms }
    case 'refused':
    case 'identity_rejected':
    case 'link_lost':
      return { kind: why.kind, unit, address, detail: why.detail }
    case 'untrusted_certificate':
      return { kind: 'untrusted_certificate', unit, address, file: why.file }
  }
}
