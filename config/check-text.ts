import { signalInfo, SYMBOL } from '../rules/signals.ts'
import { format, type Finding } from './finding.ts'
import type { CircuitPlan, Condition, Plan, RulePlan, SourcePlan, StartDelay, UnitPlan } from './plan.ts'

/** How many requests one poll of a unit takes; the collector knows, service/ hands it in. */
export type RequestsPerPoll = (circuits: readonly CircuitPlan[]) => number

/**
 * What `mouldtend check` says: what would be polled and how often, which rules watch which signal with which numbers and delays,
 * and which of them nobody chose. Alike units are described once. Deterministic, ends with a line break.
 */
export function checkText(plan: Plan, warnings: readonly Finding[], requestsPerPoll: RequestsPerPoll): string {
  const lines = [
    `Site ${plan.site}, plan ${plan.version.slice(0, 12)}: ${count(plan.units.length, 'unit')}, ${count(circuitsOf(plan), 'circuit')}, ${count(plan.places.length, 'place')}, times in ${plan.timezone}.`,
    '',
    'What is asked',
    ...plan.sources.flatMap((source) => sourceLines(source, plan, requestsPerPoll)),
    '',
    'What is watched (* a starting value of mouldtend that nobody chose)',
    ...groups(plan.units).flatMap(unitLines),
    '',
    'Where it goes',
    ...serviceLines(plan),
    ...(warnings.length === 0 ? [] : ['', count(warnings.length, 'warning'), ...warnings.map((each) => `  ${format(each)}`)]),
  ]
  return `${lines.join('\n')}\n`
}

const circuitsOf = (plan: Plan): number => plan.units.reduce((sum, unit) => sum + unit.circuits.length, 0)
const count = (n: number, what: string): string => `${n} ${what}${n === 1 ? '' : 's'}`

function sourceLines(source: SourcePlan, plan: Plan, requestsPerPoll: RequestsPerPoll): string[] {
  const units = plan.units.filter((unit) => unit.source === source.id)
  const at = `(${source.line})`
  switch (source.kind) {
    case 'opcua': {
      const how =
        source.discover && units.every((unit) => unit.circuits.length === 0)
          ? 'its devices and zones are found at the start'
          : `${count(signalCount(units), 'signal')} by subscription`
      return [
        `  ${source.id}: OPC UA ${source.endpoint}, security ${source.securityMode}, ${how}, sampled every ${time(source.sampling_ms)} ${at}`,
      ]
    }
    case 'replay':
      return [`  ${source.id}: recording ${source.file} at ${source.speed === null ? 'full speed' : `${source.speed}x`} ${at}`]
    case 'modbus_tcp':
    case 'modbus_rtu_over_tcp':
    case 'modbus_serial': {
      const where = source.kind === 'modbus_serial' ? `${source.device} at ${source.baud} baud` : `${source.host}:${source.port}`
      const name = { modbus_tcp: 'Modbus TCP', modbus_rtu_over_tcp: 'Modbus RTU over TCP', modbus_serial: 'Modbus RTU' }[source.kind]
      const rate = units.reduce((sum, unit) => sum + (requestsPerPoll(unit.circuits) * 1000) / unit.poll_ms, 0)
      const addresses = source.units.map((unit) => unit.address)
      return [
        `  ${source.id}: ${name} ${where}, ${count(units.length, 'unit')} (address ${ranges(addresses)}), ${count(signalCount(units), 'signal')}, ${rounded(rate)} ${rate === 1 ? 'request' : 'requests'} a second ${at}`,
      ]
    }
  }
}

const signalCount = (units: readonly UnitPlan[]): number =>
  units.reduce((sum, unit) => sum + unit.circuits.reduce((own, circuit) => own + circuit.signals.length, 0), 0)

/** '1..20, 31' */
function ranges(numbers: readonly number[]): string {
  const sorted = numbers.toSorted((a, b) => a - b)
  const parts: string[] = []
  for (let from = 0; from < sorted.length;) {
    let to = from
    while (sorted[to + 1] === (sorted[to] ?? 0) + 1) to++
    parts.push(to > from + 1 ? `${sorted[from]}..${sorted[to]}` : sorted.slice(from, to + 1).join(', '))
    from = to + 1
  }
  return parts.join(', ')
}

