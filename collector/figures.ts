import type { ReadFault, SourceFigures } from './source.ts'

/** A poll that starts later than this behind its due time is late. */
export const LATE_MS = 100

/** Figures of one source, counted up by its adapter. */
export interface Counter {
  readonly fault: (kind: ReadFault['kind']) => void
  readonly poll: (lag_ms: number) => void
  /** Due times that passed without a poll. */
  readonly missed: (polls: number) => void
  readonly took: (ms: number) => void
  readonly reconnect: () => void
  readonly connected: (yes: boolean) => void
  /** A copy; the largest lag starts anew, since it is 'since the last scrape'. */
  readonly figures: () => SourceFigures
}

export function counter(): Counter {
  const now: SourceFigures = {
    polls: 0,
    polls_late: 0,
    start_lag_max_ms: 0,
    poll_seconds_sum: 0,
    poll_seconds_count: 0,
    faults: {
      timeout: 0,
      refused: 0,
      link_lost: 0,
      no_such_register: 0,
      exception: 0,
      malformed: 0,
      untrusted_certificate: 0,
      identity_rejected: 0,
      no_such_node: 0,
      unknown_unit_of_measure: 0,
      nothing_found: 0,
      recording: 0,
      sink_full: 0,
    },
    reconnects: 0,
    connected: false,
  }
  return {
    fault: (kind) => void now.faults[kind]++,
    poll: (lag_ms) => {
      now.polls++
      if (lag_ms > LATE_MS) now.polls_late++
      if (lag_ms > now.start_lag_max_ms) now.start_lag_max_ms = lag_ms
    },
    missed: (polls) => void (now.polls_late += polls),
    took: (ms) => {
      now.poll_seconds_sum += ms / 1000
      now.poll_seconds_count++
    },
    reconnect: () => void now.reconnects++,
    connected: (yes) => void (now.connected = yes),
    figures: () => {
      const copy = { ...now, faults: { ...now.faults } }
      now.start_lag_max_ms = 0
      return copy
    },
  }
}
