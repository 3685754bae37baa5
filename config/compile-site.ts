import { resolve } from 'node:path'
import { isSignalName, SIGNALS, type SignalName } from '../rules/signals.ts'
import { withVersion } from './canonical.ts'
import { mergeCircuit, type CircuitChoice, type Merged } from './choice.ts'
import type { GivenCircuit } from './compile-circuit.ts'
import { compileService } from './compile-service.ts'
import { Sources, type Reach } from './compile-sources.ts'
import { compileUnit } from './compile-unit.ts'
import { BOOTING_MS, SILENCE } from './defaults.ts'
import type { SourceText } from './document.ts'
import { expandUnits, numbered, pick, readList, type ExpandedUnit, type Say } from './expand.ts'
import { pathText, suggestion, type Finding, type Path } from './finding.ts'
import type { PlacePlan, Plan, SupplyPlan, UnitPlan } from './plan.ts'
import type { Profile, ProfileResult } from './profile.ts'
import type { SiteFile } from './site-schema.ts'
import type { Complain } from './own-rule.ts'
import { belongsToUnit } from './site-rules.ts'
import type { UnitSettings } from './unit-settings.ts'

export interface Compiled {
  readonly plan: Plan
  readonly findings: readonly Finding[]
}

/** All profiles that a site names, in the order of the file. */
export function profileNames(site: SiteFile): string[] {
  const layers = [
    ...Object.values(site.templates ?? {}),
    ...site.units,
    ...site.units.flatMap((unit) => Object.values(unit.overrides ?? {})),
  ]
  return [...new Set(layers.flatMap((layer) => (layer.profile === undefined ? [] : [layer.profile])))]
}

/** A checked site file to a plan. Pure. The plan is of use only where no finding is an error. @param dir what relative files are relative to. */
export function compileSite(site: SiteFile, source: SourceText, dir: string, profiles: ReadonlyMap<string, ProfileResult>): Compiled {
  const compiler = new Compiler(site, source, dir, profiles)
  return compiler.run()
}

/** Has a lifetime: one compilation, collecting what it finds. */
class Compiler {
  private readonly findings = new Map<string, Finding>()
  private readonly site: SiteFile
  private readonly source: SourceText
  private readonly dir: string
  private readonly profiles: ReadonlyMap<string, ProfileResult>
  private readonly unrated: { readonly circuit: string; readonly path: Path }[] = []

  constructor(site: SiteFile, source: SourceText, dir: string, profiles: ReadonlyMap<string, ProfileResult>) {
    this.site = site
    this.source = source
    this.dir = dir
    this.profiles = profiles
  }

  run(): Compiled {
    const { site } = this
    const places = this.places()
    const declared = new Set(places.map((place) => place.id))
    const expanded = expandUnits(site, this.say)
    const sources = new Sources({ site, dir: this.dir, line: this.line, say: this.say })
    const units: UnitPlan[] = []
    for (const unit of expanded) {
      const reach = sources.reach(unit)
      if (reach === null) {
        this.checkUnreached(unit, declared)
        continue
      }
      const compiled = this.unit(unit, reach, declared, places, sources)
      units.push(compiled)
    }
    this.unused(sources)
    this.tellUnrated()
    const plan = withVersion({
      site: site.site,
      timezone: this.timezone(),
      altitude_m: site.altitude ?? 0,
      places,
      supplies: this.supplies(expanded.map((unit) => unit.id)),
      sources: sources.plans(),
      units,
      service: compileService(site, this.dir, this.warn),
    })
    return { plan, findings: [...this.findings.values()] }
  }

