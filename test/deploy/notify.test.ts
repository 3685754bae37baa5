import { spawn } from 'node:child_process'
import { once } from 'node:events'
import { mkdtempSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { afterEach, expect, test } from 'vitest'
import { startNotify, type NotifySettings } from '../../service/notify.ts'
import { pythonWith, tool } from '../tool.ts'

/** The manager's end: a real datagram socket, in a language that has them; what it gets comes out line by line. */
const MANAGER = `
import socket, sys
end = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
end.bind(sys.argv[1])
print('bound', flush=True)
while True:
    print(end.recv(4096).decode(), flush=True)
`
const python = pythonWith('socket')
const systemdNotify = tool('systemd-notify')
const cannot = python === null || systemdNotify === null

const ends: (() => void)[] = []
afterEach(() => {
  for (const end of ends.splice(0)) end()
})

interface Manager {
  readonly socket: string
  readonly lines: string[]
  readonly line: (text: string, times?: number) => Promise<void>
}
async function manager(): Promise<Manager> {
  const folder = mkdtempSync(join(tmpdir(), 'notify-'))
  const socket = join(folder, 'socket')
  const child = spawn(python ?? '', ['-c', MANAGER, socket], { stdio: ['ignore', 'pipe', 'inherit'] })
  ends.push(() => {
    child.kill('SIGKILL')
    rmSync(folder, { recursive: true, force: true })
  })
  const lines: string[] = []
  const reader = createInterface({ input: child.stdout })
  reader.on('line', (line) => lines.push(line))
  const line = async (text: string, times = 1) => {
    while (lines.filter((one) => one === text).length < times) await once(reader, 'line')
  }
  await line('bound')
  return { socket, lines, line }
}

function start(env: NotifySettings['env'], over: Partial<NotifySettings> = {}) {
  const faults: string[] = []
  const notify = startNotify({
    env: { PATH: process.env['PATH'], ...env },
    pid: 4711,
    isTurning: () => true,
    onFault: (text) => faults.push(text),
    ...over,
  })
  ends.push(() => notify.close())
  return { notify, faults }
}

test('under no manager nothing is called', async () => {
  const { notify, faults } = start({ WATCHDOG_USEC: '3000' }, { program: '/nowhere/at-all' })
  await notify.ready('up')
  await notify.stopping()
  expect(faults).toEqual([])
})

test('a manager that cannot be told is one fault, not one a message, and nothing throws', async () => {
  const { notify, faults } = start({ NOTIFY_SOCKET: '/nowhere' }, { program: '/nowhere/at-all' })
  await notify.ready('up')
  await notify.stopping()
  expect(faults).toEqual([expect.stringMatching(/ENOENT.*Watching goes on.*Type=exec/)])
})

test.skipIf(cannot)('ready with its status, then stopping, over the real program and a real socket', async () => {
  const { socket, lines, line } = await manager()
  const { notify, faults } = start({ NOTIFY_SOCKET: socket })
  await notify.ready('12 circuits\non 3 lines')
  await notify.stopping()
  await line('STOPPING=1')
  expect(faults).toEqual([])
  expect(lines.filter((text) => !text.startsWith('BARRIER'))).toEqual(['bound', 'READY=1', 'STATUS=12 circuits on 3 lines', 'STOPPING=1'])
})

test.skipIf(cannot)('the watchdog is told again and again, not while it should not be, and not after the stop', async () => {
  const { socket, lines, line } = await manager()
  let isTurning = true
  let asked = 0
  const { notify } = start(
    { NOTIFY_SOCKET: socket, WATCHDOG_USEC: '60000', WATCHDOG_PID: '4711' },
    { isTurning: () => ((asked += 1), isTurning) },
  )
  await line('WATCHDOG=1', 3)
  isTurning = false
  await notify.ready('quiet') // whatever was under way has arrived once this has
  await line('READY=1')
  const before = lines.filter((text) => text === 'WATCHDOG=1').length
  const askedBefore = asked
  await expect.poll(() => asked - askedBefore).toBeGreaterThan(5)
  expect(lines.filter((text) => text === 'WATCHDOG=1').length).toBeLessThanOrEqual(before + 1)
  isTurning = true
  await line('WATCHDOG=1', before + 2)
  await notify.stopping()
  const askedAtStop = asked
  await line('STOPPING=1')
  expect(asked).toBe(askedAtStop)
})

test.each([
  { name: 'meant for another process', env: { WATCHDOG_USEC: '3000', WATCHDOG_PID: '1' } },
  { name: 'not wanted', env: {} },
  { name: 'no number', env: { WATCHDOG_USEC: 'soon' } },
])('a watchdog $name gets no message', async ({ env }) => {
  let asked = 0
  const { notify } = start({ NOTIFY_SOCKET: '/nowhere', ...env }, { program: 'true', isTurning: () => ((asked += 1), true) })
  for (let i = 0; i < 5; i += 1) await notify.ready('x') // five processes: far longer than three thousand µs
  expect(asked).toBe(0)
})
