/** Units inside mouldtend. Whatever a unit sends is turned into these at the edge. */
export type Measure = 'degC' | 'K' | 'bar' | 'l_min' | 'kW' | '%' | 'h' | '1_min' | 's' | 'count' | 'state'

/** How people write a measure; '' where the number stands alone. */
export const SYMBOL: Readonly<Record<Measure, string>> = {
  degC: '°C',
  K: 'K',
  bar: 'bar',
  l_min: 'l/min',
  kW: 'kW',
  '%': '%',
  h: 'h',
  '1_min': '1/min',
  s: 's',
  count: '',
  state: '',
}

export interface SignalInfo {
  readonly measure: Measure
  /** analog: a measured quantity; setting: what somebody set; counter: only rises (until it is renewed); state: a code. */
  readonly kind: 'analog' | 'setting' | 'counter' | 'state'
}

const info = (measure: Measure, kind: SignalInfo['kind']): SignalInfo => Object.freeze({ measure, kind })

/**
 * Canonical signals of one circuit. Names follow OPC 40082-1 where it has a term; pressures are gauge.
 * `temperature.difference` is return line minus main line. `regulation_ratio` and `process_power`: + heating, - cooling.
 */
export const SIGNALS = {
  'temperature.main_line': info('degC', 'analog'),
  'temperature.return_line': info('degC', 'analog'),
  'temperature.external': info('degC', 'analog'),
  'temperature.actual': info('degC', 'analog'),
  'temperature.set_value': info('degC', 'setting'),
  'temperature.difference': info('K', 'analog'),
  'temperature.standby': info('degC', 'setting'),
  'temperature.limitation': info('degC', 'setting'),
  'temperature.switching_off': info('degC', 'setting'),
  flow_rate: info('l_min', 'analog'),
  'flow_rate.set_value': info('l_min', 'setting'),
  'pressure.main_line': info('bar', 'analog'),
  'pressure.return_line': info('bar', 'analog'),
  'pressure.system': info('bar', 'analog'),
  'pressure.difference': info('bar', 'analog'),
  regulation_ratio: info('%', 'analog'),
  process_power: info('kW', 'analog'),
  pump_speed: info('%', 'analog'),
  pump_speed_rpm: info('1_min', 'analog'),
  pump_power: info('kW', 'analog'),
  pump_control_mode: info('state', 'state'),
  /** 1 while the pump runs, 0 while it does not. */
  'pump.running': info('state', 'state'),
  operating_mode: info('state', 'state'),
  /** 0 main line, 1 return line, 2 external. */
  control_point: info('state', 'state'),
  hours_of_operation: info('h', 'counter'),
  /** How many errors the unit itself reports; their texts ride beside the values of a reading. */
  active_errors: info('count', 'state'),
  /** Severity 0..1000 of the worst active error (OPC 40082-1: HighestActiveAlarmSeverity). */
  highest_active_severity: info('count', 'state'),
  /** 1 while the unit's alarm contact says 'alarm', whatever its sense on the wire. */
  alarm_contact: info('state', 'state'),
  'refill.count': info('count', 'counter'),
  'refill.active': info('state', 'state'),
  'refill.time_total': info('s', 'counter'),
  tank_level: info('%', 'analog'),
  'cycle.count': info('count', 'counter'),
  'machine.running': info('state', 'state'),
  'cooling_water.temperature': info('degC', 'analog'),
  'cooling_water.pressure': info('bar', 'analog'),
  'temperature.tolerance_upper': info('K', 'setting'),
  'temperature.tolerance_lower': info('K', 'setting'),
  'flow_rate.tolerance_upper': info('l_min', 'setting'),
  'flow_rate.tolerance_lower': info('l_min', 'setting'),
  /** mouldtend's own condition, as a circuit of its own: see service/self.ts. */
  'self.canary_age': info('s', 'analog'),
  'self.dead_letters': info('count', 'analog'),
  'self.store_fault': info('state', 'state'),
  'self.clock_untrusted': info('state', 'state'),
} as const satisfies Record<string, SignalInfo>

export type FixedSignal = keyof typeof SIGNALS
const CHANNEL = {
  flow_rate: info('l_min', 'analog'),
  'temperature.main_line': info('degC', 'analog'),
  'temperature.return_line': info('degC', 'analog'),
  'temperature.actual': info('degC', 'analog'),
  'temperature.difference': info('K', 'analog'),
  'pressure.main_line': info('bar', 'analog'),
  'pressure.return_line': info('bar', 'analog'),
  'pressure.difference': info('bar', 'analog'),
} as const satisfies Record<string, SignalInfo>
export type ChannelSignal = keyof typeof CHANNEL
export type SignalName = FixedSignal | `channel.${number}.${ChannelSignal}` | `valve.${number}.cycles`

const CYCLES = info('count', 'counter')

/** What a signal name means, or null where there is no such signal. */
export function signalInfo(name: string): SignalInfo | null {
  if (isFixed(name)) return SIGNALS[name]
  const channel = /^channel\.([1-9]\d*)\.(.+)$/.exec(name)
  const rest = channel?.[2]
  if (rest !== undefined && isChannel(rest)) return CHANNEL[rest]
  return /^valve\.[1-9]\d*\.cycles$/.test(name) ? CYCLES : null
}

export function isSignalName(name: string): name is SignalName {
  return signalInfo(name) !== null
}

function isFixed(name: string): name is FixedSignal {
  return Object.hasOwn(SIGNALS, name)
}

function isChannel(name: string): name is ChannelSignal {
  return Object.hasOwn(CHANNEL, name)
}
