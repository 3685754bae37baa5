/**
 * The types of OPC 40082-1 (temperature control devices, version 1.01) and of the general types of OPC 40083 that it uses, as a
 * table in our own words: node ids, BrowseNames, data types, access and what is mandatory. nodeset.ts renders it as NodeSet2.
 */

export const NAMESPACE = {
  DI: 'http://opcfoundation.org/UA/DI/',
  GT: 'http://opcfoundation.org/UA/PlasticsRubber/GeneralTypes/',
  TCD: 'http://opcfoundation.org/UA/PlasticsRubber/TCD/',
} as const
export type Space = keyof typeof NAMESPACE

/** What an analog variable measures; the wire decides in which unit. */
export type Quantity =
  'temperature' | 'difference' | 'flow' | 'pressure' | 'power' | 'ratio' | 'speed' | 'hours' | 'minutes' | 'seconds' | 'ramp'
export type DataTypeName = 'Boolean' | 'String' | 'LocalizedText' | 'UInt16' | 'UInt32' | 'Int32' | 'Double'

interface Base {
  readonly name: string
  /** Namespace of the BrowseName; 'UA' for the base namespace. */
  readonly space: Space | 'UA'
  /** Id of the declaration in the type, in the type's namespace; null where we number it ourselves. */
  readonly id: number | null
  /** M: mandatory. O: optional. P: optional placeholder, an instance numbers it. */
  readonly rule: 'M' | 'O' | 'P'
}
export type Member = Base &
  (
    | { readonly kind: 'analog'; readonly dataType: DataTypeName; readonly writable: boolean; readonly quantity: Quantity }
    | { readonly kind: 'choice'; readonly writable: boolean; readonly texts: readonly string[] }
    | {
        readonly kind: 'property' | 'variable'
        readonly dataType: DataTypeName | Ref
        readonly writable: boolean
        readonly isArray: boolean
      }
    | { readonly kind: 'object'; readonly type: TypeName }
    | { readonly kind: 'method'; readonly inputs: readonly { readonly name: string; readonly dataType: string }[] }
  )
/** A data type that is not built in, by namespace and id. */
export interface Ref {
  readonly space: Space | 'UA'
  readonly id: number
}
export interface ObjectType {
  readonly space: Space
  readonly id: number
  /** Name of the super type in this table, or where it is elsewhere. */
  readonly superType: TypeName | Ref
  readonly members: readonly Member[]
}

type Id = number | null
type Rule = Base['rule']
const inSpace = (space: Base['space']) => ({
  analog: (
    name: string,
    id: Id,
    rule: Rule,
    quantity: Quantity,
    access: 'RO' | 'RW' = 'RO',
    dataType: DataTypeName = 'Double',
  ): Member => ({
    kind: 'analog',
    name,
    space,
    id,
    rule,
    quantity,
    writable: access === 'RW',
    dataType,
  }),
  choice: (name: string, id: Id, rule: Rule, access: 'RO' | 'RW', ...texts: string[]): Member => ({
    kind: 'choice',
    name,
    space,
    id,
    rule,
    writable: access === 'RW',
    texts,
  }),
  property: (name: string, id: Id, rule: Rule, dataType: DataTypeName | Ref, access: 'RO' | 'RW' = 'RO', isArray = false): Member => ({
    kind: 'property',
    name,
    space,
    id,
    rule,
    dataType,
    writable: access === 'RW',
    isArray,
  }),
  variable: (name: string, id: Id, rule: Rule, dataType: DataTypeName | Ref, isArray = false): Member => ({
    kind: 'variable',
    name,
    space,
    id,
    rule,
    dataType,
    writable: false,
    isArray,
  }),
  object: (name: string, id: Id, rule: Rule, type: TypeName): Member => ({ kind: 'object', name, space, id, rule, type }),
  method: (name: string, id: Id, rule: Rule, ...inputs: { name: string; dataType: string }[]): Member => ({
    kind: 'method',
    name,
    space,
    id,
    rule,
    inputs,
  }),
})
const UA = inSpace('UA')
const DI = inSpace('DI')
const GT = inSpace('GT')
const TCD = inSpace('TCD')

