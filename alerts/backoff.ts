/** Waiting time before try number `tries` (from 1): doubled each time up to `most_ms`, with jitter so that many do not come back at once. */
export function backoff(tries: number, first_ms: number, most_ms: number, random: () => number): number {
  const whole_ms = Math.min(most_ms, first_ms * 2 ** Math.min(Math.max(tries - 1, 0), 30))
  return Math.round(whole_ms * (0.5 + random() / 2))
}
