import * as fc from 'fast-check'
import { BinaryStream, DataType, DataValue, LocalizedText, StatusCodes } from 'node-opcua'
import { expect, test } from 'vitest'
import { systemClock } from '../../collector/clock.ts'
import { itemsOf, type Binding } from '../../collector/opcua/bindings.ts'
import { circuit } from '../../collector/opcua/circuit.ts'
import { covers, notShown } from '../../collector/opcua/compare.ts'
import { errorsIn } from '../../collector/opcua/errors.ts'
import { limited, Refused } from '../../collector/opcua/connect.ts'
import { NOTHING } from '../../collector/opcua/discover.ts'
import { lasting, present } from '../../collector/opcua/node-string.ts'
import { inParts, type Limits } from '../../collector/opcua/services.ts'
import { meaningChanged, qualityOf } from '../../collector/opcua/status.ts'
import { signalsAt } from '../../collector/opcua/tcd-signals.ts'
import { putNumber, settled, signalOf, understand } from '../../collector/opcua/value.ts'
import { NO_ERRORS, QUALITY } from '../../rules/reading.ts'
import { isSignalName } from '../../rules/signals.ts'
import { circuitPlan, planOf, settingsFor } from './opcua-bench.ts'

const UNECE = 'http://www.opcfoundation.org/UA/units/un/cefact'

// UnitIds: UN/CEFACT Recommendation 20 codes by the rule of OPC 10000-8. Factors: NIST SP 811, appendix B.8, 7 digits.
test.each([
  ['degC', 4408652, 'temperature.actual', 80.5, 80.5],
  ['degF', 4604232, 'temperature.actual', 50, 10],
  ['degF as a difference', 4604232, 'temperature.difference', 9, 5],
  ['degF as a tolerance', 4604232, 'temperature.tolerance_upper', 9, 5],
  ['degC as a difference', 4408652, 'temperature.difference', 3, 3],
  ['K', 4932940, 'temperature.actual', 353.15, 80],
  ['K as a difference', 4932940, 'temperature.difference', 3, 3],
  ['l/min', 19506, 'flow_rate', 31.4, 31.4],
  ['US gal/min', 18226, 'flow_rate', 1, 3.785412],
  ['ft3/min', 12876, 'flow_rate', 1, 28.31685],
  ['m3/h', 5067080, 'flow_rate', 1, 16.66667],
  ['bar', 4342098, 'pressure.main_line', 6.1, 6.1],
  ['psi', 20563, 'pressure.main_line', 1, 0.06894757],
  ['kPa', 4935745, 'pressure.difference', 150, 1.5],
  ['MPa', 5066817, 'pressure.difference', 0.6, 6],
  ['kW', 4937556, 'process_power', -3.25, -3.25],
  ['W', 5723220, 'process_power', -3250, -3.25],
  ['%', 20529, 'regulation_ratio', -15, -15],
  ['min-1', 4405556, 'pump_speed_rpm', 2700, 2700],
  ['r/min', 5394509, 'pump_speed_rpm', 2700, 2700],
  ['h', 4740434, 'hours_of_operation', 12.5, 12.5],
  ['d', 4473177, 'hours_of_operation', 2, 48],
])('%s (UnitId %i) for %s: %f is %f', (_, unitId, signal, raw, value) => {
  const at = { values: new Float64Array(1), quality: new Uint8Array(1).fill(99), index: 0 }
  putNumber(at, raw, QUALITY.good, signalOf(signal), understand(signal, { namespaceUri: UNECE, unitId, displayName: '' }, false))
  expect([at.values[0], at.quality[0]]).toEqual([value, QUALITY.good])
})

test.each([
  ['no unit, found by itself', null, false, 'unknown'],
  ['no unit, named by a person', null, true, 'canonical'],
  ['an empty unit is no unit', { namespaceUri: '', unitId: 0, displayName: '' }, false, 'unknown'],
  ['only a name', { namespaceUri: '', unitId: -1, displayName: '°C' }, false, 'unit'],
  ['a number of another list is not read as UN/CEFACT', { namespaceUri: 'urn:x', unitId: 4604232, displayName: '' }, false, 'unknown'],
  ['a unit of another quantity', { namespaceUri: UNECE, unitId: 4342098, displayName: 'bar' }, true, 'unknown'],
])('%s', (_, found, assume, kind) => expect(understand('temperature.actual', found, assume).kind).toBe(kind))

