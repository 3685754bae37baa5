import { spawn } from 'node:child_process'
import { once } from 'node:events'
import { readFileSync, writeFileSync } from 'node:fs'
import { createInterface } from 'node:readline'
import { DatabaseSync } from 'node:sqlite'
import { afterAll, beforeAll, expect, test } from 'vitest'
import type { AlarmMessage } from '../../alerts/payloads.ts'
import { samples } from '../dashboards/exposition.ts'
import { subscribe } from '../alerts/mosquitto.ts'
import { tool } from '../tool.ts'
import { cleanup, MAIN, until } from './stage.ts'

/** What a newcomer sees. UPDATE_TRANSCRIPT=1 writes it anew. */
const TRANSCRIPT = 'docs/demo-transcript.txt'
const mosquittoSub = tool('mosquitto_sub')

const opened = cleanup()
afterAll(opened.all)

interface Seen {
  readonly text: string
  readonly code: number | null
  /** ms from the start of the process to the first alarm, by where it was seen. */
  readonly first: { readonly terminal: number; readonly journal: number; readonly metrics: number; readonly mqtt: number | null }
  /** Of the first alarm: in the journal, and as received. */
  readonly ids: { readonly journal: string; readonly mqtt: string | null }
}
let seen: Seen

/** The demo as it is started by hand, looked at from four sides. */
beforeAll(async () => {
  const start = performance.now()
  const passed = (): number => performance.now() - start
  const child = spawn(process.execPath, [MAIN, 'demo', '--seconds', '50'], { stdio: ['ignore', 'pipe', 'inherit'] })
  opened.add(() => child.kill('SIGKILL'))
  const lines: string[] = []
  let terminal: number | null = null
  createInterface({ input: child.stdout }).on('line', (line) => {
    lines.push(line)
    if (line.includes('  ALARM  ') && !line.startsWith('  ALARM')) terminal ??= passed()
  })
  const over = once(child, 'close')
  const isOver = over.then(() => {
    throw new Error(`the demo has ended: ${lines.join('\n')}`)
  })
  // Its end is awaited below as well; until then it is a fault.
  isOver.catch(() => {})
  const shown = (pattern: RegExp): Promise<string> =>
    until(String(pattern), () => lines.map((line) => pattern.exec(line)?.[1]).find((found) => found !== undefined) ?? null, 30_000)
  const port = await Promise.race([isOver, shown(/alerts +mqtt:\/\/127\.0\.0\.1:(\d+)/)])
  const metricsUrl = await shown(/metrics +(http:\S+\/metrics)/)
  const file = await shown(/journal +(\S+)/)
  const subscriber = mosquittoSub === null ? null : await subscribe(mosquittoSub, Number(port), 'mouldtend/kestrel-hall/+/+/event')
  if (subscriber !== null) opened.add(subscriber.close)

  const journal = until(
    'an alarm in the journal',
    () => {
      const db = new DatabaseSync(file, { readOnly: true })
      try {
        const found = db.prepare(`select id from journal where body like '%"event":"raised"%' order by row limit 1`).get()
        return found === undefined ? null : { id: String(found['id']), at: passed() }
      } finally {
        db.close()
      }
    },
    60_000,
  )
  const metrics = until(
    'an alarm in the metrics',
    async () => {
      const text = await (await fetch(metricsUrl)).text()
      return samples(text).some(({ name, value }) => name === 'mouldtend_alarm_active' && value === 1) ? passed() : null
    },
    60_000,
  )
  const mqtt =
    subscriber === null
      ? null
      : until(
          'an alarm on MQTT',
          () => {
            const [first] = subscriber.heard
            return first === undefined ? null : { id: (JSON.parse(first.payload) as AlarmMessage).id, at: passed() }
          },
          60_000,
        )
  const [inJournal, inMetrics, onMqtt] = await Promise.all([journal, metrics, mqtt])
  const [code] = (await over) as [number | null]
  seen = {
    text: `${lines.join('\n')}\n`,
    code,
    first: { terminal: terminal ?? Infinity, journal: inJournal.at, metrics: inMetrics, mqtt: onMqtt?.at ?? null },
    ids: { journal: inJournal.id, mqtt: onMqtt?.id ?? null },
  }
}, 90_000)

