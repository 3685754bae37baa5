import { SIGNALS, signalInfo, isSignalName, type SignalName } from '../rules/signals.ts'
import { convert, dimensionOf, isUnitSlug, unitByDisplayName, unitDimension, writtenUnits } from '../rules/units.ts'
import { parseText, type SourceText } from './document.ts'
import { pathText, suggestion, type Finding, type Path } from './finding.ts'
import { profileSchema, type ProfileErrors, type ProfileFile, type ProfileRow } from './profile-schema.ts'
import { parseQuantity } from './quantity.ts'
import type { ErrorBits, NumberType, RegisterMap, RegisterRow, Table } from './register-map.ts'
import { checkWith } from './schema-words.ts'

/** A checked profile: a register map for each circuit that the unit type can have, addresses final. */
export interface Profile {
  readonly name: string
  readonly file: string
  /** Circuits in the order of the file; 'a' alone where the profile names none. */
  readonly circuits: readonly string[]
  readonly mapFor: (circuit: string, base: number | null) => RegisterMap | null
}
export type ProfileResult =
  | { readonly kind: 'ok'; readonly profile: Profile; readonly warnings: readonly Finding[] }
  | { readonly kind: 'bad'; readonly errors: readonly Finding[] }

const WORDS: Readonly<Record<NumberType, number>> = {
  int16: 1,
  uint16: 1,
  int32: 2,
  uint32: 2,
  int64: 4,
  uint64: 4,
  float32: 2,
  float64: 4,
}
const LAST_ADDRESS = 65_535
const isBitTable = (table: Table): boolean => table === 'coil' || table === 'discrete_input'
/** Severity of an error whose profile does not say: the middle of the middle band, so that it is neither lost nor cried. */
const SEVERITY = 500

/** Parses and checks a profile. Every complaint has its place in the file. */
export function parseProfile(text: string, file: string): ProfileResult {
  const source = parseText(text, file)
  if (source.value === undefined) return { kind: 'bad', errors: source.findings }
  const { data, findings } = checkWith(profileSchema, source)
  if (data === null) return { kind: 'bad', errors: [...source.findings, ...findings] }
  const build = new Build(source, data)
  const profile = build.profile()
  const errors = [...source.findings, ...build.findings].filter((finding) => finding.level === 'error')
  if (errors.length > 0) return { kind: 'bad', errors }
  return { kind: 'ok', profile, warnings: build.findings }
}

interface Extra {
  readonly base: number
  readonly signals: Readonly<Record<string, ProfileRow>>
  readonly errors: readonly ProfileErrors[]
}

/** Has a lifetime: the check of one file, collecting what it finds. */
class Build {
  readonly findings: Finding[] = []
  private readonly source: SourceText
  private readonly file: ProfileFile

  constructor(source: SourceText, file: ProfileFile) {
    this.source = source
    this.file = file
  }

  profile(): Profile {
    const extras = this.extras()
    const maps = new Map([...extras].map(([circuit, extra]) => [circuit, this.map(circuit, extra, extras)]))
    if (this.file.phases !== undefined && this.file.signals['operating_mode'] === undefined) {
      this.error(
        ['phases'],
        'phases are read from the signal operating_mode, which stands nowhere. Add it under signals, or leave phases out.',
      )
    }
    return {
      name: this.file.name,
      file: this.source.file,
      circuits: [...extras.keys()],
      mapFor: (circuit, base) => {
        if (base === null) return maps.get(circuit) ?? null
        const extra = extras.get(circuit) ?? { base, signals: {}, errors: [] }
        return new Build(this.source, this.file).map(circuit, { ...extra, base }, new Map([[circuit, { ...extra, base }]]))
      },
    }
  }

  private extras(): Map<string, Extra> {
    const circuits = Object.entries(this.file.circuits ?? { a: 0 })
    if (circuits.length === 0) this.error(['circuits'], 'a unit has one circuit at least. Write circuits: { a: 0 }, or leave it out.')
    return new Map(
      circuits.map(([id, given]) => [
        id,
        typeof given === 'number'
          ? { base: given, signals: {}, errors: [] }
          : { base: given.base, signals: given.signals ?? {}, errors: given.errors ?? [] },
      ]),
    )
  }

