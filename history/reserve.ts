import { closeSync, fsyncSync, openSync, rmSync, statSync, writeSync } from 'node:fs'
import { randomFillSync } from 'node:crypto'
import { freeBytes } from './faults.ts'

/** Disk space put aside beside the history, given up so that the journal can go on when the disk is full. */
export interface Reserve {
  readonly isThere: () => boolean
  /** True when there was something to release. */
  readonly release: () => boolean
  /** Makes it (again) if the disk has room for it twice over; true when it is there afterwards. Never throws. */
  readonly restore: () => boolean
}

const BLOCK = 64 * 1024

export function createReserve(historyFile: string, bytes: number): Reserve {
  const file = `${historyFile}.reserve`
  let there = sizeOf(file) >= bytes

  function restore(): boolean {
    if (there) return true
    if (freeBytes(file) < 2 * bytes) return false
    let open: number | null = null
    try {
      open = openSync(file, 'w')
      // Random bytes, so that a compressing file system cannot give us air. Anew for each block: equal ones are merged by some.
      const block = new Uint8Array(BLOCK)
      for (let at = 0; at < bytes; at += BLOCK) writeSync(open, randomFillSync(block), 0, Math.min(BLOCK, bytes - at))
      fsyncSync(open)
      there = true
    } catch {
      rmSync(file, { force: true })
    } finally {
      if (open !== null) closeSync(open)
    }
    return there
  }
  return {
    isThere: () => there,
    release: () => {
      if (!there) return false
      rmSync(file, { force: true })
      there = false
      return true
    },
    restore,
  }
}

function sizeOf(file: string): number {
  return statSync(file, { throwIfNoEntry: false })?.size ?? 0
}