/** Units that are described by the same words, in the order of the first of each. */
function groups(units: readonly UnitPlan[]): UnitPlan[][] {
  const byText = new Map<string, UnitPlan[]>()
  for (const unit of units) {
    const text = unitBody(unit).join('\n')
    const group = byText.get(text)
    if (group === undefined) byText.set(text, [unit])
    else group.push(unit)
  }
  return [...byText.values()]
}

function unitLines(group: readonly UnitPlan[]): string[] {
  const [first] = group
  if (first === undefined) return []
  const names =
    group.length <= 6
      ? group.map((unit) => unit.id).join(', ')
      : `${group
          .slice(0, 3)
          .map((unit) => unit.id)
          .join(', ')} … ${group.at(-1)?.id ?? ''} (${group.length} units)`
  return [`  ${names}`, ...unitBody(first)]
}

function unitBody(unit: UnitPlan): string[] {
  const head = `    ${unit.medium}, polled every ${time(unit.poll_ms)}, silent after ${time(unit.staleAfter_ms)}${unit.booting_ms === 0 ? '' : `, uncertain for ${time(unit.booting_ms)} after contact`}`
  const circuits = unit.circuits.map((circuit) => ({ circuit, body: circuitBody(circuit) }))
  const same = circuits.length > 1 && circuits.every(({ body }) => body.join() === circuits[0]?.body.join())
  const shown = same ? circuits.slice(0, 1) : circuits
  return [
    head,
    ...unit.rules.map((rule) => `    ${ruleLine(rule, unit.circuits[0] ?? null)}`),
    ...(unit.circuits.length === 0 ? ['    its circuits are found at the start and watched by the starting values for the medium'] : []),
    ...shown.flatMap(({ circuit, body }) => [
      `    circuit ${same ? circuits.map((each) => each.circuit.id).join(' and ') : circuit.id}: ${count(circuit.signals.length, 'signal')}`,
      `      reads  ${circuit.signals.join(', ')}`,
      ...body,
    ]),
  ]
}

function circuitBody(circuit: CircuitPlan): string[] {
  return circuit.rules.map((rule) => `      ${ruleLine(rule, circuit)}`)
}

function ruleLine(rule: RulePlan, circuit: CircuitPlan | null): string {
  const delays = [`on ${time(rule.onDelay_ms)}`, `off ${time(rule.offDelay_ms)}`]
  const instant = rule.onDelay_ms === 0 && rule.offDelay_ms === 0
  const parts = [
    conditionText(rule.condition, circuit),
    ...(instant ? [] : [delays.join(', ')]),
    ...(rule.start === null ? [] : [startText(rule.start)]),
    ...(rule.phases === null ? [] : [`only while ${rule.phases.join(', ')}`]),
    ...(rule.neverHidden ? ['never hidden'] : []),
    ...(rule.latch ? ['latched until reset'] : []),
  ]
  return `${rule.priority.padEnd(6)} ${rule.id}: ${parts.join('; ')}${rule.line === 'default' ? ' *' : ` (${rule.line})`}`
}

function startText(start: StartDelay): string {
  const of = [
    ...(start.onStart ? ['a start'] : []),
    ...(start.onSetValue ? [`a set value moved by ${rounded(start.setValueStep)} K or more`] : []),
  ]
  const hold = start.hold_ms === 0 ? '' : ` until in tolerance for ${time(start.hold_ms)}`
  const { pace } = start
  const longest =
    pace === undefined
      ? time(start.timeout_ms)
      : `the way to go at ${pace.heating_K_min} K/min and ${time(pace.heatingExtra_ms)} (down: ${pace.cooling_K_min} K/min and ${time(pace.coolingExtra_ms)}), ${time(pace.min_ms)} to ${time(pace.max_ms)}`
  return `after ${of.join(' or ')} it waits${hold}, at most ${longest}`
}

