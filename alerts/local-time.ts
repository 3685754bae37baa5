/** No time zone in use changes its offset but at a multiple of this, in UTC (IANA time zone database; from memory, a test looks at some). */
const SLOT_MS = 900_000
const MOST_SLOTS = 4_096
// Asking Intl costs some 10 µs, and a message holds a dozen times.
const offsets = new Map<string, number>()
const formatters = new Map<string, Intl.DateTimeFormat>()

function formatterOf(timezone: string): Intl.DateTimeFormat {
  const known = formatters.get(timezone)
  if (known !== undefined) return known
  const formatter = new Intl.DateTimeFormat('en-GB', {
    timeZone: timezone,
    hourCycle: 'h23',
    year: 'numeric',
    month: 'numeric',
    day: 'numeric',
    hour: 'numeric',
    minute: 'numeric',
    second: 'numeric',
  })
  formatters.set(timezone, formatter)
  return formatter
}

function offset_ms(at_ms: number, timezone: string): number {
  const slot_ms = Math.floor(at_ms / SLOT_MS) * SLOT_MS
  const key = `${timezone} ${slot_ms}`
  const known = offsets.get(key)
  if (known !== undefined) return known
  const found: Record<string, number> = {}
  for (const part of formatterOf(timezone).formatToParts(slot_ms)) found[part.type] = Number(part.value)
  const { year = 0, month = 1, day = 1, hour = 0, minute = 0, second = 0 } = found
  const offset = Date.UTC(year, month - 1, day, hour, minute, second) - slot_ms
  if (offsets.size >= MOST_SLOTS) offsets.clear()
  offsets.set(key, offset)
  return offset
}

function parts(at_ms: number, timezone: string): { readonly date: string; readonly time: string } {
  const local = new Date(at_ms + offset_ms(at_ms, timezone)).toISOString()
  return { date: local.slice(0, 10), time: local.slice(11, 19) }
}

/** Clock time at the site, 24 h; with the date where that is not the day of `seen_ms`. seconds false: hh:mm. */
export function siteTime(at_ms: number, seen_ms: number, timezone: string, seconds = true): string {
  const at = parts(at_ms, timezone)
  const time = seconds ? at.time : at.time.slice(0, 5)
  return at.date === parts(seen_ms, timezone).date ? time : `${at.date} ${time}`
}

/** A length of time for people: '45 s', '10 min', '2 h 30 min'. */
export function duration(length_ms: number): string {
  if (length_ms < 1000) return `${length_ms} ms`
  const whole_s = Math.round(length_ms / 1000)
  if (whole_s < 120) return `${whole_s} s`
  const [hours, minutes, seconds] = [Math.floor(whole_s / 3600), Math.floor((whole_s % 3600) / 60), whole_s % 60]
  const shown = [hours > 0 ? `${hours} h` : '', minutes > 0 ? `${minutes} min` : '', seconds > 0 && hours === 0 ? `${seconds} s` : '']
  return shown.filter((part) => part !== '').join(' ')
}

/** RFC 3339 in UTC, for machines. */
export const utc = (at_ms: number): string => new Date(at_ms).toISOString()
export const utcOrNull = (at_ms: number | null): string | null => (at_ms === null ? null : utc(at_ms))