  private unit(unit: ExpandedUnit, reach: Reach, declared: ReadonlySet<string>, places: PlacePlan[], sources: Sources): UnitPlan {
    const profile = this.profile(unit, reach)
    const ids = this.circuitIds(unit, profile, reach)
    const every = this.merge('', unit)
    const merged = new Map(ids.map((id) => [id, this.merge(id, unit)]))
    const poll_ms = pick(unit, 'poll')?.value ?? reach.poll_ms
    const stale = pick(unit, 'stale_after')
    const usual_ms = Math.max(SILENCE.polls * poll_ms, reach.stale_ms)
    if (stale !== null && stale.value < 2 * poll_ms) {
      this.warn(
        stale.path,
        `${stale.value / 1000} s is less than two polls of ${poll_ms / 1000} s: one late answer makes every value bad. Use ${usual_ms / 1000} s or more.`,
      )
    }
    const settings: UnitSettings = {
      unit: unit.id,
      serial: pick(unit, 'serial')?.value ?? '',
      medium: pick(unit, 'medium')?.value ?? 'water',
      source: reach.source,
      poll_ms,
      staleAfter_ms: stale?.value ?? usual_ms,
      booting_ms: pick(unit, 'booting')?.value ?? BOOTING_MS,
      every: every.choice,
      circuits: Object.fromEntries([...merged].map(([id, { choice }]) => [id, choice])),
    }
    this.checkChoices(unit, [every, ...merged.values()], declared)
    if (reach.discover) sources.settle(reach.source, settings)
    const given = reach.discover ? [] : ids.flatMap((id) => this.given(id, unit, reach, profile, merged.get(id) ?? every))
    const about = (circuit: string | null): Complain => this.complainer(unit, (circuit === null ? undefined : merged.get(circuit)) ?? every)
    const compiled = compileUnit(settings, given, declared, '', about)
    for (const place of compiled.places) if (!places.some((each) => each.id === place.id)) places.push(place)
    for (const circuit of compiled.unit.circuits) {
      const choice = merged.get(circuit.id)?.choice
      if (choice?.pressureRating_bar === null && circuit.signals.includes('pressure.main_line'))
        this.unrated.push({ circuit: circuit.key, path: unit.path })
    }
    if (reach.discover && every.choice.pressureRating_bar === null) this.unrated.push({ circuit: unit.id, path: unit.path })
    return compiled.unit
  }

  /** What can be said of a unit though nobody knows how it is reached. */
  private checkUnreached(unit: ExpandedUnit, declared: ReadonlySet<string>): void {
    this.checkChoices(unit, [this.merge('', unit)], declared)
    if (pick(unit, 'profile') !== null && pick(unit, 'opcua') === null) this.profile(unit, { kind: 'modbus_tcp' })
  }

  private profile(unit: ExpandedUnit, reach: Pick<Reach, 'kind'>): Profile | null {
    const named = pick(unit, 'profile')
    if (named === null) {
      if (reach.kind.startsWith('modbus'))
        this.say(
          unit.path,
          `unit "${unit.id}" has no profile, so that nobody knows what its registers mean. Add profile, for one of ${[...SHIPPED].join(', ')} or a file of your own.`,
        )
      return null
    }
    if (reach.kind === 'opcua') {
      this.say(named.path, 'an OPC UA unit has no register profile: it is discovered, or read by nodes. Take it out.')
      return null
    }
    const found = this.profiles.get(named.value)
    if (found === undefined) {
      this.say(
        named.path,
        `there is no profile "${named.value}". ${suggestion(named.value, SHIPPED)} A file of your own is named like ./my-unit.yaml.`,
      )
      return null
    }
    if (found.kind === 'ok') return found.profile
    this.say(
      named.path,
      `the profile has ${found.errors.length === 1 ? 'an error' : `${found.errors.length} errors`}. Correct ${found.errors[0]?.file ?? named.value} first.`,
    )
    return null
  }

  private circuitIds(unit: ExpandedUnit, profile: Profile | null, reach: Reach): string[] {
    const named = new Set(unit.layers.flatMap(({ fields }) => Object.keys(fields.circuits ?? {})))
    if (reach.discover) return [...named]
    return named.size > 0 ? [...named] : [profile?.circuits[0] ?? 'a']
  }

  private merge(circuit: string, unit: ExpandedUnit): Merged {
    return mergeCircuit(circuit, unit.layers, this.site.rules ?? {}, this.line)
  }

