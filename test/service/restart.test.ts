import { execFileSync } from 'node:child_process'
import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { DatabaseSync } from 'node:sqlite'
import { afterEach, describe, expect, test } from 'vitest'
import type { AlarmMessage, AlarmState } from '../../alerts/payloads.ts'
import { loadSite } from '../../config/load.ts'
import { createChunkWriter } from '../../history/chunk.ts'
import { openHistory } from '../../history/sqlite.ts'
import { ENGINE_VERSION } from '../../rules/engine.ts'
import { withSelf } from '../../service/self.ts'
import { startMosquitto, subscribe, type Heard, type Mosquitto, type Subscriber } from '../alerts/mosquitto.ts'
import { valueOf } from '../dashboards/exposition.ts'
import { startHall, type HallProcess } from '../simulator/hall-process.ts'
import { tool } from '../tool.ts'
import {
  alarmsOf,
  cleanup,
  mouldtend,
  readJournal,
  recordsOf,
  scratch,
  startRun,
  unitId,
  until,
  writeSite,
  type ServiceProcess,
  type SiteOptions,
} from './stage.ts'

const [mosquitto, mosquittoSub, mosquittoPub] = [tool('mosquitto'), tool('mosquitto_sub'), tool('mosquitto_pub')]
const SITE = 'mouldtend/kestrel-hall'
const high = (unit: number): string => `${unitId(unit)}/a:temperature.main_line.high`

const opened = cleanup()
afterEach(opened.all)
const run = (file: string): ServiceProcess => {
  const service = startRun(file)
  opened.add(service.kill)
  return service
}
const folderOfItsOwn = (): string => {
  const { folder, remove } = scratch()
  opened.add(remove)
  return folder
}
const fleet = async (units: number): Promise<HallProcess> => {
  const hall = await startHall('--fleet', String(units), '--ports', '1')
  opened.add(hall.stop)
  return hall
}
const events = (heard: readonly Heard[]): readonly AlarmMessage[] =>
  heard.filter(({ topic }) => topic.endsWith('/event')).map(({ payload }) => JSON.parse(payload) as AlarmMessage)
const raisedIn = (folder: string, alarm: string) =>
  alarmsOf(readJournal(folder)).find(({ event }) => event.alarm === alarm && event.event === 'raised')
/** The time of the first reading above the limit that is on the disk, from the file itself. */
const lastInput_ms = (folder: string): number => {
  const db = new DatabaseSync(join(folder, 'kestrel.db'), { readOnly: true })
  try {
    return Number(db.prepare('select max(last_ms) as at_ms from inputs').get()?.['at_ms'] ?? 0)
  } finally {
    db.close()
  }
}

test('an on-delay goes on over a kill: the alarm comes when it would have come, reckoned from before the kill', async () => {
  const hall = await fleet(1)
  const folder = folderOfItsOwn()
  const file = writeSite(folder, {
    lines: [{ port: hall.ready.modbus[0]?.port ?? 0, units: 1 }],
    rules: '      temperature.main_line.high: { on_delay: 4 s, off_delay: 0 s }',
    mqtt: '  embedded: { port: 0 }',
  })
  const first = run(file)
  await first.http()
  await hall.post('/step', { unit: 1, value: 90 })
  const stepped_ms = Date.now()
  await until('the change is on the disk', () => (lastInput_ms(folder) > stepped_ms + 500 ? true : null))
  await first.kill()
  expect(raisedIn(folder, high(1))).toBeUndefined()
  const second = run(file)
  await second.http()
  const started_ms = recordsOf(readJournal(folder), 'service_started').at(-1)?.event.at_ms ?? 0
  const { event } = await until('it is raised', () => raisedIn(folder, high(1)) ?? null)
  expect(event.since_ms).toBeGreaterThan(stepped_ms - 100)
  expect(event.since_ms, 'begun before the kill').toBeLessThan(started_ms)
  // Time without data, while the connection is being made, does not count; nothing else is added.
  expect(event.at_ms - (event.since_ms ?? 0)).toBeGreaterThanOrEqual(4000)
  expect(event.at_ms, 'not begun anew').toBeLessThan(started_ms + 4000)
  expect(await second.stop()).toBe(0)
})

