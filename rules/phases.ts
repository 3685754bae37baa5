/** What a circuit is doing: our own normalised words. */
export const PHASES = [
  'unknown',
  'powered_down',
  'booting',
  'filling',
  'venting',
  'heating',
  'in_tolerance',
  'cooling',
  'standby',
  'rinsing',
  'medium_exchange',
  'evacuating',
  'leak_stop',
  'off',
  'fault',
] as const
export type Phase = (typeof PHASES)[number]
