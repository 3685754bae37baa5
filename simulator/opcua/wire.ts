import type { Quantity } from './model.ts'

/** A unit of measure as it goes on the wire, and how a virtual unit's own value (°C, K, bar, l/min, kW …) becomes it. */
export interface WireUnit {
  /** UN/CEFACT common code. */
  readonly code: string
  readonly shown: string
  readonly toWire: (value: number) => number
}
/** In which units a virtual unit speaks. */
export interface Speech {
  readonly temperature: 'degC' | 'degF'
  readonly pressure: 'bar' | 'psi' | 'kPa'
  readonly flow: 'l/min' | 'gal/min' | 'm3/h'
}
export const METRIC: Speech = { temperature: 'degC', pressure: 'bar', flow: 'l/min' }
export const US: Speech = { temperature: 'degF', pressure: 'psi', flow: 'gal/min' }

const same = (value: number): number => value
const unit = (code: string, shown: string, toWire: (value: number) => number = same): WireUnit => ({ code, shown, toWire })
// 1 US gal = 231 in3 and 1 in = 25.4 mm; 1 lbf = 4.4482216152605 N (NIST SP 811, appendix B).
const LITRES_PER_GALLON = 231 * 0.254 ** 3
const BAR_PER_PSI = 4.448_221_615_260_5 / (25.4 * 25.4) / 0.1
const PRESSURE: Readonly<Record<Speech['pressure'], WireUnit>> = {
  bar: unit('BAR', 'bar'),
  psi: unit('PS', 'psi', (bar) => bar / BAR_PER_PSI),
  kPa: unit('KPA', 'kPa', (bar) => bar * 100),
}
const FLOW: Readonly<Record<Speech['flow'], WireUnit>> = {
  'l/min': unit('L2', 'l/min'),
  'gal/min': unit('G2', 'gal (US)/min', (litres) => litres / LITRES_PER_GALLON),
  'm3/h': unit('MQH', 'm³/h', (litres) => (litres * 60) / 1000),
}
const PLAIN: Readonly<Record<Exclude<Quantity, 'temperature' | 'difference' | 'flow' | 'pressure'>, WireUnit>> = {
  power: unit('KWT', 'kW'),
  ratio: unit('P1', '%'),
  speed: unit('C94', 'min⁻¹'),
  hours: unit('HUR', 'h'),
  minutes: unit('MIN', 'min'),
  seconds: unit('SEC', 's'),
  ramp: unit('F11', 'K/min'),
}

export function wireUnit(quantity: Quantity, speech: Speech): WireUnit {
  switch (quantity) {
    case 'temperature':
      return speech.temperature === 'degC' ? unit('CEL', '°C') : unit('FAH', '°F', (degC) => degC * 1.8 + 32)
    case 'difference': // The standard gives differences in the unit of the temperature; there is no offset in them.
      return speech.temperature === 'degC' ? unit('CEL', '°C') : unit('FAH', '°F', (kelvin) => kelvin * 1.8)
    case 'pressure':
      return PRESSURE[speech.pressure]
    case 'flow':
      return FLOW[speech.flow]
    case 'power':
    case 'ratio':
    case 'speed':
    case 'hours':
    case 'minutes':
    case 'seconds':
    case 'ramp':
      return PLAIN[quantity]
  }
}

/** UnitId of a common code: shift left by 8 bits, then OR the next character (OPC 10000-8). */
export const unitId = (code: string): number => code.split('').reduce((id, character) => (id << 8) | character.charCodeAt(0), 0)

const RANGE: Readonly<Record<Quantity, readonly [number, number]>> = {
  temperature: [0, 400],
  difference: [-100, 100],
  flow: [0, 200],
  pressure: [-1, 30],
  power: [-100, 100],
  ratio: [-100, 100],
  speed: [0, 6000],
  hours: [0, 200_000],
  minutes: [0, 600],
  seconds: [0, 3600],
  ramp: [0, 50],
}

/** EURange of a variable in the unit on the wire. */
export function wireRange(quantity: Quantity, speech: Speech): { readonly low: number; readonly high: number } {
  const [low, high] = RANGE[quantity]
  const { toWire } = wireUnit(quantity, speech)
  return { low: toWire(low), high: toWire(high) }
}
