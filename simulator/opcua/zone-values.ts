import type { VirtualUnit, Zone, ZoneValues } from '../zone.ts'
import { quantityAt } from './model.ts'
import type { Leaf } from './nodeset.ts'
import { wireUnit, type Speech } from './wire.ts'

/** What a leaf shows: a number in the unit's own measure (°C, K, bar, l/min …), a text, a truth, errors; NaN: the sensor is broken. */
export type Shown = number | string | boolean | null | ZoneValues['errors']
type Source = (values: ZoneValues, unit: VirtualUnit, zone: Zone, channel: number) => Shown

/** How the flow divides over the circuits of a manifold, and how much warmer each comes back. */
const CHANNEL_SHARE = [0.55, 0.45]
const CHANNEL_WARMER_K = [0.25, -0.25]
export const CHANNELS = CHANNEL_SHARE.length
/** Between two services of the pump. */
const PUMP_INTERVAL_h = 4000
const remaining = (values: ZoneValues): number => PUMP_INTERVAL_h - (values.hoursOfOperation_h % PUMP_INTERVAL_h)

/**
 * Where each leaf takes its value from. A leaf that is not listed is not there, unless it is mandatory: then it has to be here.
 * `#` stands for a channel's number.
 */
const SOURCES: Readonly<Record<string, Source>> = {
  'Identification/DeviceClass': () => 'Temperature Control Device',
  'Identification/Manufacturer': (_, unit) => unit.manufacturer,
  'Identification/Model': (_, unit) => unit.model,
  'Identification/SerialNumber': (_, unit) => unit.serial,
  'TCDSpecification/MaxTemperature': (_, unit) => unit.maxTemperature_degC,
  'TCDSpecification/PowerValue': (_, unit) => unit.heating_kW,
  'TCDSpecification/ConnectedLoad': (_, unit) => unit.heating_kW + 3,
  'TCDSpecification/NominalFlowRate': (_, unit) => unit.nominalFlow_l_min,
  'TCDSpecification/DeviceZoneId': (_values, _unit, zone) => zone.id,
  'MachineConfiguration/UserMachineName': (_, unit) => unit.model,
  'MachineConfiguration/LocationName': (_, unit) => unit.location,
  'MachineConfiguration/TimeZoneOffset': () => null,
  'Operation/DeviceMappingNumber': () => null,
  'Operation/HighestActiveAlarmSeverity': (values) => values.errors.reduce((worst, error) => Math.max(worst, error.severity), 0),
  'Operation/ActiveErrors': (values) => values.errors,
  'Operation/OperatingMode': (values) => values.operatingMode,
  'Operation/HoursOfOperation': (values) => values.hoursOfOperation_h,
  'DeviceZone/Temperature/ActualValue': (values) => values.actual_degC,
  'DeviceZone/Temperature/SetValue': (values) => values.setValue_degC,
  'DeviceZone/Temperature/UpperTolerance': (values) => values.tolerance_K,
  'DeviceZone/Temperature/LowerTolerance': (values) => values.tolerance_K,
  'DeviceZone/Temperature/AlarmSuppression': () => 0,
  'DeviceZone/InternalMeasuringPoint': (values) => (values.controlPoint === 1 ? 1 : 0),
  'DeviceZone/StandbyTemperature': (values) => values.standby_degC,
  'DeviceZone/SwitchingOffTemperature': (values) => values.switchingOff_degC,
  'DeviceZone/TemperatureLimitation': (values) => values.limitation_degC,
  'DeviceZone/TemperatureMainLine': (values) => values.mainLine_degC,
  'DeviceZone/TemperatureReturnLine': (values) => values.returnLine_degC,
  'DeviceZone/TemperatureDifference/ActualValue': (values) => values.returnLine_degC - values.mainLine_degC,
  'DeviceZone/FlowRate/ActualValue': (values) => values.flow_l_min,
  'DeviceZone/FlowRate/SetValue': (_, unit) => unit.nominalFlow_l_min * 0.8,
  'DeviceZone/FlowRate/UpperTolerance': (_, unit) => unit.nominalFlow_l_min * 0.2,
  'DeviceZone/FlowRate/LowerTolerance': (_, unit) => unit.nominalFlow_l_min * 0.2,
  'DeviceZone/PressureMainLine': (values) => values.mainLine_bar,
  'DeviceZone/PressureReturnLine': (values) => values.returnLine_bar,
  'DeviceZone/PressureDifference/ActualValue': (values) => values.mainLine_bar - values.returnLine_bar,
  'DeviceZone/ActualProcessPower': (values) => values.process_kW,
  'DeviceZone/ActualRegulationRatio': (values) => values.regulation_percent,
  'DeviceZone/PumpSpeed/ActualValue': (values) => values.pumpSpeed_percent,
  'DeviceZone/ActualPumpSpeedRPM': (values) => values.pumpSpeed_rpm,
  'DeviceZone/ActualPumpPower': (values) => values.pump_kW,
  'DeviceZone/PumpControlMode': () => 0,
  'DeviceZone/ExternalSensor/ActualValue': (values) => values.external_degC,
  'DeviceZone/ExternalSensor/Used': (values) => values.controlPoint === 2,
  'DeviceZone/ExternalSensor/ThermocoupleType': () => 6,
  'DeviceZone/ExternalSensor/CommunicationProtocolType': () => 1,
  'DeviceZone/MaintenanceInformation/Pump/Status': (values) => (remaining(values) < 100 ? 1 : 0),
  'DeviceZone/MaintenanceInformation/Pump/Interval': () => PUMP_INTERVAL_h,
  'DeviceZone/MaintenanceInformation/Pump/RemainingInterval': remaining,
  'DeviceZone/MaintenanceInformation/Pump/TotalOperation': (values) => values.hoursOfOperation_h,
  'DeviceZone/ExternalChannels/NodeVersion': () => '1',
  'DeviceZone/ExternalChannels/ExternalChannel_#/FlowRate/ActualValue': (values, _unit, _zone, channel) =>
    values.flow_l_min * (CHANNEL_SHARE[channel] ?? 0),
  'DeviceZone/ExternalChannels/ExternalChannel_#/TemperatureReturnLine': (values, _unit, _zone, channel) =>
    values.returnLine_degC + (CHANNEL_WARMER_K[channel] ?? 0),
  'DeviceZone/ExternalChannels/ExternalChannel_#/TemperatureDifference/ActualValue': (values, _unit, _zone, channel) =>
    values.returnLine_degC + (CHANNEL_WARMER_K[channel] ?? 0) - values.mainLine_degC,
}
const EXTERNAL_SENSOR = 'DeviceZone/ExternalSensor'
const METHODS: ReadonlySet<string> = new Set(['Operation/ReduceToStandByOn', 'Operation/ReduceToStandByOff', 'Operation/IdentifyDevice'])

