import { OWN_ERRORS } from './faults.ts'
import type { ZoneValues } from './zone.ts'

/** Registers per circuit in either layout; one more is exception 2. */
export const REGISTERS = 40
/** Answered instead of a number where a sensor is broken or not there. */
export const NOT_AVAILABLE_16 = 0x7fff
export const NOT_AVAILABLE_FLOAT = -9999

export interface RegisterLayout {
  readonly table: 'input_register' | 'holding_register'
  /** Address of the first circuit, and from one circuit to the next. */
  readonly base: number
  readonly stride: number
  readonly encode: (values: ZoneValues, cycles: number, into: Uint16Array) => void
}

const errorBits = (values: ZoneValues): number =>
  OWN_ERRORS.reduce((bits, error, bit) => (values.errors.some((active) => active.id === error.id) ? bits | (1 << bit) : bits), 0)

function int16(value: number, perUnit: number): number {
  if (Number.isNaN(value)) return NOT_AVAILABLE_16
  // One below the sentinel at the top: a real number never looks like 'not available'.
  return Math.min(0x7ffe, Math.max(-0x8000, Math.round(value * perUnit))) & 0xffff
}

/** Whole tenths and hundredths in input registers; long numbers high word first. */
export const TENTHS16: RegisterLayout = {
  table: 'input_register',
  base: 0,
  stride: 100,
  encode: (values, cycles, into) => {
    const hours = Math.round(values.hoursOfOperation_h * 10)
    into.fill(0)
    into[0] = int16(values.setValue_degC, 10)
    into[1] = int16(values.mainLine_degC, 10)
    into[2] = int16(values.returnLine_degC, 10)
    into[3] = int16(values.external_degC, 10)
    into[4] = int16(values.actual_degC, 10)
    into[5] = int16(values.flow_l_min, 10)
    into[6] = int16(values.mainLine_bar, 100)
    into[7] = int16(values.returnLine_bar, 100)
    into[8] = int16(values.regulation_percent, 10)
    into[9] = int16(values.process_kW, 10)
    into[10] = int16(values.pumpSpeed_percent, 10)
    into[11] = int16(values.pumpSpeed_rpm, 1)
    into[12] = values.operatingMode
    into[13] = values.controlPoint
    into[14] = Math.floor(hours / 0x1_0000)
    into[15] = hours & 0xffff
    into[16] = values.refills & 0xffff
    into[17] = errorBits(values)
    // Bit 1 is the alarm contact, normally closed: 0 means alarm.
    into[18] = (values.pumpRunning ? 1 : 0) | (values.alarmContact ? 0 : 2)
    into[19] = int16(values.limitation_degC, 10)
    into[20] = int16(values.switchingOff_degC, 10)
    into[21] = int16(values.standby_degC, 10)
    into[30] = int16(values.pump_kW, 100)
    into[31] = cycles & 0xffff
  },
}

/** Error code of the second layout, by error id; it has room for one, so the worst is shown. */
const CODES: Readonly<Record<string, number>> = { 'E-01': 11, 'E-02': 12, 'E-03': 13, 'E-04': 14, 'E-05': 15, 'E-06': 16 }

function worstCode(values: ZoneValues): number {
  let worst = { id: '', severity: -1 }
  for (const error of values.errors) if (error.severity > worst.severity) worst = error
  return CODES[worst.id] ?? 0
}

const scratch = new DataView(new ArrayBuffer(4))
/** A float32, low word first; each word high byte first as ever. */
function float(into: Uint16Array, at: number, value: number): void {
  scratch.setFloat32(0, value)
  into[at] = scratch.getUint16(2)
  into[at + 1] = scratch.getUint16(0)
}
function uint32(into: Uint16Array, at: number, value: number): void {
  into[at] = value & 0xffff
  into[at + 1] = Math.floor(value / 0x1_0000) & 0xffff
}

/** Word-swapped floats in holding registers. A broken sensor is NaN; the external one, broken or not there, is -9999. */
export const FLOAT32SWAP: RegisterLayout = {
  table: 'holding_register',
  base: 1000,
  stride: 200,
  encode: (values, _cycles, into) => {
    into.fill(0)
    float(into, 0, values.setValue_degC)
    float(into, 2, values.mainLine_degC)
    float(into, 4, values.returnLine_degC)
    float(into, 6, Number.isNaN(values.external_degC) ? NOT_AVAILABLE_FLOAT : values.external_degC)
    float(into, 8, values.actual_degC)
    float(into, 10, values.flow_l_min)
    float(into, 12, values.mainLine_bar)
    float(into, 14, values.returnLine_bar)
    float(into, 16, values.regulation_percent)
    float(into, 18, values.process_kW)
    float(into, 20, values.pumpSpeed_percent)
    float(into, 22, values.pumpSpeed_rpm)
    float(into, 24, values.limitation_degC)
    float(into, 26, values.switchingOff_degC)
    float(into, 28, values.standby_degC)
    float(into, 30, values.pump_kW)
    into[32] = values.operatingMode
    into[33] = values.controlPoint
    uint32(into, 34, Math.round(values.hoursOfOperation_h * 10))
    uint32(into, 36, values.refills)
    into[38] = worstCode(values)
    into[39] = (values.pumpRunning ? 1 : 0) | (values.alarmContact ? 2 : 0)
  },
}
