import * as fc from 'fast-check'
import { expect, test } from 'vitest'
import { duration, siteTime } from '../../alerts/local-time.ts'

const zones = ['Europe/Berlin', 'America/St_Johns', 'Asia/Kathmandu', 'Australia/Lord_Howe', 'Pacific/Chatham', 'Africa/Casablanca', 'UTC']
const from = Date.parse('2020-01-01T00:00:00Z')
const to = Date.parse('2040-01-01T00:00:00Z')
/** The same asked of Intl directly, which knows the IANA time zone database. */
const byIntl = (
  (
    formatters = new Map(
      zones.map((zone) => [zone, new Intl.DateTimeFormat('sv-SE', { timeZone: zone, dateStyle: 'short', timeStyle: 'medium' })]),
    ),
  ) =>
  (at_ms: number, zone: string): string =>
    formatters.get(zone)?.format(at_ms) ?? 'no such zone'
)()

test('every time is what Intl says, in zones with offsets of half and quarter hours too', () => {
  fc.assert(
    fc.property(fc.integer({ min: from, max: to }), fc.constantFrom(...zones), (at_ms, zone) => {
      expect(siteTime(at_ms, 0, zone)).toBe(byIntl(at_ms, zone))
    }),
    { numRuns: 2_000 },
  )
})

test('right up to and after every change of offset', () => {
  let changes = 0
  for (const zone of zones) {
    for (let at_ms = from; at_ms < to; at_ms += 86_400_000) {
      const [today, tomorrow] = [at_ms, at_ms + 86_400_000].map((ms) => byIntl(ms, zone).slice(11))
      if (today === tomorrow) continue
      changes += 1
      // Somewhere in this day: every quarter of an hour, and a millisecond before it.
      for (let slot = at_ms; slot < at_ms + 86_400_000; slot += 900_000) {
        for (const ms of [slot - 1, slot]) expect(siteTime(ms, 0, zone)).toBe(byIntl(ms, zone))
      }
    }
  }
  expect(changes).toBeGreaterThan(150)
})

test.each([
  [500, '500 ms'],
  [60_000, '60 s'],
  [119_000, '119 s'],
  [120_000, '2 min'],
  [150_000, '2 min 30 s'],
  [9_000_000, '2 h 30 min'],
])('%i ms is %s', (length_ms, text) => expect(duration(length_ms)).toBe(text))

test('the date stands there only where it is another day at the site', () => {
  const midnight = Date.parse('2026-03-04T23:00:00Z')
  expect(siteTime(midnight - 1_000, midnight, 'Europe/Berlin')).toBe('2026-03-04 23:59:59')
  expect(siteTime(midnight, midnight + 3_600_000, 'Europe/Berlin', false)).toBe('00:00')
})