test('the first alarm is in the journal, in the metrics, on MQTT and on the terminal within 60 s of the start', () => {
  const { terminal, journal, metrics, mqtt } = seen.first
  for (const at_ms of [terminal, journal, metrics, mqtt ?? 0]) expect(at_ms).toBeLessThan(60_000)
  expect(seen.ids.mqtt ?? seen.ids.journal).toBe(seen.ids.journal)
  expect(seen.text).toContain(seen.ids.journal.slice(0, 12))
  expect(seen.code).toBe(0)
})

test('whatever is or may be hot or under pressure carries its caution and what to do before any work', () => {
  const alarms = blocks(seen.text).filter((block) => block.startsWith('T ALARM'))
  expect(alarms.length).toBeGreaterThan(3)
  for (const alarm of alarms) {
    expect(alarm).toMatch(/ CAUTION (hot|under pressure|State not fully known)/)
    expect(alarm).toContain('Before any work: cool down, depressurise, verify temperature and pressure at the unit;')
  }
})

test('no line is longer than 100 columns, but for addresses and paths that cannot be broken', () => {
  expect(
    neutral(seen.text)
      .split('\n')
      .filter((line) => line.length > 100),
  ).toEqual([])
})

test(`${TRANSCRIPT} shows what the demo shows`, () => {
  if (process.env['UPDATE_TRANSCRIPT'] === '1') writeFileSync(TRANSCRIPT, neutral(seen.text))
  const kept = readFileSync(TRANSCRIPT, 'utf8')
  expect(kept, 'nothing of the machine that it was made on').toBe(neutral(kept))
  const [now, then] = [blocks(seen.text), blocks(kept)]
  // Two things that happen within a second may come in either order.
  expect(now.toSorted()).toEqual(then.toSorted())
  expect([now[0], now.at(-1)]).toEqual([then[0], then.at(-1)])
})

test('what is compared leaves out only what differs from run to run', () => {
  expect(blocks(' 0:21  ALARM  Press 2: flow – MEDIUM, 5.4 l/min,\n              limit 13.4 l/min\n')).toEqual(
    blocks('10:22  ALARM  Press 2: flow – MEDIUM, 5.7 l/min, limit\n              13.4 l/min'),
  )
  expect(blocks(' 0:21  ALARM  Press 2: flow')).not.toEqual(blocks(' 0:21  ALARM  Press 3: flow'))
  expect(blocks(' 0:21  ALARM  Press 2: flow 3 bar')).not.toEqual(blocks(' 0:21  ALARM  Press 2: flow 3 l/min'))
  expect(blocks('a')).not.toEqual(blocks('b'))
})

/** As on any machine: the documented ports, and a temporary folder of nobody's. */
function neutral(text: string): string {
  return text
    .replaceAll(/\S*\/mouldtend-demo-\w+\//g, '/tmp/mouldtend-demo-Ab12Cd/')
    .replaceAll(/mqtt:\/\/127\.0\.0\.1:\d+/g, 'mqtt://127.0.0.1:1883')
    .replaceAll(/mosquitto_sub -p \d+/g, 'mosquitto_sub -p 1883')
    .replaceAll(/ws:\/\/127\.0\.0\.1:\d+/g, 'ws://127.0.0.1:8467')
    .replaceAll(/http:\/\/127\.0\.0\.1:\d+/g, 'http://127.0.0.1:8466')
}

/** What belongs to one moment, on one line, without the times, ids and numbers that differ from run to run. */
function blocks(text: string): string[] {
  return neutral(text)
    .split(/\n(?= ?\d{1,2}:\d\d {2})|\n\n(?=Stopping)/)
    .map((block) =>
      block
        .replaceAll(/\s+/g, ' ')
        .trim()
        .replaceAll(/\b\d{1,2}:\d\d(:\d\d)?\b/g, 'T')
        .replaceAll(/\b[0-9a-f]{12}…/g, 'ID…')
        .replaceAll(/-?\d+(\.\d+)? (°C|bar|l\/min|kW|K|%)/g, '# $2'),
    )
}
