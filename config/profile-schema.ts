import * as z from 'zod'
import { PHASES } from '../rules/phases.ts'
import { anyQuantity, choice, says, slug, text, whole } from './schema-words.ts'

const TABLES = ['coil', 'discrete_input', 'holding_register', 'input_register'] as const
const TYPES = ['int16', 'uint16', 'int32', 'uint32', 'int64', 'uint64', 'float32', 'float64'] as const
const ORDER = ['high_first', 'low_first'] as const
const address = whole(0, 65_535)
const number = z.number({ error: says('expected a number', 'Write a plain number.') })
/** Raw numbers as keys: '0', '17'. */
const rawKey = z.string().regex(/^-?\d+$/, { error: says('expected a whole number as key', 'Write the raw register value.') })

const row = z.strictObject({
  address,
  table: choice(...TABLES).optional(),
  type: choice(...TYPES).optional(),
  /** Bit field of a 16-bit register, lowest bit 0. */
  bit: whole(0, 15).optional(),
  width: whole(1, 16).optional(),
  words: choice(...ORDER).optional(),
  bytes: choice(...ORDER).optional(),
  decimals: whole(-6, 9).optional(),
  offset: number.optional(),
  unit: text('a unit', 20).optional(),
  not_available: z.array(number, { error: says('expected a list of raw numbers', 'Write them like [-9999, 0x7FFF].') }).optional(),
  min: anyQuantity.optional(),
  max: anyQuantity.optional(),
  enumeration: z.record(rawKey, text('what the value means')).optional(),
  /** Of an alarm contact: closed while all is well (a broken wire is then an alarm), or open. */
  sense: choice('open', 'closed').optional(),
})
export type ProfileRow = z.infer<typeof row>

const errorText = z.strictObject({
  id: text('the error as the unit names it', 40),
  text: text('what it means'),
  severity: whole(1, 1000).optional(),
})
const errors = z.strictObject({
  address,
  table: choice(...TABLES).optional(),
  bits: z.record(rawKey, errorText).optional(),
  codes: z.record(rawKey, errorText).optional(),
})
export type ProfileErrors = z.infer<typeof errors>
const signals = z.record(z.string(), row)

export const profileSchema = z
  .strictObject({
    format: z.literal(1, { error: says('expected 1', 'This is the version of the profile format.') }),
    name: slug('a name'),
    description: text('a description').optional(),
    limits: z
      .strictObject({
        /** Most registers and bits in one request, by the unit's own limit; unused registers that a read may run over. */
        registers: whole(1, 125).optional(),
        bits: whole(1, 2000).optional(),
        gap: whole(0, 124).optional(),
      })
      .optional(),
    /** Ranges that must never be asked for, both ends included, counted like the addresses of the signals. */
    holes: z.array(z.strictObject({ table: choice(...TABLES).optional(), from: address, to: address })).optional(),
    /** Circuits with what is added to every address, and what one has besides. */
    circuits: z
      .record(
        slug('a circuit'),
        z.union([address, z.strictObject({ base: address, signals: signals.optional(), errors: z.array(errors).optional() })]),
      )
      .optional(),
    defaults: z
      .strictObject({
        table: choice(...TABLES).optional(),
        type: choice(...TYPES).optional(),
        words: choice(...ORDER).optional(),
        bytes: choice(...ORDER).optional(),
        not_available: z.array(number).optional(),
      })
      .optional(),
    signals,
    errors: z.array(errors).optional(),
    phases: z.record(rawKey, choice(...PHASES)).optional(),
  })
  .meta({ title: 'mouldtend register map', description: 'Where the signals of one type of unit stand in its Modbus registers' })
export type ProfileFile = z.infer<typeof profileSchema>
