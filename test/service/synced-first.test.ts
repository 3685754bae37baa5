import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterEach, describe, expect, test } from 'vitest'
import { startMosquitto, subscribe } from '../alerts/mosquitto.ts'
import { startHall } from '../simulator/hall-process.ts'
import { tool } from '../tool.ts'
import { alarmsOf, cleanup, readJournal, scratch, startRun, until, writeSite } from './stage.ts'

const [strace, mosquitto, mosquittoSub] = [tool('strace'), tool('mosquitto'), tool('mosquitto_sub')]
const ALARMS = 12

const opened = cleanup()
afterEach(opened.all)

describe.skipIf([strace, mosquitto, mosquittoSub].includes(null))('seen by strace in the running service', () => {
  test(
    'the record of an alert is synced to the disk before the first byte of the alert leaves for the broker',
    { timeout: 60_000 },
    async () => {
      const hall = await startHall('--fleet', '4', '--ports', '1')
      opened.add(hall.stop)
      const broker = await startMosquitto(mosquitto ?? '')
      opened.add(broker.close)
      const { heard, close } = await subscribe(mosquittoSub ?? '', broker.port, 'mouldtend/kestrel-hall/+/+/event')
      opened.add(close)
      const { folder, remove } = scratch()
      opened.add(remove)
      const file = writeSite(folder, {
        lines: [{ port: hall.ready.modbus[0]?.port ?? 0, units: 4 }],
        mqtt: `  url: mqtt://127.0.0.1:${broker.port}`,
      })
      const trace = join(folder, 'trace')
      const calls = 'trace=fsync,fdatasync,pwrite64,pwritev,write,writev,sendto,sendmsg'
      const service = startRun(file, [strace ?? '', '-f', '-yy', '-s', '20000', '-e', calls, '-o', trace])
      await service.http()
      for (let alarm = 0; alarm < ALARMS; alarm++) {
        const before = heard.length
        await hall.post('/step', { unit: 1 + (alarm % 4), value: alarm % 8 < 4 ? 90 : 80 })
        await until('it is told', () => (heard.length > before ? true : null))
      }
      // A signal to strace would not reach what it watches.
      process.kill(Number(/^process (\d+) /.exec(readFileSync(join(folder, 'kestrel.db.owner'), 'utf8'))?.[1]), 'SIGTERM')
      expect((await service.ended).code).toBe(0)

      const told = new Set(heard.map(({ payload }) => (JSON.parse(payload) as { id: string }).id))
      const ids = alarmsOf(readJournal(folder))
        .filter(({ id }) => told.has(id))
        .map(({ id }) => id)
      expect(ids.length).toBeGreaterThanOrEqual(ALARMS)
      expect(ids.length).toBe(told.size)
      const lines = readFileSync(trace, 'utf8').split('\n')
      expect(ids.map((id) => judge(lines, id, broker.port))).toEqual(ids.map(() => 'synced first'))
    },
  )
})

const wal = (call: string): string => `7 ${call}(20<UNIX:/x/kestrel.db-wal>`
test.each<{ name: string; lines: string[]; verdict: string }>([
  {
    name: 'record, sync, alert',
    lines: [
      `${wal('pwrite64')}, "id-1", 4) = 4`,
      `${wal('pwrite64')}, "x", 1) = 1`,
      `${wal('fdatasync')}) = 0`,
      '6 writev(9<TCP:[127.0.0.1:5->127.0.0.1:1883]>, "id-1") = 4',
    ],
    verdict: 'synced first',
  },
  {
    name: 'the sync has begun and not returned',
    lines: [
      `${wal('pwrite64')}, "id-1", 4) = 4`,
      `${wal('fdatasync')} <unfinished ...>`,
      '6 write(9<TCP:[127.0.0.1:5->127.0.0.1:1883]>, "id-1") = 4',
      '7 <... fdatasync resumed>) = 0',
    ],
    verdict: 'told too early',
  },
  {
    name: 'a sync from before the record counts for nothing',
    lines: [`${wal('fdatasync')}) = 0`, `${wal('pwrite64')}, "id-1", 4) = 4`, '6 write(9<TCP:[127.0.0.1:5->127.0.0.1:1883]>, "id-1") = 4'],
    verdict: 'told too early',
  },
  {
    name: 'a sync that failed counts for nothing',
    lines: [
      `${wal('pwrite64')}, "id-1", 4) = 4`,
      `${wal('fdatasync')}) = -1 EIO (Input/output error)`,
      '6 write(9<TCP:[127.0.0.1:5->127.0.0.1:1883]>, "id-1") = 4',
    ],
    verdict: 'told too early',
  },
  {
    name: 'another peer is no broker',
    lines: [`${wal('pwrite64')}, "id-1", 4) = 4`, '6 write(9<TCP:[127.0.0.1:5->127.0.0.1:502]>, "id-1") = 4'],
    verdict: 'never told',
  },
  { name: 'not in the log', lines: ['6 write(9<TCP:[127.0.0.1:5->127.0.0.1:1883]>, "id-1") = 4'], verdict: 'not in the log' },
])('the judge of the trace: $name', ({ lines, verdict }) => expect(judge(lines, 'id-1', 1883)).toBe(verdict))

/** Was the log, from the first write with this id on, synced with success before anything with this id went to the broker? */
function judge(lines: readonly string[], id: string, port: number): 'synced first' | 'told too early' | 'never told' | 'not in the log' {
  const written = lines.findIndex((line) => / pwrite(64|v)\(\d+<[^>]*-wal>/.test(line) && line.includes(id))
  if (written < 0) return 'not in the log'
  const told = lines.findIndex(
    (line) => line.includes(`->127.0.0.1:${port}]>`) && / (write|writev|sendto|sendmsg)\(/.test(line) && line.includes(id),
  )
  if (told < 0) return 'never told'
  const syncing = new Set<string>()
  for (const line of lines.slice(written + 1, told)) {
    const thread = line.split(' ')[0] ?? ''
    const isOver = line.endsWith('= 0')
    if (/ f(data)?sync\(\d+<[^>]*-wal>/.test(line)) {
      if (isOver) return 'synced first'
      if (line.includes('<unfinished')) syncing.add(thread)
    } else if (/<\.\.\. f(data)?sync resumed/.test(line) && syncing.delete(thread) && isOver) return 'synced first'
  }
  return 'told too early'
}
