/** What a virtual zone shows of itself at one instant, in °C, K, bar (gauge), l/min, kW, %, h. The servers put it on the wire. */
export interface ZoneValues {
  /** NaN: the sensor is broken or not there. */
  readonly mainLine_degC: number
  readonly returnLine_degC: number
  readonly external_degC: number
  readonly actual_degC: number
  readonly setValue_degC: number
  readonly standby_degC: number
  readonly limitation_degC: number
  readonly switchingOff_degC: number
  readonly flow_l_min: number
  readonly mainLine_bar: number
  readonly returnLine_bar: number
  readonly regulation_percent: number
  readonly process_kW: number
  readonly pumpSpeed_percent: number
  readonly pumpSpeed_rpm: number
  readonly pump_kW: number
  readonly pumpRunning: boolean
  /** OPC 40082-1 OperatingModeEnumeration, 0..9. */
  readonly operatingMode: number
  /** 0 main line, 1 return line, 2 external. */
  readonly controlPoint: number
  readonly hoursOfOperation_h: number
  readonly refills: number
  readonly alarmContact: boolean
  readonly errors: readonly { readonly id: string; readonly severity: number; readonly text: string }[]
  readonly tolerance_K: number
}

export interface Zone {
  /** 'A', 'B' … */
  readonly id: string
  readonly values: () => ZoneValues
}

/** One virtual unit as its network interface sees it. */
export interface VirtualUnit {
  readonly serial: string
  readonly model: string
  readonly manufacturer: string
  readonly location: string
  readonly maxTemperature_degC: number
  readonly heating_kW: number
  readonly nominalFlow_l_min: number
  readonly zones: readonly Zone[]
}
