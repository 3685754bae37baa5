import type { SignalName } from '../rules/signals.ts'
import { isSignalName, signalInfo, SIGNALS } from '../rules/signals.ts'
import type { CircuitChoice } from './choice.ts'
import { defaultCircuitRules, defaultUnitRules, hasControl, type CircuitFacts } from './default-rules.ts'
import { BY_MEDIUM, defaultTolerance_K } from './defaults.ts'
import { suggestion } from './finding.ts'
import type { CircuitPlan, Medium, RulePlan } from './plan.ts'
import { resolutionOf } from './profile.ts'
import { parseQuantity } from './quantity.ts'
import type { RegisterMap } from './register-map.ts'
import type { Complain } from './own-rule.ts'
import { finishRules } from './site-rules.ts'

/** What a circuit has, whether a profile, explicit nodes or discovery says so. */
export interface GivenCircuit {
  readonly id: string
  readonly signals: readonly SignalName[]
  readonly registers: RegisterMap | null
  readonly nodes: readonly string[]
}
export interface UnitFrame {
  readonly id: string
  readonly medium: Medium
  readonly staleAfter_ms: number
}

export function compileCircuit(
  unit: UnitFrame,
  given: GivenCircuit,
  choice: CircuitChoice,
  place: string,
  complain: Complain,
): CircuitPlan {
  const signals = new Set(given.signals)
  const controlPoint = choice.controlPoint ?? 'unit'
  const wish = choice.tolerance
  const usual_K = defaultTolerance_K(unit.medium, controlPoint)
  const tolerance = wish ?? { plus_K: usual_K, minus_K: usual_K }
  const key = `${unit.id}/${given.id}`
  const facts: CircuitFacts = {
    medium: unit.medium,
    controlPoint,
    tolerance,
    signals,
    step: (signal) => stepOf(given.registers, signal === 'control' ? controlSignal(controlPoint, signals) : signal),
    tellsPhase: signals.has('operating_mode') || (signals.has('temperature.set_value') && hasControl({ controlPoint, signals })),
  }
  if (given.signals.length > 0) judgeCircuit(facts, choice, complain)
  const limits = readLimits(choice, signals, complain)
  const rules = finishRules(defaultCircuitRules(facts, { ...choice, limits }), {
    owner: key,
    facts,
    rules: choice.rules,
    broad: choice.broad,
    lines: choice.lines,
    staleAfter_ms: unit.staleAfter_ms,
    complain,
  })
  checkOffHot(rules, complain)
  checkNested(rules, Object.keys(limits), complain)
  const warn = rules.find((rule) => rule.id === 'off_hot.warn')?.condition
  return {
    key,
    id: given.id,
    place,
    signals: given.signals,
    controlPoint,
    registers: given.registers,
    nodes: given.nodes,
    texts: textsOf(given.registers),
    switchOff_degC: warn?.kind === 'switched_off_hot' ? warn.limit_degC : (choice.switchOff_degC ?? BY_MEDIUM[unit.medium].switchOff_degC),
    tolerance,
    rules,
  }
}

export function compileUnitRules(unit: UnitFrame, choice: CircuitChoice, complain: Complain): readonly RulePlan[] {
  const { rules, broad, lines } = choice
  return finishRules(defaultUnitRules(), { owner: unit.id, facts: null, rules, broad, lines, staleAfter_ms: unit.staleAfter_ms, complain })
}

const CONTROL = {
  main_line: 'temperature.main_line',
  return_line: 'temperature.return_line',
  external: 'temperature.external',
  unit: 'temperature.actual',
} as const
function controlSignal(point: CircuitPlan['controlPoint'], signals: ReadonlySet<SignalName>): SignalName {
  const wanted = CONTROL[point]
  if (signals.has(wanted)) return wanted
  return signals.has('temperature.actual') ? 'temperature.actual' : 'temperature.main_line'
}

function stepOf(map: RegisterMap | null, signal: SignalName): number {
  const row = map?.rows.find((each) => each.signal === signal)
  return row === undefined ? 0 : resolutionOf(row)
}

function textsOf(map: RegisterMap | null): CircuitPlan['texts'] {
  return Object.fromEntries(
    (map?.rows ?? []).flatMap((row) => (Object.keys(row.enumeration).length === 0 ? [] : [[row.signal, row.enumeration]])),
  )
}

