import { spawnSync } from 'node:child_process'
import { expect, test } from 'vitest'
import { metricsWriter } from '../../dashboards/metrics.ts'
import { QUALITY } from '../../rules/reading.ts'
import { isSignalName, SIGNALS } from '../../rules/signals.ts'
import { tool } from '../tool.ts'
import { samples, valueOf } from './exposition.ts'
import { alarm, circuit, hall, START_MS, type Hall } from './hall.ts'

const PLAIN = ''
const OPEN_METRICS = 'application/openmetrics-text;version=1.0.0,text/plain;q=0.5'
const scrape = async (made: Hall, accept = PLAIN) => (await metricsWriter(made.facts, '0.0.0-test')(accept)).text
const north1 = { unit: 'north-01', circuit: 'a', place: 'press-north-01-moving' }

// Base units after the naming advice of the Prometheus documentation; the factors are definitions: 1 bar = 100 000 Pa,
// 1 l/min = 1/60 000 m³/s, 1 1/min = 1/60 Hz, 1 h = 3600 s.
test.each<{ name: string; signal: string; metric: string; value: number }>([
  { name: '°C stays', signal: 'temperature.main_line', metric: 'mouldtend_temperature_celsius', value: 60.2 },
  { name: 'K stays, without an offset', signal: 'temperature.difference', metric: 'mouldtend_temperature_difference_kelvin', value: -2.3 },
  { name: 'bar to Pa', signal: 'pressure.main_line', metric: 'mouldtend_pressure_pascals', value: 400_000 },
  { name: 'l/min to m³/s', signal: 'flow_rate', metric: 'mouldtend_flow_cubic_meters_per_second', value: 0.0002 },
  { name: 'kW to W', signal: 'process_power', metric: 'mouldtend_power_watts', value: 6500 },
  { name: '% to a ratio', signal: 'regulation_ratio', metric: 'mouldtend_share_ratio', value: 0.25 },
  { name: '1/min to Hz', signal: 'pump_speed_rpm', metric: 'mouldtend_rotation_hertz', value: 2900 / 60 },
  { name: 'h to s', signal: 'hours_of_operation', metric: 'mouldtend_counted_time_seconds', value: 4321 * 3600 },
  { name: 'a code stays', signal: 'control_point', metric: 'mouldtend_state_code', value: 0 },
])('process values are in base units: $name', async ({ signal, metric, value }) => {
  const text = await scrape(hall())
  expect(valueOf(text, metric, { ...north1, signal })).toBeCloseTo(value, 9)
})

test('a bad value is absent and its quality says why; an uncertain one is there and marked', async () => {
  const made = hall()
  const [bad, uncertain] = [circuit('north-01'), circuit('north-02')]
  bad.quality[0] = QUALITY.sensor_failure
  uncertain.quality[0] = QUALITY.uncertain
  made.circuits = [bad, uncertain]
  const text = await scrape(made)
  const main = { signal: 'temperature.main_line' }
  expect(valueOf(text, 'mouldtend_temperature_celsius', { ...north1, ...main })).toBeNull()
  expect(valueOf(text, 'mouldtend_signal_quality', { ...north1, ...main })).toBe(3)
  expect(valueOf(text, 'mouldtend_temperature_celsius', { unit: 'north-02', ...main })).toBe(60.2)
  expect(valueOf(text, 'mouldtend_signal_quality', { unit: 'north-02', ...main })).toBe(1)
})

test.each([
  { name: 'just before the stale time values stand', age_ms: 14_999, shown: true },
  { name: 'from the stale time on a silent circuit shows no value, whatever its last quality', age_ms: 15_000, shown: false },
])('$name', async ({ age_ms, shown }) => {
  const made = hall()
  made.circuits = [circuit('north-01', { lastReading_ms: made.now_ms - age_ms })]
  const text = await scrape(made)
  expect(valueOf(text, 'mouldtend_reading_age_seconds', north1)).toBe(age_ms / 1000)
  const flow = { ...north1, signal: 'flow_rate' }
  expect(valueOf(text, 'mouldtend_flow_cubic_meters_per_second', flow)).toBe(shown ? 0.0002 : null)
  expect(valueOf(text, 'mouldtend_signal_quality', flow)).toBe(shown ? QUALITY.good : QUALITY.no_data)
})

test('a circuit never read counts its age from the start, and a number that is none is never good', async () => {
  const made = hall()
  const odd = circuit('north-02')
  odd.values[0] = Number.NaN
  made.circuits = [circuit('north-01', { lastReading_ms: null }), odd]
  const text = await scrape(made)
  expect(valueOf(text, 'mouldtend_reading_age_seconds', north1)).toBe((made.now_ms - START_MS) / 1000)
  expect(valueOf(text, 'mouldtend_signal_quality', { ...north1, signal: 'flow_rate' })).toBe(QUALITY.no_data)
  expect(valueOf(text, 'mouldtend_signal_quality', { unit: 'north-02', signal: 'temperature.main_line' })).toBe(QUALITY.not_a_number)
  expect(samples(text).filter(({ labels, value }) => 'unit' in labels && Number.isNaN(value))).toEqual([])
})

test('every signal has a metric', async () => {
  const names = [...Object.keys(SIGNALS), 'channel.2.flow_rate', 'valve.1.cycles']
  const signals = names.filter(isSignalName)
  expect(signals).toHaveLength(names.length)
  const made = hall()
  made.circuits = [circuit('north-01', { signals, values: new Float64Array(names.length).fill(1), quality: new Uint8Array(names.length) })]
  const shown = samples(await scrape(made)).filter(({ name, labels }) => 'signal' in labels && name !== 'mouldtend_signal_quality')
  expect(new Set(shown.map(({ labels }) => labels['signal']))).toEqual(new Set(names))
})

