import { join } from 'node:path'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { channelsOf, messagesFor } from '../../alerts/outbox-messages.ts'
import type { AlarmMessage } from '../../alerts/payloads.ts'
import type { Plan } from '../../config/plan.ts'
import { eventId } from '../../history/identity.ts'
import { openHistory } from '../../history/sqlite.ts'
import type { JournalRecord } from '../../history/store.ts'
import type { Sequenced } from '../../rules/input.ts'
import { ENGINE_VERSION, openEngine } from '../../rules/engine.ts'
import type { Event } from '../../rules/event.ts'
import { valueOf } from '../dashboards/exposition.ts'
import { startMosquitto, subscribe, type Heard } from '../alerts/mosquitto.ts'
import { startHall } from '../simulator/hall-process.ts'
import { tool } from '../tool.ts'
import { alarmsOf, cleanup, readJournal, recordsOf, scratch, startRun, until, writeSite, type Line } from './stage.ts'

const [mosquitto, mosquittoSub] = [tool('mosquitto'), tool('mosquitto_sub')]
const KILLS = 50
const UNITS = 16

/** What was there after the last kill, one more start, and a clean stop. */
interface Aftermath {
  readonly journal: readonly Line[]
  readonly inputs: readonly (Sequenced & { readonly planVersion: string })[]
  readonly plans: ReadonlyMap<string, Plan>
  readonly verdict: { readonly ok: boolean; readonly detail: string }
  readonly heard: readonly Heard[]
  readonly killedEarly: number
  readonly killedWatching: number
  readonly replayed: readonly number[]
  readonly lastStop: number | null
}

const opened = cleanup()
afterAll(opened.all)

const rules = (limit: string): string => `      temperature.main_line.high: { on_delay: 0 s, off_delay: 0 s, limit: ${limit} }
      temperature.deviation: { on_delay: 300 ms, off_delay: 200 ms }`

/** Kills the running service again and again, at random instants of start, recovery and work, while units go in and out of alarm. */
async function killOverAndOver(): Promise<Aftermath> {
  const hall = await startHall('--fleet', String(UNITS), '--ports', '2')
  opened.add(hall.stop)
  const broker = await startMosquitto(mosquitto ?? '')
  opened.add(broker.close)
  const subscriber = await subscribe(mosquittoSub ?? '', broker.port, 'mouldtend/kestrel-hall/+/+/event')
  opened.add(subscriber.close)
  const { folder, remove } = scratch()
  opened.add(remove)
  const [first, second] = hall.ready.modbus
  const site = (kill: number): string =>
    writeSite(folder, {
      // The plan changes twice on the way: another limit, then a unit less and a rule less.
      lines: [
        { port: first?.port ?? 0, units: UNITS / 2 },
        { port: second?.port ?? 0, units: kill < 35 ? UNITS / 2 : UNITS / 2 - 1 },
      ],
      poll: '50 ms',
      rules: rules(kill < 20 ? '85 degC' : '86 degC') + (kill < 35 ? '' : '\n      pressure.main_line.rating: { enabled: false }'),
      mqtt: `  url: mqtt://127.0.0.1:${broker.port}`,
      more: 'canary: 1 s',
    })

  let isOver = false
  opened.add(() => (isOver = true))
  const load = (async () => {
    while (!isOver) {
      await hall.post('/step', { unit: 1 + Math.floor(Math.random() * UNITS), value: Math.random() < 0.5 ? 80 : 90 })
      await new Promise((resolve) => setTimeout(resolve, 5))
    }
  })()
  // Waited for below; where a start fails before, that is what is to be told.
  load.catch(() => {})

  let [killedEarly, killedWatching] = [0, 0]
  const replayed: number[] = []
  // Keeps the compiled sources: a start is then quick enough for the kills to hit work and not only starting.
  const env = { NODE_COMPILE_CACHE: join(folder, 'compiled') }
  const once = startRun(site(0), [], env)
  opened.add(once.kill)
  await once.says('mouldtend watches')
  await once.kill()
  for (let kill = 1; kill < KILLS; kill++) {
    const service = startRun(site(kill), [], env)
    opened.add(service.kill)
    const watching = service.says('mouldtend watches').then(
      (line) => {
        replayed.push(Number(line['replayed']))
        return true
      },
      () => false,
    )
    // Every third one within the start, the rest at work.
    if (kill % 3 === 0) await new Promise((resolve) => setTimeout(resolve, 300 + Math.random() * 900))
    else {
      if (!(await watching)) throw new Error(`it does not start: ${service.stderr()}`)
      await new Promise((resolve) => setTimeout(resolve, Math.random() * 600))
    }
    await service.kill()
    if (await watching) killedWatching++
    else killedEarly++
  }
  isOver = true
  await load

  const service = startRun(site(KILLS), [], env)
  opened.add(service.kill)
  const http = await service.http()
  await until('everything that waited has been sent', async () => {
    const text = await (await fetch(`http://127.0.0.1:${http}/metrics`)).text()
    return valueOf(text, 'mouldtend_queue_depth', { queue: 'outbox' }) === 0 ? true : null
  })
  const lastStop = await service.stop()

  const history = await openHistory(join(folder, 'kestrel.db'), { reserveBytes: 0 })
  try {
    const inputs = await history.inputs(0, 10_000_000)
    const plans = new Map<string, Plan>()
    for (const version of new Set(inputs.map(({ planVersion }) => planVersion))) {
      const plan = await history.plan(version)
      if (plan !== null) plans.set(version, plan)
    }
    const verdict = await history.verify()
    return {
      journal: readJournal(folder),
      inputs,
      plans,
      verdict,
      heard: subscriber.heard,
      killedEarly,
      killedWatching,
      replayed,
      lastStop,
    }
  } finally {
    await history.close()
  }
}

