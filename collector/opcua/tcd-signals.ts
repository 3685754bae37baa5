import type { SignalName } from '../../rules/signals.ts'

/** Namespaces of OPC 40082-1 and what it stands on. */
export const NAMESPACES = {
  '0': 'http://opcfoundation.org/UA/',
  D: 'http://opcfoundation.org/UA/DI/',
  G: 'http://opcfoundation.org/UA/PlasticsRubber/GeneralTypes/',
  T: 'http://opcfoundation.org/UA/PlasticsRubber/TCD/',
} as const
const LETTER: ReadonlyMap<string, string> = new Map(Object.entries(NAMESPACES).map(([letter, uri]) => [uri, letter]))

/** One step of a path: a BrowseName with the letter of its namespace, '?' for any other. */
export const step = (uri: string, name: string): string => `${LETTER.get(uri) ?? '?'}:${name}`

/** TCD_InterfaceType, to whose instances one zone each belongs. */
export const INTERFACE_TYPE = 1012

/** Where OPC 40082-1 has what we want, below an instance (section 6 of its mapping): BrowseNames with their namespace. */
const FIXED: readonly (readonly [path: string, signal: SignalName])[] = [
  ['T:DeviceZone/T:TemperatureMainLine', 'temperature.main_line'],
  ['T:DeviceZone/T:TemperatureReturnLine', 'temperature.return_line'],
  ['T:DeviceZone/T:ExternalSensor/T:ActualValue', 'temperature.external'],
  ['T:DeviceZone/T:Temperature/G:ActualValue', 'temperature.actual'],
  ['T:DeviceZone/T:Temperature/G:SetValue', 'temperature.set_value'],
  ['T:DeviceZone/T:Temperature/G:UpperTolerance', 'temperature.tolerance_upper'],
  ['T:DeviceZone/T:Temperature/G:LowerTolerance', 'temperature.tolerance_lower'],
  ['T:DeviceZone/T:TemperatureDifference/G:ActualValue', 'temperature.difference'],
  ['T:DeviceZone/T:StandbyTemperature', 'temperature.standby'],
  ['T:DeviceZone/T:TemperatureLimitation', 'temperature.limitation'],
  ['T:DeviceZone/T:SwitchingOffTemperature', 'temperature.switching_off'],
  ['T:DeviceZone/T:FlowRate/G:ActualValue', 'flow_rate'],
  ['T:DeviceZone/T:FlowRate/G:SetValue', 'flow_rate.set_value'],
  ['T:DeviceZone/T:FlowRate/G:UpperTolerance', 'flow_rate.tolerance_upper'],
  ['T:DeviceZone/T:FlowRate/G:LowerTolerance', 'flow_rate.tolerance_lower'],
  ['T:DeviceZone/T:PressureMainLine', 'pressure.main_line'],
  ['T:DeviceZone/T:PressureReturnLine', 'pressure.return_line'],
  ['T:DeviceZone/T:PressureDifference/G:ActualValue', 'pressure.difference'],
  ['T:DeviceZone/T:ActualRegulationRatio', 'regulation_ratio'],
  ['T:DeviceZone/T:ActualProcessPower', 'process_power'],
  ['T:DeviceZone/T:PumpSpeed/G:ActualValue', 'pump_speed'],
  ['T:DeviceZone/T:ActualPumpSpeedRPM', 'pump_speed_rpm'],
  ['T:DeviceZone/T:ActualPumpPower', 'pump_power'],
  ['T:DeviceZone/T:PumpControlMode', 'pump_control_mode'],
  ['T:DeviceZone/T:InternalMeasuringPoint', 'control_point'],
  ['T:Operation/T:OperatingMode', 'operating_mode'],
  ['T:Operation/T:HoursOfOperation', 'hours_of_operation'],
  ['T:Operation/T:ActiveErrors', 'active_errors'],
  ['T:Operation/T:HighestActiveAlarmSeverity', 'highest_active_severity'],
]
const CHANNEL = [
  ['T:FlowRate/G:ActualValue', 'flow_rate'],
  ['T:TemperatureMainLine', 'temperature.main_line'],
  ['T:TemperatureReturnLine', 'temperature.return_line'],
  ['T:Temperature/G:ActualValue', 'temperature.actual'],
  ['T:TemperatureDifference/G:ActualValue', 'temperature.difference'],
  ['T:PressureMainLine', 'pressure.main_line'],
  ['T:PressureReturnLine', 'pressure.return_line'],
  ['T:PressureDifference/G:ActualValue', 'pressure.difference'],
] as const
const CHANNEL_OBJECT = /^T:DeviceZone\/T:ExternalChannels\/T:ExternalChannel_([1-9]\d*)$/

/** Every signal that a zone has, in our own order, by the paths that exist below it. */
export function signalsAt(paths: Iterable<string>): readonly { readonly path: string; readonly signal: SignalName }[] {
  const there = new Set(paths)
  const found = FIXED.flatMap(([path, signal]) => (there.has(path) ? [{ path, signal }] : []))
  const channels = [...there].flatMap((path) => {
    const number = CHANNEL_OBJECT.exec(path)?.[1]
    return number === undefined ? [] : [{ path, number: Number(number) }]
  })
  channels.sort((one, other) => one.number - other.number)
  for (const { path, number } of channels) {
    for (const [rest, signal] of CHANNEL) {
      if (there.has(`${path}/${rest}`)) found.push({ path: `${path}/${rest}`, signal: `channel.${number}.${signal}` })
    }
  }
  return found
}

/** Facts of a zone that are read once. */
export const FACTS = {
  manufacturer: 'T:Identification/D:Manufacturer',
  model: 'T:Identification/D:Model',
  serial: 'T:Identification/D:SerialNumber',
  zone: 'T:TCDSpecification/T:DeviceZoneId',
  location: 'T:MachineConfiguration/G:LocationName',
} as const
export const UNITS_STEP = '0:EngineeringUnits'
/** True: the external sensor is controlled, whatever the internal measuring point says. */
export const EXTERNAL_USED = 'T:DeviceZone/T:ExternalSensor/T:Used'
export const VERSION_STEP = '0:NodeVersion'
