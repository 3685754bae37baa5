import { hash } from 'node:crypto'
import type { Event } from '../rules/event.ts'
import { canonical } from './canonical.ts'

/**
 * Id of an event: the first 128 bits, in hex, of SHA-256 over the canonical JSON of what names it for good. Made of ids and
 * counters only, never of a row or a list position: whoever computes the same event again gets the same id. 128 bits: a
 * double by chance among 10^12 events has a probability near 10^-15.
 */
export function eventId(site: string, event: Event): string {
  return hash('sha256', canonical(nameOf(site, event)), 'hex').slice(0, 32)
}

function nameOf(site: string, event: Event): readonly (string | number)[] {
  switch (event.kind) {
    case 'alarm':
      return ['event', site, 'alarm', event.alarm, event.activation, event.eventNo]
    case 'record':
      return ['event', site, 'record', event.subject, event.event, event.eventNo]
  }
}