describe.skipIf(mosquitto === null || mosquittoSub === null)(
  `the running service, killed ${KILLS} times with SIGKILL under alarm load`,
  () => {
    let seen: Aftermath
    beforeAll(async () => {
      seen = await killOverAndOver()
    }, 180_000)
    const byKey = <Item>(items: readonly Item[], key: (item: Item) => string): ReadonlyMap<string, readonly Item[]> =>
      Map.groupBy(items, key)
    const messages = (): readonly AlarmMessage[] => seen.heard.map(({ payload }) => JSON.parse(payload) as AlarmMessage)

    test('the loop reached what it is about', () => {
      expect(seen.killedEarly + seen.killedWatching).toBe(KILLS - 1)
      expect(seen.killedEarly).toBeGreaterThan(3)
      expect(seen.killedWatching).toBeGreaterThan(KILLS / 3)
      expect(alarmsOf(seen.journal).filter(({ event }) => event.event === 'raised').length).toBeGreaterThan(5 * KILLS)
      expect(Math.max(...seen.replayed)).toBeGreaterThan(100)
      expect(seen.lastStop).toBe(0)
    })

    test('no event id is in the journal twice, its chain of hashes holds, and every input is there', () => {
      expect(new Set(seen.journal.map(({ id }) => id)).size).toBe(seen.journal.length)
      expect(seen.verdict).toMatchObject({ ok: true })
      expect(seen.inputs.map(({ seq }) => seq)).toEqual(seen.inputs.map((_, at) => at + 1))
    })

    test('no event is ahead of its inputs', () => {
      const seqs = new Set(seen.inputs.map(({ seq }) => seq))
      expect(seen.journal.filter(({ seq }) => !seqs.has(seq))).toEqual([])
    })

    test('the events of each alarm, and the records of each subject, are numbered without a hole', () => {
      const numbers = byKey(seen.journal, ({ event }) => (event.kind === 'alarm' ? `alarm ${event.alarm}` : `record ${event.subject}`))
      for (const [key, lines] of numbers)
        expect([key, lines.map(({ event }) => event.eventNo)]).toEqual([key, lines.map((_, at) => at + 1)])
      expect(numbers.size).toBeGreaterThan(UNITS * 2)
    })

    test('what belongs on MQTT was received there, nothing else was, and one id never had two contents', () => {
      const plan = [...seen.plans.values()][0]
      if (plan === undefined) throw new Error('no plan')
      const named = seen.journal.map(({ id, event }) => ({ id, event }))
      const due = messagesFor(named, plan, channelsOf(plan), 0).map(({ id }) => id)
      const heard = new Set(messages().map(({ id }) => id))
      expect(due.length).toBeGreaterThan(10 * KILLS)
      expect(
        due.filter((id) => !heard.has(id)),
        'journalled and never told',
      ).toEqual([])
      const known = new Set(due)
      expect(
        [...heard].filter((id) => !known.has(id)),
        'told and not in the journal',
      ).toEqual([])
      // The time of sending is the one thing that differs when a message is sent again.
      for (const [id, copies] of byKey(messages(), (message) => message.id)) {
        const contents = copies.map((message) => JSON.stringify({ ...message, sent: null }))
        expect([id, new Set(contents).size]).toEqual([id, 1])
      }
    })

    test('people hear of a circuit in the order of the journal', () => {
      const order = new Map(seen.journal.map(({ id, row }) => [id, row]))
      for (const [circuit, told] of byKey(messages(), ({ circuit: key, unit }) => key ?? unit)) {
        const rows = [...new Set(told.map(({ id }) => order.get(id) ?? 0))]
        expect([circuit, rows]).toEqual([circuit, rows.toSorted((a, b) => a - b)])
      }
    })

    test('every start after a kill says which stretch is missing', () => {
      const starts = recordsOf(seen.journal, 'service_started')
      const gaps = recordsOf(seen.journal, 'gap')
      expect(starts.length).toBeGreaterThan(KILLS / 3)
      expect(gaps.map(({ event }) => event.facts['to_ms'])).toEqual(starts.slice(1).map(({ event }) => event.at_ms))
      // From the last input before it that is on the disk, or the change of the plan that the new start began with.
      for (const { seq, event } of gaps) {
        const before = seen.inputs[seq - 2]
        const last = before?.input.kind === 'plan_change' ? seen.inputs[seq - 3] : before
        expect(event.facts['from_ms']).toBe(last?.input.at_ms)
      }
    })

    test('played again by a fresh engine, the inputs give exactly the journal: as if it had never been interrupted', () => {
      const first = seen.plans.get(seen.inputs[0]?.planVersion ?? '')
      if (first === undefined) throw new Error('the first plan is missing')
      const engine = openEngine(first, null)
      const again: JournalRecord[] = []
      const note = (seq: number, events: readonly Event[]): void => {
        for (const event of events) again.push({ id: eventId(engine.plan().site, event), seq, engine: ENGINE_VERSION, event })
      }
      let changes = 0
      for (const { seq, input } of seen.inputs) {
        note(seq, engine.step(input))
        if (input.kind !== 'plan_change') continue
        const to = seen.plans.get(input.to)
        if (to === undefined) throw new Error(`plan ${input.to} is missing`)
        note(seq, engine.changePlan(to, input.at_ms))
        changes++
      }
      expect(changes).toBe(2)
      const written = seen.journal.map(({ id, seq, engine: by, event }) => ({ id, seq, engine: by, event }))
      expect(again.length).toBe(written.length)
      expect(again).toEqual(written)
    })
  },
)