test('rounding keeps a value within 1e-6 of itself and has no more than 7 digits', () => {
  fc.assert(
    fc.property(
      fc.double({ min: -1e9, max: 1e9, noNaN: true }).filter((x) => Math.abs(x) > 1e-9),
      (value) => {
        const rounded = settled(value)
        expect(Math.abs(rounded - value)).toBeLessThanOrEqual(Math.abs(value) * 1e-6)
        expect(rounded).toBeCloseTo(Number(value.toPrecision(7)), 12)
      },
    ),
  )
  expect(settled(Math.fround(80.3))).toBe(80.3)
  expect(settled(0)).toBe(0)
})

// The library's names and codes stand for the published list (OPC 10000-6, annex A).
test('every status code of the published list has a quality, and only what is bad is bad', () => {
  const codes = Object.values(StatusCodes).flatMap((code) => (typeof code?.value === 'number' ? [code] : []))
  expect(codes.length).toBeGreaterThan(200)
  for (const { name, value } of codes) {
    const quality = qualityOf(value)
    const expected = name.startsWith('Bad') ? 'bad' : name.startsWith('Uncertain') ? 'uncertain' : 'good'
    const actual = quality > QUALITY.uncertain ? 'bad' : quality === QUALITY.uncertain ? 'uncertain' : 'good'
    expect(`${name} ${actual}`).toBe(`${name} ${expected}`)
  }
  expect(qualityOf(StatusCodes.BadSensorFailure.value + 0x480)).toBe(QUALITY.sensor_failure) // with flags in the low half
})
test.each([
  [0x4000, true],
  [0x8000, true],
  [0x0480, false],
  [0x80310000, false],
])('flags 0x%s: meaning changed is %s', (code, changed) => expect(meaningChanged(code)).toBe(changed))

test('a node id outlives a change of namespace indexes', () => {
  let strange = 0
  const uri = fc.stringMatching(/^[a-z:;%/]{1,12}$/)
  const rest = fc.oneof(
    fc.nat(4e9).map((id) => `i=${id}`),
    fc.string({ minLength: 1 }).map((text) => `s=${text}`),
  )
  fc.assert(
    fc.property(fc.uniqueArray(uri, { minLength: 2, maxLength: 6 }), rest, fc.nat(), (uris, identifier, pick) => {
      const namespaces = ['http://opcfoundation.org/UA/', ...uris]
      const index = pick % namespaces.length
      if (/[;%]/.test(namespaces[index] ?? '')) strange++
      const text = lasting(`ns=${index};${identifier}`, namespaces)
      const turned = [namespaces[0] ?? '', ...uris.toReversed()]
      const wanted = turned.indexOf(namespaces[index] ?? '')
      expect(text === null ? null : present(text, turned)).toBe(`ns=${wanted};${identifier}`)
      expect(text === null ? null : lasting(text, namespaces)).toBe(text)
    }),
  )
  expect(strange).toBeGreaterThan(20)
})
test.each(['', 'i', 'ns=1', 'nsu=;i=1', 'flow', 'ns=1;x=2'])('%j is no node id', (text) => expect(present(text, ['a', 'b'])).toBe(null))
test('a namespace that the server does not have gives no node', () => {
  expect(present('nsu=urn:gone;i=1', ['a', 'b'])).toBe(null)
  expect(lasting('ns=7;i=1', ['a', 'b'])).toBe(null)
})