test('alarms: state of each, numbers by priority and state with zeros, active beneath an overlay, held while bad', async () => {
  const made = hall()
  made.alarms = [
    alarm('north-01', { priority: 'high', core: 'unack_active', shown: 'unack_active' }),
    alarm('north-02', { priority: 'high', core: 'ack_active', shown: 'shelved', bad: true }),
    alarm('north-02', { rule: 'contact.lost', circuit: null, core: 'rtn_unack', shown: 'rtn_unack' }),
  ]
  const text = await scrape(made)
  const of = (name: string, labels: Record<string, string>) => valueOf(text, `mouldtend_${name}`, labels)
  expect(of('alarm_state', { ...north1, rule: 'temperature.deviation', priority: 'high' })).toBe(1)
  expect(of('alarm_state', { unit: 'north-02', rule: 'temperature.deviation' })).toBe(6)
  expect(of('alarm_active', { unit: 'north-02', rule: 'temperature.deviation' })).toBe(1)
  expect(of('alarm_state', { unit: 'north-02', circuit: '', rule: 'contact.lost' })).toBe(3)
  expect(of('alarm_active', { unit: 'north-02', rule: 'contact.lost' })).toBe(0)
  expect(of('alarms', { priority: 'high', state: 'unack_active' })).toBe(1)
  expect(of('alarms', { priority: 'high', state: 'shelved' })).toBe(1)
  expect(of('alarms', { priority: 'low', state: 'normal' })).toBe(0)
  expect(of('alarms_active', { priority: 'high' })).toBe(2)
  expect(of('alarms_held', { priority: 'high' })).toBe(1)
  expect(samples(text).filter(({ name }) => name === 'mouldtend_alarms')).toHaveLength(3 * 9)
})

test('what is gone is gone from the next scrape: nothing piles up', async () => {
  const made = hall()
  const write = metricsWriter(made.facts, '0')
  const first = (await write(PLAIN)).text
  for (let round = 0; round < 50; round += 1) {
    const unit = `moved-${round}`
    made.circuits = [circuit(unit, { placeName: `Press ${round}` })]
    made.alarms = [alarm(unit)]
    made.queues = [{ name: unit, depth: 1, bound: 2 }]
    made.channels = []
    made.readiness = { ok: false, reasons: [{ code: `reason_${round}`, detail: 'x' }] }
    await write(PLAIN)
  }
  const last = (await write(PLAIN)).text
  expect(first).toContain('north-01')
  expect(last).not.toMatch(/north-01|moved-[0-48]\b|reason_[0-48]\b|channel="mqtt"/)
  expect(last).toContain('reason_49')
  expect(samples(last).length).toBeLessThan(samples(first).length)
})

test('names with quotes, backslashes and line feeds come through whole', async () => {
  const made = hall()
  const placeName = 'Press "12" \\ moving\nhalf, Ø'
  made.circuits = [circuit('north-01', { placeName })]
  expect(valueOf(await scrape(made), 'mouldtend_circuit_info', { place_name: placeName })).toBe(1)
})

test('scrapes that overlap share one writing; the facts are asked once', async () => {
  const made = hall()
  let asked = 0
  const facts = { ...made.facts, sources: () => ((asked += 1), made.sources) }
  const write = metricsWriter(facts, '0')
  const all = await Promise.all(Array.from({ length: 20 }, () => write(PLAIN)))
  expect(new Set(all.map(({ text }) => text)).size).toBe(1)
  expect(asked).toBe(1)
  await write(PLAIN)
  expect(asked).toBe(2)
})

const promtool = tool('promtool')
test.skipIf(promtool === null)('the linter of the metrics store finds nothing', async () => {
  const checked = spawnSync(promtool ?? '', ['check', 'metrics'], { input: await scrape(hall()), encoding: 'utf8' })
  expect(checked.stdout + checked.stderr).toBe('')
  expect(checked.status).toBe(0)
})

test('OpenMetrics 1.0 where it is asked for: its end mark, counters declared without _total, the same samples', async () => {
  const write = metricsWriter(hall().facts, '0')
  const [plain, open] = [await write(PLAIN), await write(OPEN_METRICS)]
  expect(plain.contentType).toMatch(/^text\/plain; version=0\.0\.4/)
  expect(open.contentType).toMatch(/^application\/openmetrics-text; version=1\.0\.0/)
  expect(open.text.endsWith('\n# EOF\n')).toBe(true)
  expect(open.text).toContain('# TYPE mouldtend_source_polls counter\n')
  // A collection of garbage between the two may be the first that Node counts.
  const names = (text: string) =>
    [...new Set(samples(text).map(({ name }) => name))].filter((name) => !name.startsWith('mouldtend_nodejs_gc_')).toSorted()
  expect(names(open.text)).toEqual(names(plain.text))
})

test('200 circuits of 14 signals with 10 alarms each are written in under 50 ms', async () => {
  const made = hall()
  const units = Array.from({ length: 200 }, (_, i) => `north-${i}`)
  made.circuits = units.map((unit) => circuit(unit))
  made.alarms = units.flatMap((unit) => Array.from({ length: 10 }, (_, i) => alarm(unit, { rule: `rule.${i}` })))
  const write = metricsWriter(made.facts, '0')
  expect(samples((await write(PLAIN)).text).length).toBeGreaterThan(200 * (14 * 2 + 10 * 2))
  const times: number[] = []
  for (let round = 0; round < 15; round += 1) {
    const start_ms = performance.now()
    await write(PLAIN)
    times.push(performance.now() - start_ms)
  }
  // The median: other tests share the machine.
  expect(times.toSorted((a, b) => a - b)[7]).toBeLessThan(50)
})