export const OPERATING_MODES = [
  'OTHER',
  'READY_TO_OPERATE',
  'NORMAL_OPERATION',
  'LEAK_STOPPER',
  'MOULD_EVACUATION',
  'PRESSURE_RELIEF',
  'COOLING',
  'SAFETY_COOLING',
  'ECO',
  'BOOST',
] as const
export const MAINTENANCE_STATES = ['NOT_DUE', 'WARNING', 'DUE'] as const
const STATUS = [
  'NONE',
  'UNKNOWN',
  'BELOW_MIN_VALUE',
  'BELOW_LOWER_TOLERANCE2',
  'BELOW_LOWER_TOLERANCE',
  'WITHIN_TOLERANCE',
  'ABOVE_UPPER_TOLERANCE',
  'ABOVE_UPPER_TOLERANCE2',
  'ABOVE_MAX_VALUE',
]

/** Data types of our own nodesets. */
export const DATA_TYPES = {
  ActiveErrorDataType: { space: 'GT', id: 3028 },
  MaintenanceStatusEnumeration: { space: 'GT', id: 3013 },
  PIDParametersDataType: { space: 'GT', id: 3023 },
  OperatingModeEnumeration: { space: 'TCD', id: 3002 },
} as const satisfies Record<string, Ref>
const TIME_ZONE: Ref = { space: 'UA', id: 8912 }
const LOCALE_ID: Ref = { space: 'UA', id: 295 }
const BASE_OBJECT: Ref = { space: 'UA', id: 58 }

export type TypeName =
  | 'IdentificationType'
  | 'MachineConfigurationType'
  | 'MonitoredParameterType'
  | 'ControlledParameterType'
  | 'ClosedLoopControlType'
  | 'MaintenanceType'
  | 'ExternalChannelType'
  | 'ExternalChannelsType'
  | 'MaintenanceInformationType'
  | 'MouldEvacuationType'
  | 'LeakStopperType'
  | 'ExternalSensorType'
  | 'DeviceZoneType'
  | 'OperationType'
  | 'TCDSpecificationType'
  | 'TCD_InterfaceType'

/**
 * Quantity 'temperature' in MonitoredParameterType stands for whatever the parameter is: an instance says it by the name of
 * the object it is in (see `quantityAt`). Tolerances are differences of it.
 */
