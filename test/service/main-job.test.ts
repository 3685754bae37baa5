import { execFileSync, spawnSync } from 'node:child_process'
import { afterEach, describe, expect, test } from 'vitest'
import type { AlarmMessage, AlarmState } from '../../alerts/payloads.ts'
import { expressions } from '../dashboards/files.ts'
import { declared, samples, valueOf } from '../dashboards/exposition.ts'
import { parse } from '../dashboards/promql.ts'
import { startMosquitto, subscribe, type Heard, type Subscriber } from '../alerts/mosquitto.ts'
import { startHall, type HallProcess } from '../simulator/hall-process.ts'
import { tool } from '../tool.ts'
import { alarmsOf, cleanup, readJournal, recordsOf, scratch, startRun, until, writeSite, type ServiceProcess } from './stage.ts'

const [mosquitto, mosquittoSub, mosquittoPub, promtool] = [
  tool('mosquitto'),
  tool('mosquitto_sub'),
  tool('mosquitto_pub'),
  tool('promtool'),
]
const SITE = 'mouldtend/kestrel-hall'
const ALARM = 'kh-02/a:temperature.main_line.high'
/** Codes of mouldtend_alarm_state: 0 normal, 1 unack_active, 3 rtn_unack. */
const LABELS = { unit: 'kh-02', rule: 'temperature.main_line.high' }

const opened = cleanup()
afterEach(opened.all)

const fleet = async (units: number): Promise<HallProcess> => {
  const hall = await startHall('--fleet', String(units), '--ports', '1')
  opened.add(hall.stop)
  return hall
}
const scrape = async (port: number, accept = ''): Promise<string> =>
  (await fetch(`http://127.0.0.1:${port}/metrics`, { headers: { accept } })).text()
const json = ({ payload }: Heard): unknown => JSON.parse(payload)
const acknowledge = (port: number, payload: unknown): string[] => {
  const to = ['-h', '127.0.0.1', '-p', String(port), '-q', '1', '-t', `${SITE}/command/acknowledge`]
  return [...to, '-m', JSON.stringify(payload)]
}
const events = (heard: readonly Heard[]): readonly AlarmMessage[] =>
  heard.filter(({ topic }) => topic.endsWith('/event')).map((one) => json(one) as AlarmMessage)
const states = (heard: readonly Heard[]): readonly Heard[] => heard.filter(({ topic }) => topic.includes('/alarm/'))

