import { spawnSync } from 'node:child_process'
import { cpSync, globSync, readFileSync, rmSync } from 'node:fs'
import { fileURLToPath } from 'node:url'

/**
 * What a release carries: JavaScript (Node strips no types below node_modules) and, beside it, the files that the rooms read
 * at run time. What people copy (dashboards, systemd unit) is packed where it lies.
 */
const root = fileURLToPath(new URL('..', import.meta.url))
const ROOMS = '{rules,config,collector,history,alerts,dashboards,simulator,service}'

const clear = (): void => rmSync(`${root}dist`, { recursive: true, force: true })
clear()
const compiled = spawnSync(`${root}node_modules/.bin/tsc`, ['-p', 'tsconfig.release.json'], { cwd: root, stdio: 'inherit' })
if (compiled.status !== 0) {
  clear() // nobody shall pack half of it
  process.exit(1)
}

const isAsset = (path: string): boolean => !/\.(ts|md)$/.test(path) && !path.startsWith('dashboards/')
const assets = globSync(`${ROOMS}/**/*.*`, { cwd: root }).filter(isAsset)
for (const path of assets) cpSync(`${root}${path}`, `${root}dist/${path}`, { recursive: true })

// tsc rewrites imports, but not a URL in a string: a thread named './x.ts' would be missing only when it is started.
const made = globSync('dist/**/*.js', { cwd: root })
const left = made.flatMap((path) =>
  [...readFileSync(`${root}${path}`, 'utf8').matchAll(/new Worker\(\s*new URL\(\s*(['"`])[^'"`]*\.ts\1/g)].map(
    (match) => `${path}: ${match[0]}`,
  ),
)
if (left.length > 0) {
  console.error(
    `Not built: these addresses name sources, which a release has not. Take the extension of the file itself.\n${left.join('\n')}`,
  )
  process.exit(1)
}
console.log(`dist/: ${made.length} modules, ${assets.length} other files`)
