// Making a formatter costs far more than using it; a process meets a handful of time zones.
const formatters = new Map<string, Intl.DateTimeFormat>()

interface Parts {
  readonly date: string
  readonly time: string
}

function parts(at_ms: number, timezone: string): Parts {
  let formatter = formatters.get(timezone)
  if (formatter === undefined) {
    formatter = new Intl.DateTimeFormat('en-GB', {
      timeZone: timezone,
      hourCycle: 'h23',
      year: 'numeric',
      month: '2-digit',
      day: '2-digit',
      hour: '2-digit',
      minute: '2-digit',
      second: '2-digit',
    })
    formatters.set(timezone, formatter)
  }
  const found: Record<string, string> = {}
  for (const part of formatter.formatToParts(at_ms)) found[part.type] = part.value
  const of = (name: string): string => found[name] ?? ''
  return { date: `${of('year')}-${of('month')}-${of('day')}`, time: `${of('hour')}:${of('minute')}:${of('second')}` }
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