  /** What a circuit has: rows of its profile, its nodes, or the signals of a recording. */
  private given(id: string, unit: ExpandedUnit, reach: Reach, profile: Profile | null, { choice, paths }: Merged): GivenCircuit[] {
    const at = (setting: string): Path => paths.get(setting) ?? unit.path
    if (reach.kind === 'opcua') return this.byNodes(id, choice, at, unit)
    if (reach.kind === 'replay') {
      const signals = choice.signals.length > 0 ? choice.signals : (profile?.mapFor(id, choice.base)?.rows.map((row) => row.signal) ?? [])
      if (signals.length === 0)
        this.say(
          unit.path,
          `nothing says which signals the recording of "${unit.id}" has. Add signals, or the profile it was recorded with.`,
        )
      return [{ id, signals: this.signalNames(signals, at('signals')), registers: null, nodes: [] }]
    }
    if (choice.signals.length > 0) this.say(at('signals'), 'the profile says which signals there are. Take signals out.')
    if (Object.keys(choice.nodes).length > 0)
      this.say(at(`nodes ${Object.keys(choice.nodes)[0] ?? ''}`), 'nodes are for OPC UA. Take them out.')
    if (profile === null) return []
    const registers = profile.mapFor(id, choice.base)
    if (registers === null) {
      this.say(
        this.circuitPath(unit, id),
        `profile ${profile.name} has no circuit "${id}". ${suggestion(id, profile.circuits)} Or add base, its first address.`,
        'key',
      )
      return []
    }
    const signals = registers.rows.map((row) => row.signal)
    // The unit's own errors ride beside the values; these two count them, where no register does.
    const extra =
      registers.errors.length === 0 ? [] : (['active_errors', 'highest_active_severity'] as const).filter((each) => !signals.includes(each))
    return [{ id, signals: [...signals, ...extra], registers, nodes: [] }]
  }

  private byNodes(id: string, choice: CircuitChoice, at: (setting: string) => Path, unit: ExpandedUnit): GivenCircuit[] {
    const entries = Object.entries(choice.nodes)
    if (entries.length === 0) this.say(this.circuitPath(unit, id), `circuit "${id}" has no nodes. Add nodes, or leave discover on.`, 'key')
    const good = entries.flatMap(([name, node]): [SignalName, string][] => {
      if (!/^(?:ns=\d+;|nsu=[^;]+;)?[isgb]=.+$/.test(node))
        this.say(at(`nodes ${name}`), `"${node}" is no node id. Write it like "ns=2;s=Zone1.Actual".`)
      if (isSignalName(name)) return [[name, node]]
      this.say(at(`nodes ${name}`), `there is no signal "${name}". ${suggestion(name, Object.keys(SIGNALS))}`, 'key')
      return []
    })
    return [{ id, signals: good.map(([name]) => name), registers: null, nodes: good.map(([, node]) => node) }]
  }

  private signalNames(names: readonly string[], path: Path): SignalName[] {
    const seen = new Set<string>()
    return names.flatMap((name) => {
      if (seen.has(name)) this.say(path, `names ${name} twice. Take one out.`)
      seen.add(name)
      if (isSignalName(name)) return [name]
      this.say(path, `there is no signal "${name}". ${suggestion(name, Object.keys(SIGNALS))}`)
      return []
    })
  }

  private circuitPath(unit: ExpandedUnit, id: string): Path {
    const layer = unit.layers.findLast(({ fields }) => fields.circuits?.[id] !== undefined)
    return layer === undefined ? unit.path : [...layer.path, 'circuits', id]
  }

  private checkChoices(unit: ExpandedUnit, merged: readonly Merged[], declared: ReadonlySet<string>): void {
    for (const { choice, paths } of merged) {
      // A site that declares no places at all names them where they are used.
      if (choice.place !== null && this.site.places !== undefined && !declared.has(choice.place)) {
        this.say(paths.get('place') ?? unit.path, `there is no place "${choice.place}". ${suggestion(choice.place, declared)}`)
      }
    }
    for (const { fields, path } of unit.layers) {
      for (const [circuit, own] of Object.entries(fields.circuits ?? {})) {
        for (const id of Object.keys(own.rules ?? {})) {
          if (belongsToUnit(id))
            this.say([...path, 'circuits', circuit, 'rules', id], 'belongs to the whole unit. Write it under the rules of the unit.', 'key')
        }
      }
    }
  }

  private complainer(unit: ExpandedUnit, { paths }: Merged): Complain {
    return (level, setting, below, text) => {
      const path = paths.get(setting)
      const name = setting === '' ? `unit "${unit.id}" ` : ''
      this.add(
        level,
        path === undefined ? unit.path : [...path, ...below],
        `${name}${text}`,
        path !== undefined && below.length === 0 ? 'key' : 'value',
      )
    }
  }