describe.skipIf(mosquitto === null || mosquittoSub === null || mosquittoPub === null)('over a restart, with a broker of Debian', () => {
  const broker = async (): Promise<Mosquitto> => {
    const made = await startMosquitto(mosquitto ?? '')
    opened.add(made.close)
    return made
  }
  const listen = async (port: number): Promise<Subscriber> => {
    const subscriber = await subscribe(mosquittoSub ?? '', port, `${SITE}/#`)
    opened.add(subscriber.close)
    return subscriber
  }
  const say = (port: number, topic: string, payload: string, ...more: string[]): void => {
    const to = ['-h', '127.0.0.1', '-p', String(port), '-q', '1', '-t', topic]
    execFileSync(mosquittoPub ?? '', [...to, '-m', payload, ...more])
  }

  test('what waited is delivered, what stands is shown anew with who acknowledged it, and what nobody knows any more is cleared', async () => {
    const hall = await fleet(2)
    const folder = folderOfItsOwn()
    const made = await broker()
    const file = writeSite(folder, {
      lines: [{ port: hall.ready.modbus[0]?.port ?? 0, units: 2 }],
      mqtt: `  url: mqtt://127.0.0.1:${made.port}\n  accept_commands: true`,
    })
    const first = run(file)
    await first.http()
    const before = await listen(made.port)
    await hall.post('/step', { unit: 1, value: 90 })
    await until('the first alarm is told', () => events(before.heard).find(({ alarm }) => alarm === high(1)) ?? null)
    say(made.port, `${SITE}/command/acknowledge`, JSON.stringify({ id: 'c-1', alarm: high(1), by: 'shift-2' }))
    await until('it is acknowledged', () => events(before.heard).find(({ event }) => event === 'acknowledged') ?? null)

    await made.stop()
    await hall.post('/step', { unit: 2, value: 91 })
    const waiting = await until('the second alarm is journalled while the broker is away', () => raisedIn(folder, high(2)) ?? null)
    await first.kill()

    await made.start()
    const ghost = `${SITE}/kh-09/kh-09.a/alarm/temperature.deviation`
    const topic = `${SITE}/kh-01/kh-01.a/alarm/temperature.main_line.high`
    say(made.port, ghost, '{"from":"an earlier life"}', '--retain')
    // As after a loss of what the broker had kept.
    say(made.port, topic, '', '--retain')
    const after = await listen(made.port)
    await until('the broker gives what it retains', () => after.heard.find((one) => one.topic === ghost) ?? null)
    expect(after.heard.find((one) => one.topic === topic)).toBeUndefined()

    const second = run(file)
    await second.http()
    const told = await until('the second alarm is told', () => events(after.heard).find(({ alarm }) => alarm === high(2)) ?? null)
    expect(told.id).toBe(waiting.id)
    const state = await until('the standing alarm is shown', () => after.heard.find((one) => one.topic === topic) ?? null)
    expect(JSON.parse(state.payload) as AlarmState).toMatchObject({ state: 'ack_active', acknowledged: { by: 'shift-2' }, value: 90 })
    await until('the ghost is cleared', () => after.heard.find((one) => one.topic === ghost && one.payload === '') ?? null)
    expect(await second.stop()).toBe(0)
    // Nothing was told under another id, and nothing told before came again but under its own.
    const ids = new Set(alarmsOf(readJournal(folder)).map(({ id }) => id))
    expect([...events(before.heard), ...events(after.heard)].filter(({ id }) => !ids.has(id))).toEqual([])
  })

  test('a changed site file: the change is on record, alarms of what is gone end with a line and leave the broker', async () => {
    const hall = await fleet(3)
    const folder = folderOfItsOwn()
    const made = await broker()
    const options: SiteOptions = {
      lines: [{ port: hall.ready.modbus[0]?.port ?? 0, units: 3 }],
      mqtt: `  url: mqtt://127.0.0.1:${made.port}`,
    }
    const file = writeSite(folder, options)
    const first = run(file)
    const http = await first.http()
    const { heard } = await listen(made.port)
    for (const unit of [1, 3]) await hall.post('/step', { unit, value: 90 })
    await until('both alarms stand', async () => {
      const text = await (await fetch(`http://127.0.0.1:${http}/metrics`)).text()
      return valueOf(text, 'mouldtend_alarms_active', { priority: 'medium' }) === 2 ? true : null
    })
    expect(await first.stop()).toBe(0)

    // kh-03 is taken away, and for the others another limit counts, above which nothing is.
    writeSite(folder, { ...options, lines: [{ port: hall.ready.modbus[0]?.port ?? 0, units: 2 }] })
    writeFileSync(file, readFileSync(file, 'utf8').replace('high: 85 degC', 'high: 95 degC'))
    const second = run(file)
    await second.http()
    const removed = await until(
      'the end of the alarm is told',
      () => events(heard).find(({ event, alarm }) => event === 'rule_removed' && alarm === high(3)) ?? null,
    )
    await until(
      'the other alarm returns, by the new limit',
      () => events(heard).find(({ event, alarm }) => event === 'returned' && alarm === high(1)) ?? null,
    )
    const topic = `${SITE}/kh-03/kh-03.a/alarm/temperature.main_line.high`
    await until('it leaves the broker', () => heard.find((one) => one.topic === topic && one.payload === '') ?? null)
    expect(await second.stop()).toBe(0)
    const lines = readJournal(folder)
    expect(lines.find(({ id }) => id === removed.id)?.event).toMatchObject({ event: 'rule_removed', unit: 'kh-03' })
    expect(recordsOf(lines, 'plan_changed').map(({ event }) => event.facts['why'])).toEqual(['the site file was changed'])
    expect(lines.filter(({ event }) => event.event === 'rule_changed')).toMatchObject([{ event: { alarm: high(1), limit: 95 } }])
    expect(recordsOf(lines, 'gap'), 'it was stopped, not killed').toEqual([])

    // And back again: the same plan as at first, and no number is given a second time.
    writeSite(folder, options)
    const third = run(file)
    await third.http()
    await until('the alarm comes again', () =>
      alarmsOf(readJournal(folder)).filter(({ event }) => event.alarm === high(3) && event.event === 'raised').length === 2 ? true : null,
    )
    expect(await third.stop()).toBe(0)
    const numbers = alarmsOf(readJournal(folder)).filter(({ event }) => event.alarm === high(3))
    expect(numbers.map(({ event }) => event.eventNo)).toEqual(numbers.map((_, at) => at + 1))
  })
})

