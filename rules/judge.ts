import type { Condition } from '../config/plan.ts'
import { ZONE, type Zone } from './alarm-state.ts'

/**
 * Where a value stands against a condition on values. Equal to a limit is not beyond (OPC 10000-9, 5.8.22: above, below);
 * with a deadband an alarm ends only once the value is back by the deadband, that bound included.
 * @param value in the signal's canonical unit, finite. @param reference set value where the condition has one, else unused.
 */
export function judge(condition: Condition, value: number, reference: number): Zone {
  switch (condition.kind) {
    case 'high':
      return high(value, condition.limit, condition.deadband)
    case 'high_above':
      return high(value, decimal(reference + condition.offset), condition.deadband)
    case 'low':
      if (value < condition.limit) return ZONE.beyond
      return value >= decimal(condition.limit + condition.deadband) ? ZONE.inactive : ZONE.between
    case 'band': {
      const top = decimal(reference + condition.plus)
      const bottom = decimal(reference - condition.minus)
      if (value > top || value < bottom) return ZONE.beyond
      return value <= decimal(top - condition.deadband) && value >= decimal(bottom + condition.deadband) ? ZONE.inactive : ZONE.between
    }
    case 'off_normal':
      return value === condition.normal ? ZONE.inactive : ZONE.beyond
    case 'discrepancy':
      return value <= decimal(reference + condition.tolerance) && value >= decimal(reference - condition.tolerance)
        ? ZONE.inactive
        : ZONE.beyond
    case 'switched_off_hot':
      return high(value, reference, condition.deadband_K)
    case 'no_reading':
    case 'contact_lost':
    case 'bad_signal':
    case 'unit_errors':
      return value > 0 ? ZONE.beyond : ZONE.inactive
  }
}

/**
 * The decimal number that a sum of decimal numbers means: 80.1 + 3 is 83.1 and not its neighbour, so that a value equal to its
 * limit is not beyond for any raw value of a decimal register. Six decimals are finer than any sensor here.
 */
const decimal = (sum: number): number => Math.round(sum * 1e6) / 1e6

function high(value: number, limit: number, deadband: number): Zone {
  if (value > limit) return ZONE.beyond
  return value <= decimal(limit - deadband) ? ZONE.inactive : ZONE.between
}
