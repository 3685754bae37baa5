import { QUALITY } from '../../rules/reading.ts'

const BAD: ReadonlyMap<number, number> = new Map([
  // Codes of OPC 10000-6 annex A; which of them a sensor uses: OPC 10000-8, 7.3.2.
  [0x80310000, QUALITY.no_communication], // Bad_NoCommunication
  [0x80050000, QUALITY.no_communication], // Bad_CommunicationError
  [0x800a0000, QUALITY.no_communication], // Bad_Timeout
  [0x800d0000, QUALITY.no_communication], // Bad_ServerNotConnected
  [0x80ae0000, QUALITY.no_communication], // Bad_ConnectionClosed
  [0x808c0000, QUALITY.sensor_failure], // Bad_SensorFailure
  [0x808b0000, QUALITY.device_failure], // Bad_DeviceFailure
  [0x80890000, QUALITY.device_failure], // Bad_ConfigurationError
  [0x808a0000, QUALITY.not_connected], // Bad_NotConnected
  [0x808d0000, QUALITY.out_of_service], // Bad_OutOfService
  [0x80320000, QUALITY.waiting_for_initial_data], // Bad_WaitingForInitialData
  [0x80340000, QUALITY.no_such_register], // Bad_NodeIdUnknown
  [0x80330000, QUALITY.no_such_register], // Bad_NodeIdInvalid
  [0x80350000, QUALITY.no_such_register], // Bad_AttributeIdInvalid
  [0x803c0000, QUALITY.out_of_range], // Bad_OutOfRange
  [0x80070000, QUALITY.decode_error], // Bad_DecodingError
  [0x80380000, QUALITY.decode_error], // Bad_DataEncodingInvalid
  [0x80390000, QUALITY.decode_error], // Bad_DataEncodingUnsupported
  [0x809b0000, QUALITY.no_data], // Bad_NoData
  [0x809e0000, QUALITY.no_data], // Bad_DataUnavailable
])

/**
 * Quality of an OPC UA status code. The two top bits say good, uncertain or bad (OPC 10000-4, 7.39); the low half carries flags
 * that change nothing here. A bad code that we do not know is `not_available`: never a value.
 */
export function qualityOf(statusCode: number): number {
  const severity = statusCode >>> 30
  if (severity === 0) return QUALITY.good
  if (severity === 1) return QUALITY.uncertain
  return BAD.get((statusCode & 0xffff0000) >>> 0) ?? QUALITY.not_available
}

/** The server says that units, ranges or the structure behind this value have changed (OPC 10000-4, 7.39.1, flag bits). */
export const meaningChanged = (statusCode: number): boolean => (statusCode & 0xc000) !== 0
