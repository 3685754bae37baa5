import { spawn, type ChildProcess } from 'node:child_process'
import { once } from 'node:events'
import { cpSync, mkdirSync, mkdtempSync, rmSync, symlinkSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, expect, test } from 'vitest'

const folders: string[] = []
afterEach(() => {
  for (const folder of folders.splice(0)) rmSync(folder, { recursive: true, force: true })
})

/** A folder with our starter and, in place of mouldtend, a program that says where it runs. */
function install({ sources = false, release = false, pinned = false }): string {
  const folder = mkdtempSync(join(tmpdir(), 'starter-'))
  folders.push(folder)
  const put = (path: string, text: string) => {
    mkdirSync(join(folder, path, '..'), { recursive: true })
    writeFileSync(join(folder, path), text)
  }
  put('package.json', '{ "type": "module" }')
  cpSync('bin/mouldtend.js', join(folder, 'bin/mouldtend.js'))
  const program = (name: string) => `
    const verb = process.argv[2]
    if (verb === 'fail') process.exitCode = 3
    if (verb === 'wait') {
      const stay = setInterval(() => {}, 1000)
      process.on('SIGTERM', () => { clearInterval(stay); process.exitCode = 7 })
    }
    console.log(JSON.stringify({ name: '${name}', args: process.argv.slice(2), viaPinned: process.env.MOULDTEND_PINNED_NODE !== undefined }))
    if (verb === 'die') process.kill(process.pid, 'SIGKILL')`
  if (sources) put('service/main.ts', `const typed: number = 1; void typed;${program('sources')}`)
  if (release) put('dist/service/main.js', program('release'))
  if (pinned) {
    mkdirSync(join(folder, 'node_modules/node/bin'), { recursive: true })
    symlinkSync(process.execPath, join(folder, 'node_modules/node/bin/node'))
  }
  return join(folder, 'bin/mouldtend.js')
}

/** Makes the starter believe that it runs on another Node; the pinned one is what it is. */
const believe = (version: string) =>
  `data:text/javascript,if(!process.env.MOULDTEND_PINNED_NODE)Object.defineProperty(process,'versions',{value:{node:'${version}'}})`

function start(file: string, args: readonly string[], version: string | null): ChildProcess {
  const env = { ...process.env }
  delete env['MOULDTEND_PINNED_NODE']
  return spawn(process.execPath, [...(version === null ? [] : ['--import', believe(version)]), file, ...args], { env })
}
async function run(file: string, args: readonly string[], version: string | null = null) {
  const child = start(file, args, version)
  let [out, err] = ['', '']
  child.stdout?.setEncoding('utf8').on('data', (text: string) => (out += text))
  child.stderr?.setEncoding('utf8').on('data', (text: string) => (err += text))
  await once(child, 'close')
  return { code: child.exitCode, signal: child.signalCode, out, err }
}

test('a clone runs its sources, also where a build lies beside them', async () => {
  const { out, code } = await run(install({ sources: true, release: true }), ['check', 'a b.yaml'])
  expect(JSON.parse(out)).toEqual({ name: 'sources', args: ['check', 'a b.yaml'], viaPinned: false })
  expect(code).toBe(0)
})

test('a release runs its build', async () => {
  const { out } = await run(install({ release: true }), [])
  expect(JSON.parse(out)).toMatchObject({ name: 'release', args: [] })
})

test.each(['18.20.4', '22.21.0', '24.11.1'])(
  'Node %s without the pinned one: refused, with what to install, nothing started',
  async (version) => {
    const { code, out, err } = await run(install({ sources: true }), ['demo'], version)
    expect(code).toBe(1)
    expect(out).toBe('')
    expect(err).toContain(`needs Node.js 24.12 or newer, but this is ${version}`)
    expect(err).toContain('Install Node.js 24 LTS')
    expect(err).not.toContain('at ') // no stack
  },
)

test.each(['24.12.0', '24.30.1', '26.0.0'])('Node %s is new enough', async (version) => {
  expect(JSON.parse((await run(install({ sources: true }), [], version)).out)).toMatchObject({ viaPinned: false })
})

test('an old Node hands over to the pinned one of the clone, arguments and all', async () => {
  const { out, code } = await run(install({ sources: true, pinned: true }), ['check', '--json'], '20.19.5')
  expect(JSON.parse(out)).toEqual({ name: 'sources', args: ['check', '--json'], viaPinned: true })
  expect(code).toBe(0)
})

test('after handing over, exit code and signal are those of the work', async () => {
  const file = install({ sources: true, pinned: true })
  expect(await run(file, ['fail'], '20.19.5')).toMatchObject({ code: 3, signal: null })
  expect(await run(file, ['die'], '20.19.5')).toMatchObject({ code: null, signal: 'SIGKILL' })
})

test('after handing over, a signal to the starter reaches the work, which ends in its own way', async () => {
  const child = start(install({ sources: true, pinned: true }), ['wait'], '20.19.5')
  const closed = once(child, 'close')
  await once(child.stdout ?? child, 'data') // it is up
  child.kill('SIGTERM')
  await closed
  expect(child.exitCode).toBe(7)
})
