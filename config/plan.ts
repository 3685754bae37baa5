import type { Phase } from '../rules/phases.ts'
import type { SignalName } from '../rules/signals.ts'
import type { RegisterMap } from './register-map.ts'
import type { UnitSettings } from './unit-settings.ts'

/**
 * A site, checked and compiled: plain JSON-able data without a secret in it. The same plan gives the same behaviour.
 * `version` is the hash of its canonical JSON without the version itself.
 */
export interface Plan {
  readonly version: string
  readonly site: string
  readonly timezone: string
  readonly altitude_m: number
  readonly places: readonly PlacePlan[]
  readonly supplies: readonly SupplyPlan[]
  readonly sources: readonly SourcePlan[]
  readonly units: readonly UnitPlan[]
  readonly service: ServicePlan
}

export interface PlacePlan {
  /** Slug, stands in MQTT topics. */
  readonly id: string
  /** As people say it: 'Press 12, moving half'. */
  readonly name: string
  readonly machine: string
  readonly half: string
  readonly connection: string
  /** Set where nobody declared the place: the unit it was made up for. */
  readonly ofUnit?: string
}
export interface SupplyPlan {
  readonly id: string
  readonly name: string
  readonly kind: 'cooling_water' | 'electricity' | 'network' | 'gateway' | 'compressed_air' | 'other'
  readonly units: readonly string[]
}

export type Medium = 'water' | 'oil'

export interface UnitPlan {
  readonly id: string
  /** '' until the unit or the site file has told it. */
  readonly serial: string
  readonly medium: Medium
  readonly source: string
  readonly poll_ms: number
  /** No reading of any quality for this long makes every signal bad (T10). */
  readonly staleAfter_ms: number
  /** After contact comes (back), values are uncertain for this long; 0: not at all. */
  readonly booting_ms: number
  readonly circuits: readonly CircuitPlan[]
  /** Rules on the unit as a whole (contact). */
  readonly rules: readonly RulePlan[]
}

export interface CircuitPlan {
  /** `<unit>/<circuit>`; circuit is a slug, 'a' where there is one only. */
  readonly key: string
  readonly id: string
  readonly place: string
  readonly signals: readonly SignalName[]
  /** Which signal is judged against the set value; 'unit': the unit says (signal control_point), else temperature.actual. */
  readonly controlPoint: 'main_line' | 'return_line' | 'external' | 'unit'
  readonly registers: RegisterMap | null
  /** Nodes for OPC UA, one per signal and in that order; empty for other sources. */
  readonly nodes: readonly string[]
  /** Unit's own text for a state, by signal and value. */
  readonly texts: Readonly<Record<string, Readonly<Record<string, string>>>>
  /** Temperature below which the unit may be switched off, unless the unit tells a lower one. degC. */
  readonly switchOff_degC: number
  /** Tolerance used to derive the phase and to end a start delay, K each way from the set value. */
  readonly tolerance: { readonly plus_K: number; readonly minus_K: number }
  readonly rules: readonly RulePlan[]
}

export type Priority = 'high' | 'medium' | 'low'

/** Where a rule's threshold comes from. */
export type Reference = { readonly kind: 'fixed'; readonly value: number } | { readonly kind: 'signal'; readonly signal: SignalName }

/**
 * What is judged. Values in the canonical unit of the signal. `control` as signal: the sensor at the control point.
 * high, low, band, off_normal, discrepancy: as in OPC 10000-9. The rest are conditions of the circuit or unit as such:
 * no_reading: no reading for after_ms though its unit has contact. contact_lost: no usable reading of the whole unit for
 * after_ms (afterHot_ms where it was hot), `hot` picks which of the two this rule is. bad_signal: a signal that rules need is
 * bad though readings come. switched_off_hot: off at `limit`. unit_errors: own errors in a severity band.
 */
export type Condition =
  | { readonly kind: 'high' | 'low'; readonly signal: SignalName | 'control'; readonly limit: number; readonly deadband: number }
  | {
      readonly kind: 'band'
      readonly signal: SignalName | 'control'
      readonly reference: Reference
      readonly plus: number
      readonly minus: number
      readonly deadband: number
    }
  | {
      /** One side of a band, for an outer limit: beyond when signal > reference + offset. */
      readonly kind: 'high_above'
      readonly signal: SignalName | 'control'
      readonly reference: Reference
      readonly offset: number
      readonly deadband: number
    }
  | { readonly kind: 'off_normal'; readonly signal: SignalName; readonly normal: number }
  | {
      readonly kind: 'discrepancy'
      readonly signal: SignalName | 'control'
      readonly reference: Reference
      readonly expected_ms: number
      readonly tolerance: number
    }
  | { readonly kind: 'no_reading'; readonly after_ms: number }
  | { readonly kind: 'contact_lost'; readonly after_ms: number; readonly afterHot_ms: number; readonly hot: boolean }
  | { readonly kind: 'bad_signal'; readonly signals: readonly (SignalName | 'control')[] }
  | { readonly kind: 'switched_off_hot'; readonly limit_degC: number; readonly deadband_K: number }
  | { readonly kind: 'unit_errors'; readonly minSeverity: number; readonly maxSeverity: number }

export interface StartPace {
  readonly heating_K_min: number
  readonly heatingExtra_ms: number
  readonly cooling_K_min: number
  readonly coolingExtra_ms: number
  readonly min_ms: number
  readonly max_ms: number
}

