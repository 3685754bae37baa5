import type { Condition } from '../config/plan.ts'
import type { AlarmEvent } from '../rules/event.ts'
import { foreign } from './foreign-text.ts'

/** Above these nobody is told to lay hands on a circuit. Common practice, no source. */
export const HANDS_OFF_DEGC = 60
export const HANDS_OFF_BAR = 0.5
/** A temperature older than this when the event happened says nothing about now. Our choice. */
const OLD_MS = 120_000

/** Why a circuit is taken for hot or under pressure; all false only where both are known to be low. */
export interface Hazard {
  readonly hot: boolean
  readonly heating: boolean
  readonly pressurised: boolean
  readonly unknown: boolean
}

/** What is not known counts as hot and pressurised; so does a circuit on its way up, since a message is read later than written. */
export function hazardOf(event: AlarmEvent): Hazard {
  const { hottest_degC, hottestAt_ms, pressure_bar, anyBad, phase } = event.context
  if (isOwn(event)) return { hot: false, heating: false, pressurised: false, unknown: false }
  const old = hottestAt_ms === null || event.at_ms - hottestAt_ms > OLD_MS
  const running = phase !== 'off' && phase !== 'powered_down'
  return {
    // Written as 'not at most': a NaN that got here counts as hot.
    hot: hottest_degC !== null && !(hottest_degC <= HANDS_OFF_DEGC),
    heating: running && event.set_value !== null && event.measure === 'degC' && !(event.set_value <= HANDS_OFF_DEGC),
    pressurised: pressure_bar !== null && !(pressure_bar <= HANDS_OFF_BAR),
    unknown: hottest_degC === null || pressure_bar === null || anyBad || event.quality !== 'good' || old || phase === 'unknown',
  }
}
/** mouldtend speaks of itself: a computer, not a circuit. */
const isOwn = ({ signal }: { readonly signal: string | null }): boolean => signal?.startsWith('self.') === true
export const handsOff = (hazard: Hazard): boolean => hazard.hot || hazard.heating || hazard.pressurised || hazard.unknown

const BEFORE_WORK =
  'Before any work: cool down, depressurise, verify temperature and pressure at the unit; only a qualified person may do this.'

/** For when the state is not known any more: present state that stays for hours, messages that arrive late. */
export const CAUTIOUS_STEP = `Go to the unit and read its display; treat it as hot and under pressure. ${BEFORE_WORK}`

/** What a message asks for first when it is read long after it was made. */
export function laterStep(message: {
  readonly signal: string | null
  readonly hands_off: boolean
  readonly lines: { readonly first_step: string }
}): string {
  return message.hands_off || isOwn(message) ? message.lines.first_step : CAUTIOUS_STEP
}

/**
 * What to do first. Where the circuit may be hot or under pressure only looking is asked for, in our own words: the words of a site
 * file could say more than may be said. Otherwise the site's words, with the reminder that a reading is not a look at the unit.
 */
export function firstStep(hazard: Hazard, condition: Condition | null, event: AlarmEvent, words: string): string {
  if (handsOff(hazard)) return `${look(condition, event)} ${BEFORE_WORK}`
  const step = foreign(words, 300)
  if (isOwn(event)) return sentence(step)
  return `${step === '' ? 'Go to the unit and read its display.' : sentence(step)} Verify temperature and pressure at the unit before any work; they can have changed since.`
}

function look(condition: Condition | null, event: AlarmEvent): string {
  switch (condition?.kind) {
    case 'contact_lost':
    case 'no_reading':
      return 'Go to the unit and read its display; its state is not known here.'
    case 'bad_signal':
      return 'Read the value at the unit itself; the one here cannot be trusted.'
    case 'switched_off_hot':
      return 'Go to the unit and read its temperatures; ask a qualified person whether it may run again to cool down.'
    case 'unit_errors':
      return 'Read the error at the unit and look it up in its manual.'
    case 'high':
    case 'low':
    case 'band':
    case 'high_above':
    case 'off_normal':
    case 'discrepancy':
    case undefined:
      return lookAtSignal(event.signal)
  }
}

function lookAtSignal(signal: string | null): string {
  if (signal === null) return 'Go to the unit and read its display.'
  if (signal.includes('pressure')) return 'Read the pressures at the unit; keep away from hoses and couplings.'
  if (signal.includes('flow') || signal.startsWith('pump')) {
    return 'Read flow and pump pressure at the unit; look from a distance for medium on the floor.'
  }
  return 'Read set value, main line and return line at the unit and compare them with this message.'
}

/** In one sentence why hands stay off; null where both are known to be low. */
export function caution(hazard: Hazard, event: AlarmEvent, hottest: string | null, pressure: string | null): string | null {
  if (!handsOff(hazard)) return null
  const seen = [
    hazard.hot && hottest !== null ? `hot (${hottest})` : '',
    hazard.pressurised && pressure !== null ? `under pressure (${pressure})` : '',
    hazard.heating && !hazard.hot ? 'heating up' : '',
  ].filter((part) => part !== '')
  const known = seen.length === 0 ? '' : `Caution, ${seen.join(' and ')}. `
  const lastSeen = hottest === null ? 'never seen' : `last seen ${hottest}`
  if (hazard.unknown) return `${known}State not fully known (${lastSeen}): treat as hot and under pressure.`
  return known.trim()
}

const sentence = (text: string): string => (/[.!?…]$/.test(text) ? text : `${text}.`)
