import { spawn, type ChildProcess } from 'node:child_process'
import { once } from 'node:events'
import { existsSync, globSync, readFileSync, rmSync } from 'node:fs'
import { createServer, type AddressInfo } from 'node:net'
import { dirname } from 'node:path'
import { afterEach, expect, test } from 'vitest'
import { cleanup, MAIN, mouldtend, until } from './stage.ts'

const opened = cleanup()
afterEach(opened.all)

interface Demo {
  readonly child: ChildProcess
  readonly text: () => string
  readonly over: Promise<readonly [code: number | null, signal: NodeJS.Signals | null]>
  readonly folder: string
  /** Process id of its hall. */
  readonly hall: number
}

/** Processes that have this text in their command line. */
const processesWith = (text: string): number[] =>
  globSync('/proc/[0-9]*/cmdline')
    .filter((file) => {
      try {
        return readFileSync(file, 'utf8').includes(text)
      } catch {
        // Gone meanwhile.
        return false
      }
    })
    .map((file) => Number(file.split('/')[2]))

async function startDemo(): Promise<Demo> {
  // In a group of its own, as a shell starts it: Ctrl-C goes to the whole group.
  const child = spawn(process.execPath, [MAIN, 'demo'], { stdio: ['ignore', 'pipe', 'inherit'], detached: true })
  opened.add(() => child.kill('SIGKILL'))
  let text = ''
  child.stdout.on('data', (data: Buffer) => (text += data.toString()))
  const over = once(child, 'close') as Promise<[number | null, NodeJS.Signals | null]>
  const journal = await until('it watches', () => /journal +(\S+)\n[^]*The first fault/.exec(text)?.[1] ?? null, 30_000)
  const folder = dirname(journal)
  const [hall] = processesWith(`${folder}/hall-pki`)
  if (hall === undefined) throw new Error('no hall runs')
  return { child, text: () => text, over, folder, hall }
}
const isGone = ({ folder }: Demo): Promise<boolean> =>
  until('the hall is gone', () => processesWith(`${folder}/hall-pki`).length === 0 || null)

test('Ctrl-C: code 0, nothing runs on and nothing is left behind', async () => {
  const demo = await startDemo()
  expect(existsSync(demo.folder)).toBe(true)
  process.kill(-(demo.child.pid ?? 0), 'SIGINT')
  expect(await demo.over).toEqual([0, null])
  expect(demo.text()).toContain('\nStopping: SIGINT. ')
  expect(await isGone(demo)).toBe(true)
  expect(existsSync(demo.folder)).toBe(false)
})

test('two demos started at once find ports of their own', async () => {
  const two = await Promise.all([startDemo(), startDemo()])
  const ports = two.flatMap(({ text }) =>
    [...text().matchAll(/(?:http|mqtt|ws):\/\/127\.0\.0\.1:(\d+)(?=[ \n,]|\/readyz)/g)].map((found) => found[1]),
  )
  expect(ports).toHaveLength(6)
  expect(new Set(ports).size).toBe(6)
  for (const { child } of two) child.kill('SIGTERM')
  for (const { over } of two) expect(await over).toEqual([0, null])
})

test('the hall dies: code 1, and that is what it says', async () => {
  const demo = await startDemo()
  process.kill(demo.hall, 'SIGKILL')
  expect(await demo.over).toEqual([1, null])
  expect(demo.text()).toContain('\nStopping: the hall ended by itself')
  expect(existsSync(demo.folder)).toBe(false)
})

test('the demo is killed: its hall does not run on', async () => {
  const demo = await startDemo()
  // A killed demo cannot clear up behind it.
  opened.add(() => rmSync(demo.folder, { recursive: true, force: true }))
  demo.child.kill('SIGKILL')
  await demo.over
  expect(await isGone(demo)).toBe(true)
})

test('a port that was asked for and is taken: code 1, says which, and nothing runs on', async () => {
  const server = createServer().listen(0, '127.0.0.1')
  await once(server, 'listening')
  opened.add(() => server.close())
  const { port } = server.address() as AddressInfo
  const { code, err } = await mouldtend('demo', '--http-port', String(port))
  expect([code, err]).toEqual([1, expect.stringContaining(`127.0.0.1:${port}`) as string])
  expect(err).not.toMatch(/\n\s+at /)
})

test.each([
  { args: ['demo', 'site.yaml'], says: 'demo takes no file' },
  { args: ['demo', '--http-port', '70000'], says: '--http-port: expected 0..65535, found "70000"' },
  { args: ['demo', '--seconds', 'ten'], says: '--seconds: expected 0..86400, found "ten"' },
  { args: ['run'], says: 'run needs a site file' },
  { args: ['check'], says: 'check needs a site file' },
  { args: ['run', 'site.yaml', '--log-level', 'loud'], says: '--log-level: expected trace' },
  { args: ['watch'], says: 'there is no verb "watch"' },
  { args: [], says: 'there is no verb' },
  { args: ['run', 'nowhere.yaml'], says: 'nowhere.yaml' },
])('called wrongly, $args: code 2, and says what is wrong', async ({ args, says }) => {
  const { code, out, err } = await mouldtend(...args)
  expect([code, out]).toEqual([2, ''])
  expect(err).toContain(says)
})