  private places(): PlacePlan[] {
    const places: PlacePlan[] = []
    for (const [index, entry] of (this.site.places ?? []).entries()) {
      const path: Path = ['places', index]
      const { list, ...one } = entry
      for (const n of list === undefined ? [null] : readList(list, [...path, 'list'], this.say)) {
        const place = numbered(one, n)
        if (places.some((each) => each.id === place.id)) {
          this.say(
            [...path, 'id'],
            `the place "${place.id}" is there already. Give each place an id of its own${list === undefined ? '' : ', with <n> or <nn> in a list'}.`,
          )
          continue
        }
        const { id, name = id, machine = '', half = '', connection = '' } = place
        places.push({ id, name, machine, half, connection })
      }
    }
    return places
  }

  private supplies(units: readonly string[]): SupplyPlan[] {
    const seen = new Set<string>()
    return (this.site.supplies ?? []).map((supply, index) => {
      if (seen.has(supply.id))
        this.say(['supplies', index, 'id'], `the supply "${supply.id}" is there already. Give each an id of its own.`)
      seen.add(supply.id)
      const members = supply.units.flatMap((name, at) => {
        const found = name.endsWith('*')
          ? units.filter((unit) => unit.startsWith(name.slice(0, -1)))
          : units.filter((unit) => unit === name)
        if (found.length === 0) this.say(['supplies', index, 'units', at], `there is no unit "${name}". ${suggestion(name, units)}`)
        return found
      })
      return { id: supply.id, name: supply.name ?? supply.id, kind: supply.kind, units: [...new Set(members)] }
    })
  }

  private timezone(): string {
    const wish = this.site.timezone
    if (wish === undefined) return 'UTC'
    try {
      return new Intl.DateTimeFormat('en', { timeZone: wish }).resolvedOptions().timeZone === 'UTC' ? 'UTC' : wish
    } catch {
      // RangeError is how Intl says that there is no such zone.
      this.say(
        ['timezone'],
        `there is no time zone "${wish}". ${suggestion(wish, Intl.supportedValuesOf('timeZone'))} Write it like "Europe/Vienna".`,
      )
      return 'UTC'
    }
  }

  private unused(sources: Sources): void {
    for (const name of Object.keys(this.site.lines ?? {})) {
      if (!sources.usedLines.has(name)) this.warn(['lines', name], 'no unit is on this line. Nothing is asked through it.', 'key')
    }
    const used = new Set(
      this.site.units.flatMap((unit) => [unit.template, ...Object.values(unit.overrides ?? {}).map((each) => each.template)]),
    )
    for (const name of Object.keys(this.site.templates ?? {}))
      if (!used.has(name)) this.warn(['templates', name], 'no unit uses this template.', 'key')
  }

  private tellUnrated(): void {
    const first = this.unrated[0]
    if (first === undefined) return
    const names = this.unrated.slice(0, 5).map((each) => each.circuit)
    const more = this.unrated.length > 5 ? ` and ${this.unrated.length - 5} more` : ''
    this.warn(
      first.path,
      `no pressure_rating for ${names.join(', ')}${more}: the main-line pressure is not watched there. Write what the weakest hose, coupling or mould is made for, like "10 bar".`,
    )
  }

  private readonly line = (path: Path): string => `${this.source.file}:${this.source.at(path).line}`
  private readonly say: Say = (path, text, part = 'value') => this.add('error', path, text, part)
  private readonly warn: Say = (path, text, part = 'value') => this.add('warning', path, text, part)
  private add(level: Finding['level'], path: Path, text: string, part: 'key' | 'value'): void {
    const finding: Finding = { level, file: this.source.file, ...this.source.at(path, part), path: pathText(path), text }
    // The same fault of a template, met by each unit of a list, is told once.
    this.findings.set(`${finding.line}:${finding.column} ${finding.text}`, finding)
  }
}

/** Profiles that come with mouldtend. */
export const SHIPPED: readonly string[] = ['tenths16', 'float32swap']
export const profileFile = (name: string, dir: string): string | null => (/[./\\]/.test(name) ? resolve(dir, name) : null)
