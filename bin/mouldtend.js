#!/usr/bin/env node
// Plain JavaScript that an old Node can read too, so that it gets to say what it needs. Nothing modern is imported before that.
import { spawn } from 'node:child_process'
import { existsSync } from 'node:fs'
import { fileURLToPath, pathToFileURL } from 'node:url'

const NEEDED = [24, 12]
const here = (path) => fileURLToPath(new URL(path, import.meta.url))
const [major = 0, minor = 0] = process.versions.node.split('.').map(Number)

if (major > NEEDED[0] || (major === NEEDED[0] && minor >= NEEDED[1])) {
  // A clone runs its sources; a release has none.
  const sources = here('../service/main.ts')
  await import(pathToFileURL(existsSync(sources) ? sources : here('../dist/service/main.js')).href)
} else {
  const pinned = here('../node_modules/node/bin/node')
  if (existsSync(pinned) && process.env.MOULDTEND_PINNED_NODE === undefined) runWith(pinned)
  else refuse()
}

function refuse() {
  process.stderr.write(
    `mouldtend needs Node.js ${NEEDED.join('.')} or newer, but this is ${process.versions.node} (${process.execPath}). Nothing was started.\n` +
      'Install Node.js 24 LTS (https://nodejs.org), or in a clone run `npm ci`, which brings the right one along, and call `npx mouldtend` again.\n',
  )
  process.exitCode = 1
}

/** The clone's own Node does the work; this one hands on signals and the way it ended. */
function runWith(node) {
  const child = spawn(node, [...process.execArgv, fileURLToPath(import.meta.url), ...process.argv.slice(2)], {
    stdio: 'inherit',
    env: { ...process.env, MOULDTEND_PINNED_NODE: node },
  })
  for (const signal of ['SIGINT', 'SIGTERM', 'SIGHUP']) {
    process.on(signal, () => {
      // Ctrl-C at a terminal reaches the child anyway; twice would mean 'at once'.
      if (signal === 'SIGINT' && process.stdin.isTTY) return
      child.kill(signal)
    })
  }
  child.on('error', (error) => {
    process.stderr.write(
      `mouldtend: cannot start ${node}: ${error.message}. Run \`npm ci\` again, or install Node.js ${NEEDED.join('.')}.\n`,
    )
    process.exitCode = 1
  })
  child.on('exit', (code, signal) => {
    if (signal === null) process.exit(code ?? 1)
    process.removeAllListeners(signal)
    process.kill(process.pid, signal)
  })
}
