import { statfsSync } from 'node:fs'
import { dirname } from 'node:path'
import { StoreError, type StoreFault } from './store.ts'

/** Result codes of SQLite (sqlite.org/rescode.html); the low byte of an extended code is the primary one. */
const FULL = 13
const IOERR = 10
const BUSY = 5
const LOCKED = 6
const READONLY = 8
const CANTOPEN = 14
const CORRUPT = 11
const NOTADB = 26

interface SqliteError {
  readonly errcode: number
  readonly message: string
}
function isSqliteError(error: unknown): error is Error & SqliteError {
  return error instanceof Error && 'errcode' in error && typeof error.errcode === 'number'
}

/** What went wrong, where it was the disk or the file; null for everything else: that is a bug and must not be dressed as a fault. */
export function faultOf(error: unknown, file: string): StoreFault | null {
  if (error instanceof StoreError) return error.fault
  if (!isSqliteError(error)) return null
  const detail = `${error.message} (SQLite ${error.errcode})`
  switch (error.errcode & 0xff) {
    case FULL:
      return { kind: 'disk_full', detail }
    // Some file systems report a full disk as a failed write or a failed growth of the shared memory file.
    case IOERR:
    case CANTOPEN:
      return { kind: freeBytes(file) === 0 ? 'disk_full' : 'io', detail }
    case READONLY:
      return { kind: 'io', detail }
    case CORRUPT:
    case NOTADB:
      return { kind: 'corrupt', detail }
    case BUSY:
    case LOCKED:
      return { kind: 'locked', detail }
    default:
      return null
  }
}

/** Bytes that an ordinary user can still write beside the file; Infinity where the system does not say. */
export function freeBytes(file: string): number {
  try {
    const { bavail, bsize } = statfsSync(dirname(file))
    return bavail * bsize
  } catch {
    return Number.POSITIVE_INFINITY
  }
}

/** For the plant engineer: what, where, what goes on regardless, what to do. */
export function explain(fault: StoreFault, file: string): string {
  switch (fault.kind) {
    case 'disk_full':
      return (
        `${file}: the disk is full (${fault.detail}). Readings are not being kept; alarms are told as long as the reserve lasts, ` +
        `and after that marked unrecorded. Free space on this disk.`
      )
    case 'io':
      return (
        `${file}: the disk failed (${fault.detail}). The connection is discarded and the file verified before it is written again; ` +
        `alarms are told meanwhile, marked unrecorded. Check the disk and its cable, and who may write to the folder.`
      )
    case 'corrupt':
      return (
        `${file}: the history file is damaged or no history of mouldtend (${fault.detail}). It is left untouched. ` +
        `Move it aside, put back the last copy, or start with a new file.`
      )
    case 'newer_schema':
      return (
        `${file}: written by a newer mouldtend (schema ${fault.found}; this one knows ${fault.known}). It is left untouched. ` +
        `Install the newer version again, or put back the copy made before the upgrade (${file}.schema-${fault.known}.backup).`
      )
    case 'locked':
      return (
        `${file}: in use by another mouldtend (${fault.detail}). Two services must not share one file; nothing was changed. ` +
        `Stop the other one or give this one its own historyFile.`
      )
    case 'overloaded':
      return (
        `${file}: ${fault.detail}. What came last was not kept and becomes a gap in the record; alarms are told. ` +
        `Look for a slow or overloaded disk.`
      )
    case 'closed':
      return `${file}: the history is closed (${fault.detail}). Nothing more is kept until mouldtend is started again.`
  }
}

export const storeError = (fault: StoreFault, file: string): StoreError => new StoreError(fault, explain(fault, file))
