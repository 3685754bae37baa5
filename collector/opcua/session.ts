import type { OpcUaSource, UnitPlan } from '../../config/plan.ts'
import { QUALITY } from '../../rules/reading.ts'
import type { Clock, Discovery, Secrets } from '../source.ts'
import { bindAll, itemsOf, readAll, refusedItems, rereadValues, type Seat, type Told } from './bindings.ts'
import { covers, notShown } from './compare.ts'
import { connect, limited, message, Refused, type Refusal } from './connect.ts'
import { discover, NOTHING, type Finding } from './discover.ts'
import type { Library } from './library.ts'
import { Services } from './services.ts'
import { qualityOf } from './status.ts'
import { watch } from './subscription.ts'

/** How a session ended. idle: the server has nothing that the plan wants; look again later. renew: begin anew at once. */
export type Ending =
  { readonly kind: 'lost'; readonly why: Refusal } | { readonly kind: 'idle' } | { readonly kind: 'renew' } | { readonly kind: 'closed' }

/** What one session needs of the adapter. */
export interface House {
  readonly settings: OpcUaSource
  readonly units: readonly UnitPlan[]
  readonly seats: readonly Seat[]
  readonly secrets: Secrets
  readonly clock: Clock
  readonly closing: AbortSignal
  readonly told: Omit<Told, 'renew' | 'reread'>
  readonly found: (discovery: Discovery) => void
  /** Values come from now on. */
  readonly alive: () => void
  /** One answer of the server has been taken in whole. */
  readonly heard: () => void
}

/**
 * A server that announces nothing is looked through after this time, then at growing intervals: after its start it may show
 * its units one after the other.
 */
const LOOK_AGAIN_ms = 30_000
const LOOK_AGAIN_AT_MOST_ms = 600_000
const UNIT_CHANGE_ms = 200

/** One connection from beginning to end: connect, find, bind, watch, until it is lost or the zones have changed. */
export async function oneSession(opcua: Library, house: House): Promise<Ending> {
  const { settings, clock, seats } = house
  const ending = new AbortController()
  let how: Ending | null = null
  const end = (next: Ending): void => {
    how ??= next
    ending.abort()
  }
  const onClose = (): void => end({ kind: 'closed' })
  if (house.closing.aborted) return { kind: 'closed' }
  house.closing.addEventListener('abort', onClose)
  const lost = (detail: string): void => end({ kind: 'lost', why: { kind: 'link_lost', detail } })
  let hangUp = async (): Promise<void> => {}
  let stop = (): void => {}
  try {
    const link = await connect(opcua, settings, house.secrets, clock, lost, ending.signal)
    hangUp = link.hangUp
    const within = limited(clock, settings.timeout_ms, ending.signal)
    const services = new Services(link.session, within)
    await services.learnLimits()
    const namespaces = await services.namespaces()
    const finding = settings.discover ? await discover(services, namespaces) : NOTHING
    tellFinding(house, finding)
    if (seats.length === 0) return { kind: 'idle' }
    const told: Told = {
      ...house.told,
      renew: () => end({ kind: 'renew' }),
      // A little later: by then values that were on their way in the old unit have come, and been ignored.
      reread: (changed) =>
        void pause(clock, UNIT_CHANGE_ms + 2 * settings.sampling_ms, ending.signal)
          .then(() => (ending.signal.aborted ? undefined : rereadValues(changed, settings, services, told)))
          .then(house.heard)
          .catch((error: unknown) => lost(message(error))),
    }
    for (const { circuit } of seats) circuit.forget(QUALITY.waiting_for_initial_data)
    const bindings = await bindAll(seats, settings, finding, namespaces, services, told)
    for (const { circuit, facts } of bindings) if (facts.usedNode !== null) circuit.awaitExternalUsed()
    await readAll(bindings, services)
    const pace = paceOf(settings, house.units)
    const watching = await watch(
      opcua,
      link.session,
      services.limits,
      itemsOf(bindings, finding, settings, told),
      pace,
      { begin: () => {}, end: house.heard, lost },
      clock,
      within,
    )
    stop = watching.stop
    const refused = refusedItems(bindings, watching.statuses, settings, told)
    house.alive()
    await changed(house, services, { namespaces, finding, refused }, ending.signal)
    return how ?? { kind: 'renew' }
  } catch (error) {
    if (how !== null) return how
    if (error instanceof Refused) return { kind: 'lost', why: error.why }
    // The library and a strange server can fail in more ways than anybody lists; the next session starts from nothing.
    return { kind: 'lost', why: { kind: 'link_lost', detail: message(error) } }
  } finally {
    house.closing.removeEventListener('abort', onClose)
    stop()
    ending.abort()
    await hangUp()
  }
}