/** Says what this circuit cannot be watched for, and refuses a control point that it has no sensor for. */
function judgeCircuit(facts: CircuitFacts, choice: CircuitChoice, complain: Complain): void {
  const { signals } = facts
  if (choice.controlPoint !== null && choice.controlPoint !== 'unit' && !signals.has(CONTROL[choice.controlPoint])) {
    complain(
      'error',
      'control_point',
      [],
      `is ${choice.controlPoint}, but the map of this circuit does not give ${CONTROL[choice.controlPoint]}. Name a sensor that the unit has.`,
    )
  }
  if (!hasControl(facts))
    complain(
      'warning',
      '',
      [],
      'gives no temperature at the control point: deviation and switching off while hot are not watched. Complete its map or its nodes.',
    )
  else if (!signals.has('temperature.set_value')) {
    complain(
      'warning',
      '',
      [],
      'gives no set value: deviation is not watched. Give limits for temperature.actual, or complete its map or its nodes.',
    )
  }
}

const ORDER = ['low_low', 'low', 'high', 'high_high'] as const

/** Limits as numbers in the unit of their signal. Each must be beyond the next one inward (OPC 10000-9, 5.8.18). */
function readLimits(choice: CircuitChoice, signals: ReadonlySet<SignalName>, complain: Complain): CircuitChoice['limits'] {
  const read: Record<string, Record<string, number>> = {}
  for (const [name, given] of Object.entries(choice.limits)) {
    const setting = `limits ${name}`
    const info = isSignalName(name) ? signalInfo(name) : null
    if (!isSignalName(name) || info === null) {
      complain('error', setting, [], `there is no such signal. ${suggestion(name, Object.keys(SIGNALS))}`)
      continue
    }
    if (signals.size > 0 && !signals.has(name)) {
      complain('error', setting, [], `the map of this circuit does not give ${name}. ${suggestion(name, signals)}`)
      continue
    }
    const numbers: Record<string, number> = {}
    for (const key of ORDER) {
      const text = given[key]
      if (text === undefined) continue
      const found = parseQuantity(text, info.measure)
      if (found.kind === 'ok') numbers[key] = found.value
      else complain('error', setting, [key], `expected ${found.expected}, found ${JSON.stringify(text)}. ${found.todo}`)
    }
    const there = ORDER.filter((key) => numbers[key] !== undefined)
    for (const [index, key] of there.entries()) {
      const below = there[index - 1]
      if (below !== undefined && !((numbers[below] ?? 0) < (numbers[key] ?? 0))) {
        complain(
          'error',
          setting,
          [key],
          `${key} is ${numbers[key]} and not above ${below}, which is ${numbers[below]}. The order is low_low < low < high < high_high.`,
        )
      }
    }
    read[name] = numbers
  }
  return read
}

function checkOffHot(rules: readonly RulePlan[], complain: Complain): void {
  const limit = (id: string): number | null => {
    const condition = rules.find((rule) => rule.id === id)?.condition
    return condition?.kind === 'switched_off_hot' ? condition.limit_degC : null
  }
  const [warn, high] = [limit('off_hot.warn'), limit('off_hot.high')]
  if (warn !== null && high !== null && warn >= high) {
    complain(
      'error',
      'switch_off',
      [],
      `is ${warn} °C and not below ${high} °C, from which "switched off while hot" is of high priority. Lower it, or raise the limit of the rule off_hot.high.`,
    )
  }
}

/** An outer limit whose deadband reaches past the inner one would hold the inner one back although its own cause is gone (OPC 10000-9, 5.8.18). */
function checkNested(rules: readonly RulePlan[], limited: readonly string[], complain: Complain): void {
  const find = (id: string): { limit: number; deadband: number } | null => {
    const condition = rules.find((rule) => rule.id === id)?.condition
    return condition?.kind === 'high' || condition?.kind === 'low' ? condition : null
  }
  for (const name of limited) {
    for (const [inner, outer, side] of [
      [find(`${name}.high`), find(`${name}.high_high`), 1],
      [find(`${name}.low`), find(`${name}.low_low`), -1],
    ] as const) {
      if (inner === null || outer === null || side * (outer.limit - inner.limit) <= 0) continue
      if (side * (outer.limit - inner.limit) > outer.deadband) continue
      const key = side === 1 ? 'high_high' : 'low_low'
      complain(
        'error',
        `limits ${name}`,
        [key],
        `${key} is ${outer.limit} with a deadband of ${outer.deadband}, which reaches the inner limit ${inner.limit}. Set them further apart, or give the rule ${name}.${key} a smaller deadband.`,
      )
    }
  }
}
