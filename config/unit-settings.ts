import type { CircuitChoice } from './choice.ts'
import type { Medium } from './plan.ts'

/** What a site says of one unit, all layers merged: plain data, so that a plan can be made anew when the unit is discovered. */
export interface UnitSettings {
  readonly unit: string
  readonly serial: string
  readonly medium: Medium
  readonly source: string
  readonly poll_ms: number
  readonly staleAfter_ms: number
  readonly booting_ms: number
  /** For the unit itself, and for circuits that the site does not name. */
  readonly every: CircuitChoice
  readonly circuits: Readonly<Record<string, CircuitChoice>>
}