test('a site file with errors: code 2, and each with file, line and column; nothing is started', async () => {
  const folder = folderOfItsOwn()
  const file = writeSite(folder, { lines: [{ port: 502, units: 2 }], mqtt: '  embedded: { port: 0 }', more: 'canary: often' })
  const text = readFileSync(file, 'utf8').replace('poll:', 'pol:')
  writeFileSync(file, text)
  const lineOf = (part: string): number => text.split('\n').findIndex((line) => line.includes(part)) + 1
  const { code, out, err } = await mouldtend('run', file)
  expect([code, out]).toEqual([2, ''])
  const lines = err.trim().split('\n')
  expect(lines).toHaveLength(2)
  expect(lines[0]).toMatch(new RegExp(`site\\.yaml:${lineOf('pol:')}:5 templates\\.bare\\.pol: .*poll`))
  expect(lines[1]).toMatch(new RegExp(`site\\.yaml:${lineOf('canary:')}:9 canary: expected .*"often"`))
})

test('a second service on the same file: code 1, and says who has it; the first goes on', async () => {
  const folder = folderOfItsOwn()
  const file = writeSite(folder, { lines: [{ port: 502, units: 1 }], mqtt: '  embedded: { port: 0 }' })
  const first = run(file)
  const http = await first.http()
  const { code, err } = await mouldtend('run', file)
  expect(code).toBe(1)
  expect(err).toMatch(new RegExp(`kestrel\\.db: in use by another mouldtend \\(process ${first.child.pid} `))
  expect(err, 'no stack for what is no bug').not.toMatch(/\n\s+at /)
  expect((await fetch(`http://127.0.0.1:${http}/healthz`)).status).toBe(200)
  expect(await first.stop()).toBe(0)
})