  private map(circuit: string, extra: Extra, all: ReadonlyMap<string, Extra>): RegisterMap {
    const holes = (this.file.holes ?? []).flatMap((hole, index) => {
      if (hole.to < hole.from) this.error(['holes', index, 'to'], `ends at ${hole.to} before it begins at ${hole.from}. Swap them.`)
      // One request may serve several circuits, so each map knows the holes of all.
      return [...all.values()].map(({ base }) => ({
        table: hole.table ?? this.table(),
        from: hole.from + base,
        to: Math.min(LAST_ADDRESS, hole.to + base),
      }))
    })
    const own: Path = ['circuits', circuit]
    const named = new Map<string, { readonly given: ProfileRow; readonly path: Path }>()
    for (const [name, given] of Object.entries(this.file.signals)) named.set(name, { given, path: ['signals', name] })
    for (const [name, given] of Object.entries(extra.signals)) named.set(name, { given, path: [...own, 'signals', name] })
    const rows = [...named].flatMap(([name, { given, path }]) => this.row(name, given, path, extra.base))
    const errors = [
      ...(this.file.errors ?? []).map((given, index) => this.errors(given, ['errors', index], extra.base)),
      ...extra.errors.map((given, index) => this.errors(given, [...own, 'errors', index], extra.base)),
    ]
    const map: RegisterMap = {
      profile: this.file.name,
      rows,
      errors,
      phases: this.file.phases ?? {},
      maxRegisters: this.file.limits?.registers ?? 125,
      maxBits: this.file.limits?.bits ?? 2000,
      gap: this.file.limits?.gap ?? 8,
      holes,
    }
    for (const row of rows) {
      const hole = holes.find((each) => each.table === row.table && each.from <= lastOf(row) && row.address <= each.to)
      if (hole !== undefined) {
        this.error(
          named.get(row.signal)?.path ?? [],
          `address ${row.address} lies in the hole ${hole.from}..${hole.to}, which is never asked for. Correct one of the two.`,
        )
      }
    }
    return map
  }

  private row(name: string, given: ProfileRow, path: Path, base: number): RegisterRow[] {
    if (!isSignalName(name)) {
      this.errorAtKey(path, `there is no such signal. ${suggestion(name, Object.keys(SIGNALS))}`)
      return []
    }
    const table = given.table ?? this.table()
    const bitTable = isBitTable(table)
    const isBit = bitTable || given.bit !== undefined || given.width !== undefined
    const type = isBit ? 'bit' : (given.type ?? this.file.defaults?.type ?? 'int16')
    if (isBit && given.type !== undefined) this.error([...path, 'type'], 'a bit has no number type. Leave type out.')
    const width = given.width ?? 1
    const bit = given.bit ?? 0
    if (bitTable && given.bit !== undefined) this.error([...path, 'bit'], `a ${table} is one bit already. Leave bit out.`)
    if (!bitTable && bit + width > 16)
      this.error([...path, 'width'], `bits ${bit}..${bit + width - 1} reach past a 16-bit register. Lower bit or width.`)
    const address = given.address + base
    const row: RegisterRow = {
      signal: name,
      table,
      address,
      type,
      bit: isBit ? bit : 0,
      width: isBit ? width : 1,
      words: given.words ?? this.file.defaults?.words ?? 'high_first',
      bytes: given.bytes ?? this.file.defaults?.bytes ?? 'high_first',
      decimals: given.decimals ?? (type === 'float32' || type === 'float64' ? null : 0),
      offset: given.offset ?? 0,
      unit: this.unit(name, given, path),
      notAvailable: given.not_available ?? (isBit ? [] : (this.file.defaults?.not_available ?? [])),
      min: this.bound(name, given.min, [...path, 'min']),
      max: this.bound(name, given.max, [...path, 'max']),
      enumeration: given.enumeration ?? {},
      inverted: given.sense === 'closed',
      line: `${this.source.file}:${this.source.at(path).line}`,
    }
    if (lastOf(row) > LAST_ADDRESS)
      this.error(
        [...path, 'address'],
        `ends at ${lastOf(row)}, past the last address ${LAST_ADDRESS}. Lower the address or the base of circuit.`,
      )
    if (row.min !== null && row.max !== null && row.min >= row.max)
      this.error([...path, 'max'], 'is not above min, so that no value would be good. Correct one of the two.')
    this.contact(name, given, path, isBit)
    return [row]
  }

