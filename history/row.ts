import type { SQLOutputValue } from 'node:sqlite'

export type Row = Readonly<Record<string, SQLOutputValue>>

/** Columns of a STRICT table: the schema says what each is, so another type is a bug or a damaged file, and is said. */
export function text(row: Row, column: string): string {
  const value = row[column]
  if (typeof value !== 'string') throw new TypeError(`column ${column} holds no text`)
  return value
}
export function number(row: Row, column: string): number {
  const value = row[column]
  if (typeof value !== 'number') throw new TypeError(`column ${column} holds no number`)
  return value
}
export function bytes(row: Row, column: string): Uint8Array {
  const value = row[column]
  if (!(value instanceof Uint8Array)) throw new TypeError(`column ${column} holds no bytes`)
  return value
}