const general = (path: string): string => path.replace(/ExternalChannel_(\d+|<Nr>)/, 'ExternalChannel_#')
const LISTED = [...Object.keys(SOURCES), ...METHODS]

/** Which optional members a zone has: every path with a source, or above one. The external sensor only where there is one. */
export function hasMember(zone: Zone): (path: string) => boolean {
  const { external_degC, controlPoint } = zone.values()
  const external = Number.isFinite(external_degC) || controlPoint === 2
  return (path) => {
    const wanted = general(path)
    if (!external && wanted.startsWith(EXTERNAL_SENSOR)) return false
    return LISTED.some((listed) => listed === wanted || listed.startsWith(`${wanted}/`))
  }
}

/** The value of a leaf, as it goes on the wire; a text beside it for a choice. Throws where a mandatory leaf has no source. */
export function show(
  leaf: Leaf,
  values: ZoneValues,
  unit: VirtualUnit,
  zone: Zone,
  speech: Speech,
): { readonly value: Shown; readonly text: string } {
  const source = SOURCES[general(leaf.path)]
  if (source === undefined) throw new Error(`${leaf.path} is in the model, but has no source`)
  const channel = Number(/ExternalChannel_(\d+)/.exec(leaf.path)?.[1] ?? 1) - 1
  const value = source(values, unit, zone, channel)
  if (leaf.member.kind === 'choice' && typeof value === 'number') return { value, text: leaf.member.texts[value] ?? String(value) }
  if (leaf.member.kind !== 'analog' || typeof value !== 'number') return { value, text: '' }
  const onWire = wireUnit(quantityAt(leaf.path.split('/'), leaf.member.quantity), speech).toWire(value)
  return { value: leaf.member.dataType === 'Double' ? onWire : Math.round(onWire), text: '' }
}