describe.skipIf([mosquitto, mosquittoSub, mosquittoPub, promtool].includes(null))('the main job, end to end over processes', () => {
  const say = (port: number, payload: unknown): void => void execFileSync(mosquittoPub ?? '', acknowledge(port, payload))
  const listen = async (port: number): Promise<Subscriber> => {
    const subscriber = await subscribe(mosquittoSub ?? '', port, `${SITE}/#`)
    opened.add(subscriber.close)
    return subscriber
  }
  const run = (file: string): ServiceProcess => {
    const service = startRun(file)
    opened.add(service.kill)
    return service
  }

  /** One alarm from the register to a person and back; returns what was heard. */
  async function oneAlarm(hall: HallProcess, folder: string, service: ServiceProcess, mqttPort: number, subscriber: Subscriber) {
    const http = await service.http()
    const { heard } = subscriber
    await until('all units are read', async () => {
      const text = await scrape(http)
      return samples(text).filter(
        ({ name, labels }) => name === 'mouldtend_temperature_celsius' && labels['signal'] === 'temperature.main_line',
      ).length === 3
        ? text
        : null
    })
    expect(valueOf(await scrape(http), 'mouldtend_alarm_state', LABELS)).toBe(0)

    await hall.post('/step', { unit: 2, value: 90.5 })
    const told = await until('the alarm is told', () => events(heard).find(({ event }) => event === 'raised') ?? null)
    expect(told).toMatchObject({ alarm: ALARM, value: 90.5, limit: 85, recorded: true, late: false, annunciate: true, unit: 'kh-02' })

    const record = alarmsOf(readJournal(folder)).find(({ event }) => event.alarm === ALARM && event.event === 'raised')
    expect(record?.id, 'in the journal before anybody is told, under the same id').toBe(told.id)
    expect(record?.event.value).toBe(90.5)

    const text = await until('the alarm is in the metrics', async () => {
      const now = await scrape(http)
      return valueOf(now, 'mouldtend_alarm_state', LABELS) === 1 ? now : null
    })
    expect(valueOf(text, 'mouldtend_temperature_celsius', { unit: 'kh-02', signal: 'temperature.main_line' })).toBe(90.5)
    const state = await until('the present state is retained', () => states(heard).at(-1) ?? null)
    expect(state.topic).toBe(`${SITE}/kh-02/kh-02.a/alarm/temperature.main_line.high`)
    expect(json(state)).toMatchObject({ alarm: ALARM, state: 'unack_active', last_event_id: told.id })
    return { http, told, topic: state.topic, text }
  }

  test('register to journal, MQTT and metrics, acknowledged over MQTT, cleared, stopped; with a broker of Debian', async () => {
    const hall = await fleet(3)
    const broker = await startMosquitto(mosquitto ?? '')
    opened.add(broker.close)
    const subscriber = await listen(broker.port)
    const { heard } = subscriber
    const { folder, remove } = scratch()
    opened.add(remove)
    const [line] = hall.ready.modbus
    const file = writeSite(folder, {
      lines: [{ port: line?.port ?? 0, units: 3 }],
      mqtt: `  url: mqtt://127.0.0.1:${broker.port}\n  accept_commands: true\n  heartbeat: 1 s`,
      more: 'canary: 1 s',
    })
    const service = run(file)
    const { http, topic } = await oneAlarm(hall, folder, service, broker.port, subscriber)

    say(broker.port, { id: 'c-1', alarm: ALARM, by: 'shift-2', comment: 'on my way' })
    const result = await until('the command is answered', () => heard.find(({ topic: at }) => at.endsWith('/command/result')) ?? null)
    expect(json(result)).toMatchObject({ id: 'c-1', alarm: ALARM, result: 'done' })
    await until('others hear of it', () => events(heard).find(({ event, by }) => event === 'acknowledged' && by === 'shift-2') ?? null)
    await until('and the present state', () => {
      const now = states(heard).at(-1)
      return now !== undefined && now.payload !== '' && (json(now) as AlarmState).acknowledged?.by === 'shift-2' ? now : null
    })

    await hall.post('/step', { unit: 2, value: 80 })
    await until(
      'it is told that it returned',
      () => events(heard).find(({ event, alarm }) => event === 'returned' && alarm === ALARM) ?? null,
    )
    await until('the retained state is cleared', () => states(heard).find((one) => one.topic === topic && one.payload === '') ?? null)
    await until('the canary has come back', async () =>
      (valueOf(await scrape(http), 'mouldtend_canary_age_seconds') ?? 99) < 3 ? true : null,
    )
    expect((await fetch(`http://127.0.0.1:${http}/readyz`)).status).toBe(200)

    const live = await scrape(http)
    // Prometheus text exposition format, judged by the reference program of that project.
    expect(spawnSync(promtool ?? '', ['check', 'metrics'], { input: live, encoding: 'utf8' })).toMatchObject({
      status: 0,
      stdout: '',
      stderr: '',
    })
    const types = declared(live)
    const missing = expressions().flatMap(({ where, expr }) =>
      parse(expr)
        .selectors.filter(({ metric }) => metric !== 'up' && !types.has(metric))
        .map(({ metric }) => `${where}: ${metric}`),
    )
    expect(missing, 'in a dashboard or rule, and not in the live metrics').toEqual([])

    expect([await service.stop(), service.stderr()]).toEqual([0, ''])
    await until('its end is told', () =>
      heard.some(({ topic: at, payload }) => at === `${SITE}/service/status` && payload.includes('"stopped"')) ? true : null,
    )
    const lines = readJournal(folder)
    expect(lines.at(-1)?.event.event).toBe('service_stopped')
    expect(recordsOf(lines, 'gap')).toEqual([])
    const late = await listen(broker.port)
    await until('the broker gives what it retains', () => late.heard.find(({ topic: at }) => at.endsWith('/service/status')) ?? null)
    expect(states(late.heard), 'no present state is left behind').toEqual([])
    // Asked for, so that nothing was received twice and everything that belongs on MQTT was.
    const ids = events(heard).map(({ id }) => id)
    expect(new Set(ids).size).toBe(ids.length)
  })

  test('the same with the embedded broker; an acknowledge is not taken where the site does not allow it', async () => {
    const hall = await fleet(3)
    const { folder, remove } = scratch()
    opened.add(remove)
    const [line] = hall.ready.modbus
    const file = writeSite(folder, { lines: [{ port: line?.port ?? 0, units: 3 }], mqtt: '  embedded: { port: 0, websocket_port: 0 }' })
    const service = run(file)
    const { mqtt = '' } = await service.says('mouldtend watches')
    const port = Number(new URL(mqtt).port)
    const subscriber = await listen(port)
    const { topic, http } = await oneAlarm(hall, folder, service, port, subscriber)
    // Refused or ignored by the broker, as it likes; what counts is that nothing changes.
    spawnSync(mosquittoPub ?? '', acknowledge(port, { id: 'c-1', alarm: ALARM, by: 'shift-2' }))
    await hall.post('/step', { unit: 2, value: 80 })
    await until(
      'it is told that it returned',
      () => events(subscriber.heard).find(({ event, alarm }) => event === 'returned' && alarm === ALARM) ?? null,
    )
    await until('it returned and still nobody has acknowledged it', async () =>
      valueOf(await scrape(http), 'mouldtend_alarm_state', LABELS) === 3 ? true : null,
    )
    const last = states(subscriber.heard).findLast((one) => one.topic === topic)
    expect(last?.payload ?? '').not.toBe('')
    expect([await service.stop(), service.stderr()]).toEqual([0, ''])
    expect(alarmsOf(readJournal(folder)).filter(({ event }) => event.event === 'acknowledged')).toEqual([])
  })
})
