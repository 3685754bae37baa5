/** What a measured process says of itself when asked; two looks make a measurement. */
export interface Look {
  /** Monotonic, ms. */
  readonly at_ms: number
  /** User and system time of the whole process: all its threads. */
  readonly cpu_us: number
  /** Polls, or value changes: what has been done. */
  readonly done: number
  readonly events: number
  readonly late: number
  /** Since the look before. */
  readonly lag_max_ms: number
  readonly rss_bytes: number
  readonly faults: number
  readonly isReady: boolean
}
/** Asked for by the process that measures. */
export type Asked = 'look' | 'nodes' | 'end'

export const cpu_us = (): number => {
  const { user, system } = process.cpuUsage()
  return user + system
}