export interface StartDelay {
  /** Longest wait; with `pace`, for where the way to go is not known. */
  readonly timeout_ms: number
  /** How fast a circuit gets there: the wait is then the way to go over the pace, and the extra, within the bounds. */
  readonly pace?: StartPace
  /** In tolerance without break for this long before arming. */
  readonly hold_ms: number
  readonly onStart: boolean
  readonly onSetValue: boolean
  /** A set-value change counts from here upward, a ramp being one change. 0: every change counts. K or the signal's unit. */
  readonly setValueStep: number
  /** Set-value changes may inhibit for at most this long within any capWindow_ms; null: no cap. */
  readonly cap_ms: number | null
  readonly capWindow_ms: number
}

export interface RulePlan {
  /** Name within its circuit or unit, dotted: 'temperature.deviation'. */
  readonly id: string
  /** `<circuit key or unit id>:<rule id>`: never changes while the thing it speaks of is the same. */
  readonly alarm: string
  readonly condition: Condition
  readonly priority: Priority
  /** 1..1000 (OPC 10000-9); bands 667 high, 334 medium, 1 low. */
  readonly severity: number
  readonly onDelay_ms: number
  readonly offDelay_ms: number
  readonly latch: boolean
  readonly reAlarm_ms: number | null
  readonly reAlarmMax: number | null
  readonly maxShelve_ms: number
  readonly armedByStart: boolean
  readonly start: StartDelay | null
  /** Live only in these phases; null: in all. Outside them it is suppressed by design. */
  readonly phases: readonly Phase[] | null
  /** While one of these (rule ids of the same circuit, or of its unit) is active, this one is suppressed by design. */
  readonly suppressedBy: readonly string[]
  /** Practice: vapour margin, system pressure, over limitation, off while hot, contact lost while hot. */
  readonly neverHidden: boolean
  readonly staleAfter_ms: number
  /** Words for people; a first step that depends on the state is made in alerts/. */
  readonly words: RuleWords
  /** `site.yaml:14`, or 'default' where nobody wrote it. */
  readonly line: string
}
export interface RuleWords {
  /** 'off its set value' */
  readonly what: string
  readonly causes: readonly string[]
  readonly firstStep: string
  readonly consequence: string
  /** From annunciation until the consequence can no longer be averted; null: not known. */
  readonly respond_ms: number | null
}

export type SourcePlan =
  | {
      readonly kind: 'modbus_tcp' | 'modbus_rtu_over_tcp'
      readonly id: string
      readonly host: string
      readonly port: number
      readonly timeout_ms: number
      readonly retries: number
      readonly units: readonly ModbusUnit[]
      readonly line: string
    }
  | {
      readonly kind: 'modbus_serial'
      readonly id: string
      readonly device: string
      readonly baud: number
      readonly parity: 'none' | 'even' | 'odd'
      readonly dataBits: 7 | 8
      readonly stopBits: 1 | 2
      readonly timeout_ms: number
      readonly retries: number
      readonly units: readonly ModbusUnit[]
      readonly line: string
    }
  | OpcUaSource
  | {
      readonly kind: 'replay'
      readonly id: string
      readonly file: string
      /** 1: as recorded; 60: a minute a second; null: as fast as it goes. */
      readonly speed: number | null
      readonly line: string
    }
export interface ModbusUnit {
  /** Unit's id in the plan. */
  readonly unit: string
  /** Unit identifier on the wire, 0..255. */
  readonly address: number
  readonly line: string
}
export interface OpcUaSource {
  readonly kind: 'opcua'
  readonly id: string
  readonly endpoint: string
  readonly securityMode: 'None' | 'Sign' | 'SignAndEncrypt'
  readonly securityPolicy: 'None' | 'Basic256Sha256' | 'Aes128_Sha256_RsaOaep' | 'Aes256_Sha256_RsaPss'
  readonly identity:
    | { readonly kind: 'anonymous' }
    | { readonly kind: 'user'; readonly user: string; readonly password: SecretRef }
    | { readonly kind: 'certificate'; readonly certificate: string; readonly privateKey: string }
  readonly pki: string
  readonly sampling_ms: number
  readonly queue: number
  readonly timeout_ms: number
  /** True: find devices and zones by OPC 40082-1; false: the circuits' `nodes` say what to read. */
  readonly discover: boolean
  /** Medium and defaults for what is found. */
  readonly medium: Medium
  /** With `discover`: what the site says of the unit and its circuits, laid over whatever is found. */
  readonly settings?: UnitSettings
  readonly line: string
}

/** Name under which a secret is found at run time; never the secret. */
export type SecretRef = { readonly env: string } | { readonly file: string }

export interface ServicePlan {
  readonly historyFile: string
  /** How long inputs are kept for replay, ms. */
  readonly keepInputs_ms: number
  readonly http: { readonly host: string; readonly port: number }
  readonly mqtt: MqttPlan
  readonly webhook: WebhookPlan | null
  readonly canary_ms: number
}
export interface MqttPlan {
  /** null: the embedded broker is started. */
  readonly url: string | null
  readonly embedded: { readonly host: string; readonly port: number; readonly wsPort: number | null }
  readonly clientId: string
  readonly user: string | null
  readonly password: SecretRef | null
  readonly ca: string | null
  readonly certificate: string | null
  readonly privateKey: string | null
  readonly heartbeat_ms: number
  /** May a person acknowledge through MQTT? */
  readonly acceptCommands: boolean
}
export interface WebhookPlan {
  readonly url: string
  readonly headers: Readonly<Record<string, SecretRef | string>>
  readonly timeout_ms: number
  readonly minPriority: Priority
}