/** ActiveErrorDataType in its binary form, written by the library. */
function encoded(id: string | null, severity: number, text: string | null, more = 0): { buffer: Buffer } {
  const stream = new BinaryStream(4096)
  stream.writeString(id)
  stream.writeUInt16(severity)
  new LocalizedText({ text, locale: text === null ? null : 'de' }).encode(stream)
  for (let extra = 0; extra < more; extra++) stream.writeUInt8(extra)
  return { buffer: stream.buffer.subarray(0, stream.length) }
}
test('errors come out of their binary form, with whatever a subtype adds behind', () => {
  let empty = 0
  const text = fc.option(fc.string(), { nil: null })
  fc.assert(
    fc.property(fc.array(fc.tuple(text, fc.nat(1000), text, fc.nat(9)), { maxLength: 5 }), (rows) => {
      if (rows.length === 0) empty++
      const found = errorsIn(
        rows.map(([id, severity, said, more]) => encoded(id, severity, said, more)),
        NO_ERRORS,
      )
      expect(found).toEqual(rows.map(([id, severity, said]) => ({ id: id ?? '', severity, text: said ?? '' })))
      expect(
        errorsIn(
          rows.map(([id, severity, said]) => encoded(id, severity, said)),
          found ?? [],
        ),
      ).toBe(found)
    }),
  )
  expect(empty).toBeGreaterThan(0)
})
test('bytes that end too early are no errors, and no crash', () => {
  const whole = encoded('E1', 700, 'text').buffer
  let broken = 0
  fc.assert(
    fc.property(fc.nat(whole.length - 1), fc.uint8Array({ maxLength: 6 }), (cut, noise) => {
      const found = errorsIn([{ buffer: Buffer.concat([whole.subarray(0, cut), noise]) }], NO_ERRORS)
      if (found === null) broken++
      expect(found === null || found.length === 1).toBe(true)
    }),
  )
  expect(broken).toBeGreaterThan(50)
  expect(errorsIn(undefined, NO_ERRORS)).toBe(NO_ERRORS)
  expect(errorsIn('E1', NO_ERRORS)).toBe(null)
})

test('a server that finds requests too large is asked in smaller ones, in order', async () => {
  for (const real of [1, 2, 3, 7]) {
    const limits: Limits = { nodesPerRead: 100, nodesPerBrowse: 1, itemsPerCall: 1 }
    const sizes: number[] = []
    const ask = (part: readonly number[]): Promise<readonly number[]> => {
      sizes.push(part.length)
      return part.length > real ? Promise.reject(new Error('ServiceResult is BadTooManyOperations (0x80100000)')) : Promise.resolve(part)
    }
    const all = Array.from({ length: 20 }, (_, index) => index)
    expect(await inParts(all, limits, 'nodesPerRead', ask)).toEqual(all)
    expect(limits.nodesPerRead).toBeLessThanOrEqual(real)
  }
  const short: Limits = { nodesPerRead: 5, nodesPerBrowse: 1, itemsPerCall: 1 }
  await expect(inParts([1, 2], short, 'nodesPerRead', () => Promise.resolve([1]))).rejects.toThrow('answered 1 of 2')
})

test('every signal that is mapped has a name of ours, channels by their number', () => {
  const paths = ['T:DeviceZone/T:FlowRate/G:ActualValue', 'T:DeviceZone/?:FlowRate']
  for (const number of [10, 2]) {
    const channel = `T:DeviceZone/T:ExternalChannels/T:ExternalChannel_${number}`
    paths.push(channel, `${channel}/T:FlowRate/G:ActualValue`)
  }
  const signals = signalsAt(paths).map(({ signal }) => signal)
  expect(signals).toEqual(['flow_rate', 'channel.2.flow_rate', 'channel.10.flow_rate'])
  expect(signals.every(isSignalName)).toBe(true)
})

test('a plan covers a finding that says the same or less; a new node, signal, zone or unit it does not', () => {
  const signals = [
    { signal: 'flow_rate', node: 'nsu=x;i=1' },
    { signal: 'temperature.actual', node: 'nsu=x;i=2' },
  ]
  const unit = { serial: 'S1', model: '', manufacturer: '', location: '', circuits: [{ id: 'a', signals }] }
  const plan = planOf([unit])
  const changed = (own: readonly { signal: string; node: string }[], id = 'a') => [{ ...unit, circuits: [{ id, signals: own }] }]
  expect(covers(plan, [unit])).toBe(true)
  expect(covers(plan, changed(signals.slice(1)))).toBe(true)
  expect(covers(plan, [])).toBe(true)
  expect(covers(plan, changed([{ signal: 'flow_rate', node: 'nsu=x;i=9' }]))).toBe(false)
  expect(covers(plan, changed([...signals, { signal: 'pump_speed', node: 'nsu=x;i=3' }]))).toBe(false)
  expect(covers(plan, changed(signals, 'b'))).toBe(false)
  expect(covers(plan, [{ ...unit, serial: 'S2' }])).toBe(false)
  expect(notShown(plan, [{ ...unit, serial: 'S2' }])).toEqual(plan)
  expect(circuitPlan('u', 'a', signals).signals).toHaveLength(2)
})

