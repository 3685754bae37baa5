import type { Phase } from '../rules/phases.ts'
import type { SignalName } from '../rules/signals.ts'

/** The four tables of the Modbus data model, named as in the Modbus Application Protocol; function codes 1 to 4 read them. */
export type Table = 'coil' | 'discrete_input' | 'holding_register' | 'input_register'

export type NumberType = 'int16' | 'uint16' | 'int32' | 'uint32' | 'int64' | 'uint64' | 'float32' | 'float64'

/**
 * How one signal stands in the registers of a circuit: a checked profile row. Plain data, JSON-able.
 * value = raw / 10^decimals + offset, in `unit`, then turned into the canonical unit of the signal.
 */
export interface RegisterRow {
  readonly signal: SignalName
  readonly table: Table
  /** As sent on the wire, counted from 0. */
  readonly address: number
  readonly type: NumberType | 'bit'
  /** For type 'bit' in a 16-bit table: bit 0 is the lowest. `width` bits from there upward. */
  readonly bit: number
  readonly width: number
  /** Order of the 16-bit words of a longer number: 'high_first' is what the protocol suggests. */
  readonly words: 'high_first' | 'low_first'
  readonly bytes: 'high_first' | 'low_first'
  /** Power of ten that divides the raw integer (scale 0.1 is decimals 1; negative multiplies); for floats the resolution to which the value is rounded, null: as it comes. */
  readonly decimals: number | null
  readonly offset: number
  /** Unit of measure as sent: canonical, or one that config/quantity.ts turns into it (degF, psi, gal_min, ...). */
  readonly unit: string
  /** Raw numbers (before scaling) that mean 'not available'; NaN always does. */
  readonly notAvailable: readonly number[]
  /** Valid range of the value in the canonical unit; outside is bad (out_of_range). */
  readonly min: number | null
  readonly max: number | null
  /** For states: raw number to what it means. Empty where it is a plain number. */
  readonly enumeration: Readonly<Record<string, string>>
  /** True: 0 means alarm (normally closed, so that a broken wire shows as an alarm); the decoded value is always 1 for alarm. */
  readonly inverted: boolean
  /** `profile.yaml:12`, for messages. */
  readonly line: string
}

export interface ErrorBits {
  readonly table: Table
  readonly address: number
  readonly line: string
  /** Bit number (or, with `code` true, register value) to what the unit means by it. */
  readonly code: boolean
  readonly texts: readonly { readonly when: number; readonly id: string; readonly text: string; readonly severity: number }[]
}

/** A profile for one circuit of one unit type, addresses final. */
export interface RegisterMap {
  readonly profile: string
  readonly rows: readonly RegisterRow[]
  readonly errors: readonly ErrorBits[]
  /** Raw value of operating_mode to our word. Empty where the unit does not tell. */
  readonly phases: Readonly<Record<string, Phase>>
  /** Most registers in one request (125 at most by the protocol); most bits (2000 at most). */
  readonly maxRegisters: number
  readonly maxBits: number
  /** Unused registers that a block read may run over. */
  readonly gap: number
  /** Address ranges (inclusive) that no request may touch. */
  readonly holes: readonly { readonly table: Table; readonly from: number; readonly to: number }[]
}
