import { spawn, spawnSync, type ChildProcessWithoutNullStreams } from 'node:child_process'
import { mkdtempSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { onTestFinished } from 'vitest'
import { tool } from '../tool.ts'

/** A folder of its own that is gone after the test. */
export function scratch(): string {
  const folder = mkdtempSync(join(tmpdir(), 'mouldtend-history-'))
  onTestFinished(() => rmSync(folder, { recursive: true, force: true }))
  return folder
}

/** May we make small disks here? That takes root on Linux; without it the test with the bounded file stands alone, and this says so. */
export function canMakeDisks(): boolean {
  const folder = mkdtempSync(join(tmpdir(), 'mouldtend-history-'))
  const can = spawnSync(tool('mount') ?? 'false', ['-t', 'tmpfs', 'tmpfs', folder]).status === 0
  if (can) spawnSync(tool('umount') ?? 'false', [folder])
  else process.stderr.write('skipped: the full real disk, since mounting one is not allowed here\n')
  rmSync(folder, { recursive: true, force: true })
  return can
}

/** A disk of that size of its own, or null where the system does not let us make one. */
export function smallDisk(bytes: number): string | null {
  const folder = scratch()
  if (spawnSync(tool('mount') ?? 'false', ['-t', 'tmpfs', '-o', `size=${bytes}`, 'tmpfs', folder]).status !== 0) return null
  onTestFinished(() => void spawnSync(tool('umount') ?? 'false', [folder]))
  return folder
}

const COMMITTER = fileURLToPath(new URL('./committer.ts', import.meta.url))

/** The process that commits and prints every receipt: see committer.ts. `under` runs it under another program. */
export function startCommitter(args: readonly string[], under: readonly string[] = []): ChildProcessWithoutNullStreams {
  const [program = process.execPath, ...rest] = [...under, process.execPath, COMMITTER, ...args]
  return spawn(program, rest)
}
