import type { CircuitPlan } from '../config/plan.ts'
import { SYMBOL, type Measure, type SignalName } from '../rules/signals.ts'

/** Digits after the point where no register map tells the signal's resolution. Common practice, no source. */
const USUAL_DIGITS: Readonly<Record<Measure, number>> = {
  degC: 1,
  K: 1,
  bar: 2,
  l_min: 1,
  kW: 1,
  '%': 0,
  h: 0,
  '1_min': 0,
  s: 0,
  count: 0,
  state: 0,
}
const MOST_DIGITS = 4

/** Digits after the point that the signal really has: from its register row, else what is usual for the measure. */
export function digitsOf(signal: SignalName | null, measure: Measure | null, circuit: CircuitPlan | null): number {
  const decimals = circuit?.registers?.rows.find((row) => row.signal === signal)?.decimals ?? null
  if (decimals !== null) return Math.min(Math.max(decimals, 0), 3)
  return measure === null ? 1 : USUAL_DIGITS[measure]
}

/** Measure of a difference between two numbers of this measure: degrees become kelvins. */
export const differenceOf = (measure: Measure | null): Measure | null => (measure === 'degC' ? 'K' : measure)

export function quantity(value: number, measure: Measure | null, digits: number): string {
  const symbol = measure === null ? '' : SYMBOL[measure]
  return symbol === '' ? fixed(value, digits) : `${fixed(value, digits)} ${symbol}`
}

/** A setting keeps the digits somebody gave it, even where the signal is coarser: 2.5 K stays 2.5 K on a 1 K signal. */
export function settingDigits(value: number, digits: number): number {
  let needed = digits
  while (needed < 3 && Math.abs(Number(value.toFixed(needed)) - value) > 1e-9) needed += 1
  return needed
}

/** Digits that keep value and limit apart on paper: '143.0, above 143.0' would be a riddle. */
export function apartDigits(value: number, limit: number, digits: number): number {
  const shownLimit = Number(limit.toFixed(settingDigits(limit, digits)))
  let shown = digits
  while (shown < MOST_DIGITS && value !== limit && Number(value.toFixed(shown)) === shownLimit) shown += 1
  return shown
}

function fixed(value: number, digits: number): string {
  const text = value.toFixed(digits)
  return /^-0(\.0*)?$/.test(text) ? text.slice(1) : text
}
