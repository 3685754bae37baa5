import { NO_ERRORS, type UnitError } from '../../rules/reading.ts'

/**
 * The unit's own errors from the value of ActiveErrors: an array of ActiveErrorDataType or its subtype. Both begin with Id
 * (String), Severity (UInt16), Message (LocalizedText); what follows is not needed. Null where the value is nothing of the kind.
 * @param before returned itself while nothing has changed, so that a receiver can compare by identity. Frozen either way.
 */
export function errorsIn(value: unknown, before: readonly UnitError[]): readonly UnitError[] | null {
  if (!Array.isArray(value) && !ArrayBuffer.isView(value)) return value === null || value === undefined ? NO_ERRORS : null
  const found: UnitError[] = []
  for (const one of value as readonly unknown[]) {
    const error = errorIn(one)
    if (error === null) return null
    found.push(error)
  }
  if (found.length === 0) return NO_ERRORS
  const same =
    found.length === before.length &&
    found.every((error, index) => {
      const old = before[index]
      return old !== undefined && old.id === error.id && old.severity === error.severity && old.text === error.text
    })
  return same ? before : Object.freeze(found)
}

function errorIn(value: unknown): UnitError | null {
  if (typeof value !== 'object' || value === null) return null
  if (isOpaque(value)) return decoded(value.buffer)
  if (!('id' in value) || !('severity' in value) || typeof value.severity !== 'number') return null
  const message: unknown = 'message' in value ? value.message : null
  const text = typeof message === 'object' && message !== null && 'text' in message ? message.text : message
  return Object.freeze({ id: asText(value.id), severity: value.severity, text: asText(text) })
}
const asText = (value: unknown): string => (typeof value === 'string' ? value : '')
const isOpaque = (value: object): value is { readonly buffer: Buffer } => 'buffer' in value && Buffer.isBuffer(value.buffer)

/** Binary form after OPC 10000-6, 5.2: strings with an Int32 length (-1: null), LocalizedText with a mask of what follows. */
function decoded(bytes: Buffer): UnitError | null {
  let at = 0
  const text = (): string => {
    const length = bytes.readInt32LE(at)
    at += 4
    if (length <= 0) return ''
    if (at + length > bytes.length) throw new RangeError('a text ends behind the structure')
    at += length
    return bytes.toString('utf8', at - length, at)
  }
  try {
    const id = text()
    const severity = bytes.readUInt16LE(at)
    at += 2
    const mask = bytes.readUInt8(at)
    at += 1
    if ((mask & 1) !== 0) text() // locale
    return Object.freeze({ id, severity, text: (mask & 2) === 0 ? '' : text() })
  } catch {
    return null // shorter than it says: the bytes are not what they should be
  }
}