export const TYPES: Readonly<Record<TypeName, ObjectType>> = {
  IdentificationType: {
    space: 'GT',
    id: 1058,
    superType: { space: 'DI', id: 15063 },
    members: [
      DI.property('DeviceClass', null, 'M', 'String'),
      DI.property('Manufacturer', null, 'M', 'LocalizedText'),
      DI.property('Model', null, 'M', 'LocalizedText'),
      DI.property('SerialNumber', null, 'M', 'String'),
      GT.property('YearOfConstruction', null, 'O', 'UInt16'),
    ],
  },
  MachineConfigurationType: {
    space: 'GT',
    id: 1016,
    superType: BASE_OBJECT,
    members: [
      GT.property('UserMachineName', 6202, 'M', 'String', 'RW'),
      GT.property('LocationName', 6195, 'M', 'String', 'RW'),
      GT.property('TimeZoneOffset', 6201, 'M', TIME_ZONE, 'RW'),
      GT.method('SetMachineTime', 7019, 'M', { name: 'DateTime', dataType: 'i=13' }, { name: 'TimeZoneOffset', dataType: 'i=8912' }),
    ],
  },
  MonitoredParameterType: {
    space: 'GT',
    id: 1056,
    superType: BASE_OBJECT,
    members: [
      GT.analog('ActualValue', 6321, 'M', 'temperature'),
      GT.analog('SetValue', 6322, 'O', 'temperature', 'RW'),
      GT.analog('SetRampUp', 6325, 'O', 'ramp'),
      GT.analog('SetRampDown', 6335, 'O', 'ramp'),
      GT.analog('MinValue', 6338, 'O', 'temperature', 'RW'),
      GT.analog('MaxValue', 6340, 'O', 'temperature', 'RW'),
      GT.analog('UpperTolerance', 6342, 'O', 'difference', 'RW'),
      GT.analog('LowerTolerance', 6344, 'O', 'difference', 'RW'),
      GT.analog('UpperTolerance2', 6346, 'O', 'difference', 'RW'),
      GT.analog('LowerTolerance2', 6348, 'O', 'difference', 'RW'),
      GT.property('AutomaticMonitoring', 6350, 'O', 'Boolean', 'RW'),
      GT.choice('MonitoringSensitivity', 6352, 'O', 'RW', 'FINE', 'MIDDLE', 'ROUGH'),
      GT.choice('AlarmSuppression', 6354, 'O', 'RW', 'OFF', 'HORN', 'COMPLETE'),
      GT.choice('Status', 6711, 'O', 'RO', ...STATUS),
      GT.method('ResetMonitoring', 7053, 'O'),
    ],
  },
  ControlledParameterType: {
    space: 'GT',
    id: 1057,
    superType: 'MonitoredParameterType',
    members: [
      GT.analog('SetRampUp', 6367, 'O', 'ramp', 'RW'),
      GT.analog('SetRampDown', 6365, 'O', 'ramp', 'RW'),
      GT.object('ClosedLoopControl', 5035, 'O', 'ClosedLoopControlType'),
    ],
  },
  ClosedLoopControlType: {
    space: 'GT',
    id: 1054,
    superType: BASE_OBJECT,
    members: [
      GT.property('AutomaticControllerMode', 6319, 'O', 'Boolean', 'RW'),
      GT.property('AutoTuningActive', 6320, 'O', 'Boolean'),
      GT.property('PIDParameters', 6318, 'O', DATA_TYPES.PIDParametersDataType, 'RW', true),
      GT.method('AutoTuningOn', 7047, 'O'),
      GT.method('AutoTuningOff', 7048, 'O'),
    ],
  },
  MaintenanceType: {
    space: 'GT',
    id: 1053,
    superType: BASE_OBJECT,
    members: [
      GT.property('Status', 6311, 'M', DATA_TYPES.MaintenanceStatusEnumeration),
      GT.property('AdditionalInformation', 6514, 'O', 'String'),
      GT.analog('Interval', 6312, 'O', 'hours'),
      GT.analog('RemainingInterval', 6314, 'O', 'hours'),
      GT.analog('TotalOperation', 6516, 'O', 'hours'),
      GT.method('Reset', 7046, 'M'),
    ],
  },
  ExternalChannelType: {
    space: 'TCD',
    id: 1002,
    superType: BASE_OBJECT,
    members: [
      TCD.property('SwitchedOn', 6558, 'O', 'Boolean'),
      TCD.method('SwitchOn', 7066, 'O'),
      TCD.method('SwitchOff', 7067, 'O'),
      TCD.object('Temperature', 5001, 'O', 'MonitoredParameterType'),
      TCD.object('TemperatureDifference', 5002, 'O', 'MonitoredParameterType'),
      TCD.object('FlowRate', 5003, 'O', 'MonitoredParameterType'),
      TCD.object('PressureDifference', 5004, 'O', 'MonitoredParameterType'),
      TCD.analog('TemperatureMainLine', 6003, 'O', 'temperature'),
      TCD.analog('TemperatureReturnLine', 6005, 'O', 'temperature'),
      TCD.analog('PressureMainLine', 6011, 'O', 'pressure'),
      TCD.analog('PressureReturnLine', 6013, 'O', 'pressure'),
      TCD.choice('ControlMode', 6017, 'O', 'RW', 'NONE', 'TEMPERATURE', 'FLOW', 'TEMP_DIFF', 'PRESS_DIFF'),
    ],
  },
  ExternalChannelsType: {
    space: 'TCD',
    id: 1003,
    superType: BASE_OBJECT,
    members: [UA.property('NodeVersion', 6082, 'M', 'String'), TCD.object('ExternalChannel_<Nr>', 5005, 'P', 'ExternalChannelType')],
  },
  MaintenanceInformationType: {
    space: 'TCD',
    id: 1004,
    superType: BASE_OBJECT,
    members: [
      TCD.object('Heating', 5010, 'O', 'MaintenanceType'),
      TCD.object('Cooling', 5011, 'O', 'MaintenanceType'),
      TCD.object('Pump', 5012, 'O', 'MaintenanceType'),
      TCD.object('Fluid', 5013, 'O', 'MaintenanceType'),
    ],
  },
  MouldEvacuationType: {
    space: 'TCD',
    id: 1005,
    superType: BASE_OBJECT,
    members: [
      TCD.method('On', 7008, 'M'),
      TCD.method('Off', 7009, 'M'),
      TCD.analog('TemperatureLimit', 6129, 'O', 'temperature', 'RW'),
      TCD.analog('Time', 6131, 'O', 'seconds', 'RW'),
      TCD.choice('Sink', 6133, 'O', 'RW', 'DRAIN', 'TANK'),
      TCD.choice('Mode', 6136, 'O', 'RW', 'PUMP', 'COMPRESSED_AIR'),
    ],
  },
  LeakStopperType: {
    space: 'TCD',
    id: 1006,
    superType: BASE_OBJECT,
    members: [TCD.method('On', 7013, 'M'), TCD.method('Off', 7014, 'M')],
  },
  ExternalSensorType: {
    space: 'TCD',
    id: 1007,
    superType: BASE_OBJECT,
    members: [
      TCD.analog('ActualValue', 6204, 'M', 'temperature', 'RW'),
      TCD.property('Used', 6206, 'M', 'Boolean'),
      TCD.choice('ThermocoupleType', 6207, 'M', 'RW', 'OTHER', 'E', 'J', 'K', 'N', 'T', 'PT100'),
      TCD.choice('CommunicationProtocolType', 6908, 'M', 'RW', 'OTHER', 'LOCAL', 'PROFIBUS', 'OPC_UA', 'I2C', 'CAN'),
      TCD.property('AutomaticModeSwitch', 6210, 'O', 'Boolean', 'RW'),
      TCD.object('ClosedLoopControl', 5014, 'O', 'ClosedLoopControlType'),
      TCD.method('ExternalSensorModeOn', 7015, 'M'),
      TCD.method('ExternalSensorModeOff', 7016, 'M'),
    ],
  },
  DeviceZoneType: {
    space: 'TCD',
    id: 1008,
    superType: BASE_OBJECT,
    members: [
      TCD.object('Temperature', 5006, 'M', 'ControlledParameterType'),
      TCD.choice('InternalMeasuringPoint', 6214, 'O', 'RW', 'MAIN_LINE', 'RETURN_LINE'),
      TCD.analog('StandbyTemperature', 6217, 'O', 'temperature', 'RW'),
      TCD.analog('SwitchingOffTemperature', 6219, 'O', 'temperature', 'RW'),
      TCD.analog('TemperatureLimitation', 6221, 'O', 'temperature', 'RW'),
      TCD.analog('TemperatureMainLine', 6223, 'O', 'temperature'),
      TCD.analog('TemperatureReturnLine', 6225, 'O', 'temperature'),
      TCD.object('TemperatureDifference', 5027, 'O', 'MonitoredParameterType'),
      TCD.object('FlowRate', 5029, 'O', 'MonitoredParameterType'),
      TCD.analog('PressureMainLine', 6231, 'O', 'pressure'),
      TCD.analog('PressureReturnLine', 6233, 'O', 'pressure'),
      TCD.object('PressureDifference', 5030, 'O', 'MonitoredParameterType'),
      TCD.analog('ActualProcessPower', 6237, 'O', 'power'),
      TCD.analog('ActualRegulationRatio', 6239, 'O', 'ratio'),
      TCD.analog('DelayTimeAfterCooling', 6241, 'O', 'minutes', 'RW'),
      TCD.object('PumpSpeed', 5032, 'O', 'MonitoredParameterType'),
      TCD.analog('ActualPumpSpeedRPM', 6245, 'O', 'speed'),
      TCD.analog('ActualPumpPower', 6247, 'O', 'power'),
      TCD.choice('PumpControlMode', 6249, 'O', 'RW', 'NORMAL', 'AUTO', 'SPEED', 'FLOW', 'TEMP_DIFF', 'PRESS_DIFF', 'BOOST'),
      TCD.object('ExternalSensor', 5020, 'O', 'ExternalSensorType'),
      TCD.object('LeakStopper', 5021, 'O', 'LeakStopperType'),
      TCD.object('MouldEvacuation', 5022, 'O', 'MouldEvacuationType'),
      TCD.object('MaintenanceInformation', 5023, 'O', 'MaintenanceInformationType'),
      TCD.object('ExternalChannels', 5028, 'O', 'ExternalChannelsType'),
    ],
  },
  OperationType: {
    space: 'TCD',
    id: 1010,
    superType: BASE_OBJECT,
    members: [
      TCD.property('DeviceMappingNumber', 6509, 'M', 'UInt32', 'RW'),
      TCD.property('HighestActiveAlarmSeverity', 6121, 'M', 'UInt16'),
      TCD.variable('ActiveErrors', 6551, 'M', DATA_TYPES.ActiveErrorDataType, true),
      TCD.property('OperatingMode', 6511, 'M', DATA_TYPES.OperatingModeEnumeration),
      TCD.analog('HoursOfOperation', 6512, 'O', 'hours'),
      TCD.method('SwitchOn', 7045, 'M'),
      TCD.method('SwitchOff', 7046, 'M'),
      TCD.method('ReduceToStandByOn', 7047, 'O'),
      TCD.method('ReduceToStandByOff', 7048, 'O'),
      TCD.method('ResetAllErrors', 7043, 'O'),
      TCD.method('ResetErrorById', 7127, 'O', { name: 'Id', dataType: 'i=12' }),
      TCD.method('IdentifyDevice', 7044, 'O'),
    ],
  },
  TCDSpecificationType: {
    space: 'TCD',
    id: 1011,
    superType: BASE_OBJECT,
    members: [
      TCD.analog('MaxTemperature', 6514, 'M', 'temperature', 'RO', 'Int32'),
      TCD.analog('PowerValue', 6516, 'M', 'power'),
      TCD.analog('ConnectedLoad', 6518, 'M', 'power'),
      TCD.analog('NominalFlowRate', 6520, 'M', 'flow'),
      TCD.analog('CoolingCapacity', 6522, 'O', 'power', 'RO', 'UInt32'),
      TCD.property('DeviceZoneId', 7138, 'O', 'String'),
    ],
  },
  TCD_InterfaceType: {
    space: 'TCD',
    id: 1012,
    superType: BASE_OBJECT,
    members: [
      TCD.object('Identification', 5047, 'M', 'IdentificationType'),
      TCD.object('TCDSpecification', 5048, 'M', 'TCDSpecificationType'),
      TCD.object('MachineConfiguration', 5049, 'M', 'MachineConfigurationType'),
      TCD.object('Operation', 5050, 'M', 'OperationType'),
      TCD.object('DeviceZone', 5044, 'M', 'DeviceZoneType'),
      TCD.property('DisplayLanguage', 6557, 'O', LOCALE_ID, 'RW'),
    ],
  },
}

/** All members of a type, those of its super types first; an own member replaces the inherited one of the same name. */
export function membersOf(name: TypeName): readonly Member[] {
  const type = TYPES[name]
  if (typeof type.superType !== 'string') return type.members
  const own = new Set(type.members.map((member) => member.name))
  return [...membersOf(type.superType).filter((member) => !own.has(member.name)), ...type.members]
}

const PARAMETER: Readonly<Record<string, Quantity>> = {
  FlowRate: 'flow',
  PressureDifference: 'pressure',
  TemperatureDifference: 'difference',
  PumpSpeed: 'ratio',
}

/** What an analog variable measures where it stands: a parameter's members take the quantity of the object they are in. */
export function quantityAt(path: readonly string[], declared: Quantity): Quantity {
  const parent = path.at(-2)
  const parameter = parent === undefined ? undefined : PARAMETER[parent]
  return parameter === undefined || declared === 'ramp' ? declared : parameter
}
