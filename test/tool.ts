import { spawnSync } from 'node:child_process'

/**
 * Path of a Debian program that a test needs, or null where it is missing: such a test is then skipped and says so.
 * With CI=true a missing program is an error. scripts/test-tools.sh installs all of them.
 */
export function tool(name: string): string | null {
  const found = spawnSync('sh', ['-c', `command -v ${name}`], {
    encoding: 'utf8',
    env: { ...process.env, PATH: `${process.env['PATH'] ?? ''}:/usr/sbin:/usr/local/sbin` },
  })
  const path = found.stdout.trim()
  if (path !== '') return path
  if (process.env['CI'] === 'true') throw new Error(`${name} is missing; scripts/test-tools.sh installs it`)
  process.stderr.write(`skipped: ${name} is not installed (scripts/test-tools.sh installs it)\n`)
  return null
}

/** Debian's python3 with pymodbus, or null; never a python from elsewhere on the PATH. */
export function pythonWith(module: string): string | null {
  const path = '/usr/bin/python3'
  if (spawnSync(path, ['-c', `import ${module}`]).status === 0) return path
  if (process.env['CI'] === 'true') throw new Error(`python3-${module} is missing; scripts/test-tools.sh installs it`)
  process.stderr.write(`skipped: python3-${module} is not installed (scripts/test-tools.sh installs it)\n`)
  return null
}