/** Tells a finding that the plan does not cover, and what of the plan is not shown. */
function tellFinding(house: House, finding: Finding): void {
  const { settings, units, told, clock } = house
  if (!settings.discover) return
  const here = `finding at ${settings.id}`
  if (finding.units.length === 0) {
    const detail = 'the server shows no temperature control device of OPC 40082-1'
    told.fault(here, { kind: 'nothing_found', unit: units[0]?.id ?? settings.id, address: settings.endpoint, detail })
    return
  }
  told.over(here)
  const missing = new Set(notShown(units, finding.units))
  for (const unit of units) {
    if (!missing.has(unit)) told.over(`finding of ${unit.id}`)
    else {
      const detail = `the server does not show the unit with serial number ${unit.serial}`
      told.fault(`finding of ${unit.id}`, { kind: 'nothing_found', unit: unit.id, address: settings.endpoint, detail })
    }
  }
  if (covers(units, finding.units)) return
  house.found({ kind: 'discovery', source: settings.id, at_ms: clock.now_ms(), units: finding.units })
}

interface Seen {
  readonly namespaces: readonly string[]
  readonly finding: Finding
  /** Nodes of the plan that the server would not watch. */
  readonly refused: readonly string[]
}

/** Waits, looking through the server from time to time; returns once it shows something else than before. */
async function changed(house: House, services: Services, seen: Seen, signal: AbortSignal): Promise<void> {
  for (let wait_ms = LOOK_AGAIN_ms; ; wait_ms = Math.min(2 * wait_ms, LOOK_AGAIN_AT_MOST_ms)) {
    await pause(house.clock, wait_ms, signal)
    if (signal.aborted) return
    const namespaces = await services.namespaces()
    if (JSON.stringify(namespaces) !== JSON.stringify(seen.namespaces)) return
    if (house.settings.discover) {
      const now = await discover(services, namespaces)
      if (JSON.stringify(now.units) !== JSON.stringify(seen.finding.units)) return
    }
    const answers = seen.refused.length === 0 ? [] : await services.read(seen.refused)
    if (answers.some(({ statusCode }) => qualityOf(statusCode.value) <= QUALITY.uncertain)) return
  }
}

/** Ends early, and without a fault, when the signal is given. */
export function pause(clock: Clock, delay_ms: number, signal: AbortSignal): Promise<void> {
  return new Promise((resolve) => {
    const done = (): void => {
      timer.cancel()
      signal.removeEventListener('abort', done)
      resolve()
    }
    const timer = clock.after(delay_ms, done)
    if (signal.aborted) done()
    else signal.addEventListener('abort', done)
  })
}

function paceOf(settings: OpcUaSource, units: readonly UnitPlan[]) {
  const fastest_ms = Math.min(...units.map(({ poll_ms }) => poll_ms))
  const publishing_ms = Math.max(10, settings.sampling_ms)
  return { publishing_ms, keepAlive_ms: Math.max(publishing_ms, Math.min(fastest_ms, 5000)), timeout_ms: settings.timeout_ms }
}