test('a port that is taken: code 1, and says which', async () => {
  const folder = folderOfItsOwn()
  const options = { lines: [{ port: 502, units: 1 }], mqtt: '  embedded: { port: 0 }' }
  const first = run(writeSite(folder, options))
  const http = await first.http()
  const other = folderOfItsOwn()
  const file = writeSite(other, options)
  writeFileSync(file, readFileSync(file, 'utf8').replace('http: { port: 0 }', `http: { port: ${http} }`))
  const { code, err } = await mouldtend('run', file)
  expect(code).toBe(1)
  expect(err).toContain(String(http))
  expect(err).not.toMatch(/\n\s+at /)
  expect(await first.stop()).toBe(0)
})

test('a clock behind the record: it is said, collecting goes on, and delays last as long as they should', async () => {
  const hall = await fleet(1)
  const folder = folderOfItsOwn()
  const file = writeSite(folder, {
    lines: [{ port: hall.ready.modbus[0]?.port ?? 0, units: 1 }],
    rules: '      temperature.main_line.high: { on_delay: 1 s, off_delay: 0 s }',
    mqtt: '  embedded: { port: 0 }',
  })
  const site = await loadSite(file)
  if (site.kind === 'bad') throw new Error('bad site')
  const plan = withSelf(site.plan)
  // As if the clock had been an hour ahead when the service last ran.
  const last_ms = Date.now() + 3_600_000
  const history = await openHistory(join(folder, 'kestrel.db'), { reserveBytes: 0 })
  const writer = createChunkWriter(plan)
  writer.add(1, { kind: 'service_start', at_ms: last_ms - 1000, last_ms: null, trusted: true, engine: ENGINE_VERSION })
  writer.add(2, { kind: 'service_stop', at_ms: last_ms })
  await history.commit({ chunk: writer.take(), records: [], outbox: [], snapshot: null, plan })
  await history.close()

  const service = run(file)
  const http = await service.http()
  const ready = await fetch(`http://127.0.0.1:${http}/readyz`)
  expect(ready.status).toBe(503)
  expect(await ready.text()).toContain('clock_untrusted')
  const lines = readJournal(folder)
  expect(recordsOf(lines, 'clock_untrusted')).toMatchObject([{ event: { facts: { last_ms } } }])
  expect(
    Math.min(
      ...recordsOf(lines, 'service_started')
        .map(({ event }) => event.at_ms)
        .slice(1),
    ),
    'time does not fall',
  ).toBeGreaterThanOrEqual(last_ms)
  await hall.post('/step', { unit: 1, value: 90 })
  const asked = performance.now()
  const { event } = await until('it is raised', () => raisedIn(folder, high(1)) ?? null)
  const waited_ms = performance.now() - asked
  expect(event.at_ms - (event.since_ms ?? 0)).toBe(1000)
  expect(event.at_ms).toBeGreaterThan(last_ms)
  expect(waited_ms).toBeGreaterThan(900)
  expect(waited_ms).toBeLessThan(5000)
  expect(await service.stop()).toBe(0)
})
