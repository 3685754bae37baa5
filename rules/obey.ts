import { change, tell, unshelve, type Alarm, type Happening } from './alarm.ts'
import { isActive, SUPPRESSED_BY, type AlarmState } from './alarm-state.ts'
import type { AlarmEventKind, CoreState } from './event.ts'
import type { Command } from './input.ts'

/** Carries out a command or rejects it with the reason; a rejected one changes nothing and is told all the same. */
export function obey(alarm: Alarm, command: Command): void {
  const { rule, state } = alarm
  const { action, at_ms } = command
  const reject = (why: string): void => tell(alarm, 'rejected', at_ms, { why, command })
  const done = (event: AlarmEventKind, set: (s: AlarmState) => void, more: Partial<Happening> = {}): void =>
    change(alarm, event, at_ms, set, { ...more, command })
  switch (action.act) {
    case 'acknowledge': {
      const next = ACKNOWLEDGED[state.core]
      if (next === null) return reject(state.core === 'normal' ? 'nothing_to_acknowledge' : 'already_acknowledged')
      return done('acknowledged', (s) => (s.core = next))
    }
    case 'reset':
      if (state.core === 'latched_ack') return done('reset', (s) => (s.core = 'normal'))
      if (state.core === 'latched_unack') return reject('acknowledge_first')
      return reject(isActive(state.core) && rule.latch ? 'still_active' : 'not_latched')
    case 'shelve':
    case 'shelve_once': {
      if (rule.neverHidden && command.comment.trim() === '') return reject('reason_required')
      const for_ms = action.act === 'shelve' ? action.for_ms : rule.maxShelve_ms
      if (for_ms > rule.maxShelve_ms) return reject('too_long')
      if (!(for_ms > 0)) return reject('not_positive')
      const until_ms = at_ms + for_ms
      return done(
        'shelved',
        (s) => {
          s.shelf = action.act === 'shelve' ? 'timed' : 'once'
          s.unshelve_ms = until_ms
        },
        { until_ms },
      )
    }
    case 'unshelve':
      if (state.shelf === 'none') return reject('not_shelved')
      return unshelve(alarm, at_ms, 'command', command)
    case 'suppress':
      if (rule.neverHidden) return reject('never_hidden')
      if ((state.suppressed & SUPPRESSED_BY.command) !== 0) return reject('already')
      return done('suppressed', (s) => (s.suppressed |= SUPPRESSED_BY.command))
    case 'unsuppress':
      if ((state.suppressed & SUPPRESSED_BY.command) === 0) return reject('not_suppressed')
      return done('unsuppressed', (s) => (s.suppressed &= ~SUPPRESSED_BY.command))
    case 'out_of_service':
      if (rule.neverHidden) return reject('never_hidden')
      if (state.outOfService) return reject('already')
      return done('out_of_service', (s) => (s.outOfService = true))
    case 'in_service':
      if (!state.outOfService) return reject('not_out_of_service')
      return done('in_service', (s) => (s.outOfService = false))
  }
}

const ACKNOWLEDGED: Readonly<Record<CoreState, CoreState | null>> = {
  normal: null,
  unack_active: 'ack_active',
  ack_active: null,
  rtn_unack: 'normal',
  latched_unack: 'latched_ack',
  latched_ack: null,
}