const value = (dataType: DataType, content: unknown, statusCode = StatusCodes.Good): DataValue =>
  new DataValue({ statusCode, value: { dataType, value: content } })

/** Items of one circuit with one analog signal, and what they tell. */
function bound() {
  const flushed: number[] = []
  const reread: string[] = []
  let renewed = 0
  const own = circuit(circuitPlan('u', 'a', [{ signal: 'flow_rate', node: 'nsu=x;i=1' }]))
  const facts = { unitNode: 'ns=2;i=2', usedNode: null }
  const binding: Binding = { unit: 'u', circuit: own, index: 0, signal: 'flow_rate', text: 'nsu=x;i=1', node: 'ns=2;i=1', facts }
  const finding = { ...NOTHING, versionNodes: ['ns=2;i=3'] }
  const [flow, unit, version] = itemsOf([binding], finding, settingsFor('opc.tcp://127.0.0.1:1', '/nowhere'), {
    fault: () => {},
    over: () => {},
    flush: (each) => void flushed.push(each.reading(0).values[0] ?? Number.NaN),
    renew: () => void renewed++,
    reread: (bindings) => void reread.push(...bindings.map(({ node }) => node)),
  })
  if (flow === undefined || unit === undefined || version === undefined) throw new Error('three items are expected')
  own.understand(0, { kind: 'unit', unit: 'l_min' })
  return { own, flow, unit, version, flushed, reread, renewed: () => renewed }
}

test('two values of one node in one answer are two readings: none of them is lost', () => {
  const { own, flow, flushed } = bound()
  flow.apply(value(DataType.Double, 30))
  flow.apply(value(DataType.Double, 3))
  flow.apply(value(DataType.Double, 31))
  expect(flushed).toEqual([30, 3])
  expect(own.reading(1).values[0]).toBe(31)
  expect(own.isChanged()).toBe(false)
  flow.apply(value(DataType.Double, 31))
  expect(own.isChanged()).toBe(false)
})

test('a new number of the node version begins anew, the first one does not', () => {
  const { version, renewed } = bound()
  version.apply(value(DataType.String, '1'))
  version.apply(value(DataType.String, '1'))
  expect(renewed()).toBe(0)
  version.apply(value(DataType.String, '2'))
  expect(renewed()).toBe(1)
})

test('while a unit of measure changes nothing that comes is believed; then value and unit count together', () => {
  const { own, flow, unit, reread } = bound()
  const litres = { namespaceUri: UNECE, unitId: 19506, displayName: { text: 'l/min' } }
  const gallons = { namespaceUri: UNECE, unitId: 18226, displayName: { text: 'gal/min' } }
  const said = (content: object): DataValue => Object.assign(new DataValue({}), { value: { value: content } })
  flow.apply(value(DataType.Double, 30))
  unit.apply(said(litres))
  expect(reread).toEqual([])
  unit.apply(said(gallons))
  unit.apply(said(gallons))
  expect(reread).toEqual(['ns=2;i=1'])
  flow.apply(value(DataType.Double, 30))
  expect(own.reading(0).quality[0]).toBe(QUALITY.waiting_for_initial_data)
  own.release(0, { kind: 'unit', unit: 'gal_min' }, value(DataType.Double, 10))
  expect(own.reading(0).values[0]).toBe(37.85412)
})

test('a call that is given up before it is waited for fails alone: its own failure later ends no process', async () => {
  const unhandled: unknown[] = []
  const onUnhandled = (error: unknown): void => void unhandled.push(error)
  process.on('unhandledRejection', onUnhandled)
  try {
    const closed = AbortSignal.abort()
    const within = limited(
      systemClock(() => undefined),
      10_000,
      closed,
    )
    const { promise, reject } = Promise.withResolvers<never>()
    await expect(within(promise)).rejects.toBeInstanceOf(Refused)
    reject(new Error('premature disconnection'))
    // Node tells of what nobody handled after the microtasks of the turn.
    await new Promise((resolve) => setImmediate(resolve))
    await new Promise((resolve) => setImmediate(resolve))
    expect(unhandled).toEqual([])
  } finally {
    process.off('unhandledRejection', onUnhandled)
  }
})
