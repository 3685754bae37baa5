import { spawn } from 'node:child_process'
import { cpSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { afterAll, beforeAll, expect, test, vi } from 'vitest'
import { z } from 'zod'
import { startHttp } from '../../dashboards/http.ts'
import { tool } from '../tool.ts'
import { expressions, RULES_FILE } from './files.ts'
import { busyHall } from './hall.ts'

/** A real metrics store, with the configuration that we ship, scrapes us; then every expression is put to it. */
const prometheus = tool('prometheus')
const hall = busyHall()
const folder = mkdtempSync(join(tmpdir(), 'metrics-store-'))
let store = ''
const ends: (() => unknown)[] = [() => rmSync(folder, { recursive: true, force: true, maxRetries: 5 })]
let accepted = ''

beforeAll(async () => {
  if (prometheus === null) return
  const http = await startHttp({ port: 0, facts: hall.facts, version: '0.0.0-test' })
  ends.push(() => http.close())
  const config = readFileSync('deploy/compose/metrics-store.yml', 'utf8')
    .replace('mouldtend:8466', `127.0.0.1:${http.port}`)
    .replace('scrape_interval: 10s', 'scrape_interval: 500ms')
    .replace('evaluation_interval: 30s', 'evaluation_interval: 500ms')
  writeFileSync(join(folder, 'prometheus.yml'), config)
  cpSync(RULES_FILE, join(folder, 'alert-rules.yml'))
  const child = spawn(
    prometheus,
    [
      `--config.file=${folder}/prometheus.yml`,
      `--storage.tsdb.path=${folder}/data`,
      '--web.listen-address=127.0.0.1:0',
      '--log.format=json',
    ],
    { stdio: ['ignore', 'ignore', 'pipe'] },
  )
  ends.push(() => new Promise((resolve) => child.once('exit', resolve) && child.kill('SIGKILL')))
  for await (const line of createInterface({ input: child.stderr })) {
    accepted += `${line}\n`
    const address = /"address":"(127\.0\.0\.1:\d+)".*"msg":"Listening on"/.exec(line)?.[1]
    if (address !== undefined) store = `http://${address}`
    if (line.includes('Server is ready to receive web requests')) break
  }
  child.stderr.resume()
  // Two scrapes, so that a rate has something to work with.
  const scrapes = () => value('count_over_time(up{job="mouldtend"}[1m])')
  await vi.waitUntil(async () => ((await scrapes()) ?? 0) > 2, { timeout: 20_000 })
})
afterAll(async () => {
  for (const end of ends.toReversed()) await end()
})

const Answer = z.object({
  status: z.string(),
  error: z.string().optional(),
  data: z
    .object({ result: z.array(z.object({ metric: z.record(z.string(), z.string()), value: z.tuple([z.number(), z.string()]) })) })
    .optional(),
})
async function ask(expr: string) {
  const answer = await fetch(`${store}/api/v1/query?query=${encodeURIComponent(expr)}`)
  return Answer.parse(await answer.json())
}
const value = async (expr: string): Promise<number | null> => {
  const first = (await ask(expr)).data?.result[0]?.value[1]
  return first === undefined ? null : Number(first)
}

test.skipIf(prometheus === null)('it takes our metrics, in OpenMetrics as it prefers, without complaint', async () => {
  expect(await value('up{job="mouldtend"}')).toBe(1)
  const targets = z.object({ data: z.object({ activeTargets: z.array(z.object({ health: z.string(), lastError: z.string() })) }) })
  const answer = targets.parse(await (await fetch(`${store}/api/v1/targets`)).json())
  expect(answer.data.activeTargets).toEqual([{ health: 'up', lastError: '' }])
  expect(accepted).not.toMatch(/"level":"(warn|error)"/)
})

test.skipIf(prometheus === null)('it reads the values back as they were', async () => {
  const north = 'unit="north-01", circuit="a", signal='
  expect(await value(`mouldtend_temperature_celsius{${north}"temperature.main_line"}`)).toBe(60.2)
  expect(await value(`mouldtend_flow_cubic_meters_per_second{${north}"flow_rate"} * 60000`)).toBeCloseTo(12, 9)
  expect(await value(`mouldtend_pressure_pascals{${north}"pressure.main_line"} / 100000`)).toBe(4)
})

test.skipIf(prometheus === null)('a signal that turns bad is gone from the store at once, not held at its last value', async () => {
  const signal = 'mouldtend_temperature_celsius{unit="north-02", signal="temperature.return_line"}'
  expect(await value(signal)).toBe(57.9)
  hall.circuits[1]?.quality.fill(3, 1, 2)
  await expect.poll(() => value(signal), { timeout: 10_000 }).toBeNull()
  hall.circuits[1]?.quality.fill(0, 1, 2)
  await expect.poll(() => value(signal), { timeout: 10_000 }).toBe(57.9)
})

test.skipIf(prometheus === null).each(expressions())('it answers $where', async ({ where, expr }) => {
  const answer = await ask(expr.replaceAll('$unit', 'north-01').replaceAll('$circuit', 'a'))
  expect(answer).toMatchObject({ status: 'success' })
  const found = answer.data?.result ?? []
  // Alert rules, and panels that show only what is beyond a number, may rightly find nothing.
  const isSparse = !where.includes(': ') || /[<>]=? \d/.test(expr)
  expect(isSparse || found.length > 0).toBe(true)
})