  private contact(name: string, given: ProfileRow, path: Path, isBit: boolean): void {
    if (name === 'alarm_contact' && given.sense === undefined) {
      this.error(path, 'the sense of the alarm contact is not said. Add sense: closed if it is closed while all is well, else sense: open.')
    }
    if (given.sense !== undefined && !isBit) this.error([...path, 'sense'], 'only a bit has a sense. Add bit: 0, or leave sense out.')
    if (given.enumeration !== undefined && signalInfo(name)?.kind !== 'state')
      this.error([...path, 'enumeration'], `${name} is a measured value and no state. Leave enumeration out.`)
  }

  /** The unit as a slug that the conversion table knows. */
  private unit(name: SignalName, given: ProfileRow, path: Path): string {
    const measure = signalInfo(name)?.measure ?? 'state'
    const dimension = dimensionOf(measure)
    if (given.unit === undefined) {
      if (dimension !== 'number')
        this.error(path, `the unit of ${name} is not said. Add unit, one of ${writtenUnits(dimension).join(', ')}.`)
      return measure
    }
    const slug = unitByDisplayName(given.unit)
    if (slug === null || unitDimension(slug) !== dimension) {
      this.error([...path, 'unit'], `"${given.unit}" is no unit for ${name}. Known: ${writtenUnits(dimension).join(', ')}.`)
      return measure
    }
    return slug
  }

  private bound(name: SignalName, given: string | number | undefined, path: Path): number | null {
    if (given === undefined) return null
    const found = parseQuantity(given, signalInfo(name)?.measure ?? 'state')
    if (found.kind === 'ok') return found.value
    this.error(path, `expected ${found.expected}. ${found.todo}`)
    return null
  }

  private errors(given: ProfileErrors, path: Path, base: number): ErrorBits {
    const table = given.table ?? this.table()
    const chosen = given.bits ?? given.codes
    if (chosen === undefined || (given.bits !== undefined && given.codes !== undefined)) {
      this.error(
        path,
        'says neither bits nor codes, or both. Write bits where each error has its bit, codes where the register holds one number.',
      )
    }
    if (given.codes !== undefined && isBitTable(table)) this.error([...path, 'codes'], `a ${table} holds no number. Write bits.`)
    const texts = Object.entries(chosen ?? {}).map(([when, error]) => ({
      when: Number(when),
      id: error.id,
      text: error.text,
      severity: error.severity ?? SEVERITY,
    }))
    for (const { when } of given.codes === undefined ? texts : []) {
      if (when < 0 || when > 255)
        this.error([...path, 'bits', String(when)], `${when} is no bit number. Bits count from 0 upward, 16 a register.`)
    }
    return {
      table,
      address: given.address + base,
      line: `${this.source.file}:${this.source.at(path).line}`,
      code: given.codes !== undefined,
      texts,
    }
  }

  private table(): Table {
    return this.file.defaults?.table ?? 'holding_register'
  }

  private error(path: Path, message: string): void {
    this.add(path, message, 'value')
  }
  private errorAtKey(path: Path, message: string): void {
    this.add(path, message, 'key')
  }
  private add(path: Path, text: string, part: 'key' | 'value'): void {
    const finding: Finding = { level: 'error', file: this.source.file, ...this.source.at(path, part), path: pathText(path), text }
    // Each circuit of the profile meets the same fault; it is told once.
    if (!this.findings.some((each) => each.path === finding.path && each.text === finding.text)) this.findings.push(finding)
  }
}

const lastOf = (row: RegisterRow): number =>
  row.address + (row.type === 'bit' ? (isBitTable(row.table) ? row.width : 1) : WORDS[row.type]) - 1

/** One step of a signal in its canonical unit: what the register can tell apart. 0 where it is not known. */
export function resolutionOf(row: RegisterRow): number {
  const measure = signalInfo(row.signal)?.measure ?? 'state'
  if (row.decimals === null || row.type === 'bit') return 0
  const step = 10 ** -row.decimals
  // A step is a difference: it never gets an offset.
  return isUnitSlug(row.unit) ? (convert(step, row.unit, measure === 'degC' ? 'K' : measure) ?? step) : step
}
