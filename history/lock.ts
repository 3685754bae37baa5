import { readFileSync, rmSync, writeFileSync } from 'node:fs'
import { hostname } from 'node:os'
import { DatabaseSync } from 'node:sqlite'
import { faultOf, storeError } from './faults.ts'

export interface Lock {
  readonly release: () => void
}

/**
 * Keeps a second service off the file for as long as this process lives; the operating system lets go when it dies, however it
 * dies. The lock is SQLite's own, on a file beside the history, so that readers of the history are not shut out. Nobody may open
 * that file in any other way: closing a descriptor of it would drop the lock of the whole process (POSIX record locks).
 */
export function takeLock(file: string): Lock {
  const owner = `${file}.owner`
  let db: DatabaseSync | null = null
  try {
    db = new DatabaseSync(`${file}.lock`, { timeout: 0 })
    db.exec('begin exclusive')
  } catch (error) {
    db?.close()
    const fault = faultOf(error, file)
    if (fault === null) throw error
    throw storeError(fault.kind === 'locked' ? { kind: 'locked', detail: whoHas(owner) } : fault, file)
  }
  try {
    writeFileSync(owner, `process ${process.pid} on ${hostname()} since ${new Date().toISOString()}`)
  } catch {
    // Only words for the next one who asks; a full disk must not keep the service from starting.
  }
  return {
    release: () => {
      rmSync(owner, { force: true })
      db.close()
    },
  }
}

function whoHas(owner: string): string {
  try {
    return readFileSync(owner, 'utf8').trim() || 'starting just now'
  } catch {
    return 'starting just now'
  }
}