function conditionText(condition: Condition, circuit: CircuitPlan | null): string {
  switch (condition.kind) {
    case 'high':
    case 'low': {
      const unit = unitOf(condition.signal)
      return `${nameOf(condition.signal, circuit)} ${condition.kind === 'high' ? 'above' : 'below'} ${rounded(condition.limit)} ${unit}, deadband ${rounded(condition.deadband)} ${differenceOf(unit)}`
    }
    case 'band': {
      const unit = differenceOf(unitOf(condition.signal))
      return `${nameOf(condition.signal, circuit)} off ${referenceText(condition.reference)} by more than +${rounded(condition.plus)} / -${rounded(condition.minus)} ${unit}, deadband ${rounded(condition.deadband)} ${unit}`
    }
    case 'high_above': {
      const unit = differenceOf(unitOf(condition.signal))
      return `${nameOf(condition.signal, circuit)} above ${referenceText(condition.reference)}${condition.offset === 0 ? '' : ` by more than ${rounded(condition.offset)} ${unit}`}, deadband ${rounded(condition.deadband)} ${unit}`
    }
    case 'off_normal':
      return `${condition.signal} is not ${condition.normal}`
    case 'discrepancy':
      return `${nameOf(condition.signal, circuit)} not within ${rounded(condition.tolerance)} ${differenceOf(unitOf(condition.signal))} of ${referenceText(condition.reference)} after ${time(condition.expected_ms)}`
    case 'no_reading':
      return `no reading for ${time(condition.after_ms)} though the unit answers`
    case 'contact_lost':
      return condition.hot
        ? `no answer for ${time(condition.afterHot_ms)}, hot when last seen`
        : `no answer for ${time(condition.after_ms)}`
    case 'bad_signal':
      return `one of ${condition.signals.map((signal) => nameOf(signal, circuit)).join(', ')} cannot be judged`
    case 'switched_off_hot':
      return `off above ${rounded(condition.limit_degC)} °C${circuit !== null && condition.limit_degC === circuit.switchOff_degC ? " (or the unit's own lower value)" : ''}, deadband ${rounded(condition.deadband_K)} K`
    case 'unit_errors':
      return `an error of the unit's own of severity ${condition.minSeverity}..${condition.maxSeverity}`
  }
}

const CONTROL_NAMES = {
  main_line: 'temperature.main_line',
  return_line: 'temperature.return_line',
  external: 'temperature.external',
  unit: 'temperature at the control point',
} as const
const nameOf = (signal: string, circuit: CircuitPlan | null): string =>
  signal === 'control' ? CONTROL_NAMES[circuit?.controlPoint ?? 'unit'] : signal
const referenceText = (
  reference: { readonly kind: 'fixed'; readonly value: number } | { readonly kind: 'signal'; readonly signal: string },
): string => (reference.kind === 'fixed' ? rounded(reference.value) : reference.signal)

const unitOf = (signal: string): string => (signal === 'control' ? '°C' : SYMBOL[signalInfo(signal)?.measure ?? 'state'])
const differenceOf = (unit: string): string => (unit === '°C' ? 'K' : unit)
const rounded = (value: number): string => String(Number(value.toPrecision(4)))

/** '90 s', '15 min', '3 h', '250 ms' */
function time(ms: number): string {
  if (ms < 1000) return `${rounded(ms)} ms`
  if (ms <= 120_000) return `${rounded(ms / 1000)} s`
  if (ms < 2 * 3_600_000) return `${rounded(ms / 60_000)} min`
  return ms < 48 * 3_600_000 ? `${rounded(ms / 3_600_000)} h` : `${rounded(ms / 86_400_000)} d`
}

function serviceLines(plan: Plan): string[] {
  const { service } = plan
  const { mqtt, webhook } = service
  const broker = mqtt.url === null ? `a broker of its own on ${mqtt.embedded.host}:${mqtt.embedded.port}` : mqtt.url
  return [
    `  history: ${service.historyFile}, inputs kept for ${time(service.keepInputs_ms)}`,
    `  MQTT: ${broker}, topics mouldtend/${plan.site}/…${mqtt.acceptCommands ? ', acknowledging by MQTT is allowed' : ''}`,
    `  HTTP: http://${service.http.host}:${service.http.port}`,
    ...(webhook === null ? [] : [`  webhook: ${new URL(webhook.url).host}, from priority ${webhook.minPriority} upward`]),
  ]
}
