import { resolve } from 'node:path'
import { POLL, SILENCE } from './defaults.ts'
import type { ExpandedUnit, Say } from './expand.ts'
import { pick, WAYS } from './expand.ts'
import { pathText, suggestion, type Path } from './finding.ts'
import type { ModbusUnit, OpcUaSource, SourcePlan } from './plan.ts'
import { placedSecret } from './secrets.ts'
import type { LinkSettings, OpcUaSettings, SiteFile, UnitLayer } from './site-schema.ts'

type Modbus = Extract<SourcePlan, { readonly units: readonly ModbusUnit[] }>
/** How a unit is reached, and what follows from that. */
export interface Reach {
  readonly source: string
  readonly kind: SourcePlan['kind']
  readonly discover: boolean
  readonly poll_ms: number
  readonly stale_ms: number
}
export interface SourceContext {
  readonly site: SiteFile
  readonly dir: string
  readonly line: (path: Path) => string
  readonly say: Say
}

const TIMEOUT_MS = { tcp: 1000, serial: 1000, opcua: 5000 } as const
const MODBUS_PORT = 502

/**
 * The connections of a site. Units behind one gateway or on one serial line share one connection and are asked in turn, however
 * they are written: by the name of a line, or each with the same host and port.
 */
export class Sources {
  private readonly context: SourceContext
  private readonly made = new Map<
    string,
    { readonly source: Modbus; readonly units: ModbusUnit[]; readonly settings: string; readonly path: Path }
  >()
  private readonly others = new Map<
    string,
    { source: OpcUaSource | Extract<SourcePlan, { readonly kind: 'replay' }>; readonly path: Path; readonly settings: string }
  >()
  private readonly order = new Set<string>()
  readonly usedLines = new Set<string>()

  constructor(context: SourceContext) {
    this.context = context
  }

  /** All sources in the order in which they were first needed. */
  plans(): SourcePlan[] {
    const plans = new Map<string, SourcePlan>()
    for (const { source, units } of this.made.values()) plans.set(source.id, { ...source, units })
    for (const { source } of this.others.values()) plans.set(source.id, source)
    return [...this.order].flatMap((id) => plans.get(id) ?? [])
  }

  /** Finds or makes the source of a unit; null, with a complaint, where the site does not say how it is reached. */
  reach(unit: ExpandedUnit): Reach | null {
    const { say } = this.context
    const layer = unit.layers.findLast(({ fields }) => WAYS.some((way) => fields[way] !== undefined))
    if (layer === undefined) {
      say(unit.path, `nothing says how unit "${unit.id}" is reached. Add line, connection, opcua or replay.`)
      return null
    }
    const ways = WAYS.filter((way) => layer.fields[way] !== undefined)
    if (ways.length > 1) {
      say(layer.path, `has ${ways.join(' and ')}, but a unit is reached in one way. Keep one.`)
      return null
    }
    const { line, connection, opcua, replay } = layer.fields
    const reach =
      line !== undefined
        ? this.onLine(unit, line, [...layer.path, 'line'])
        : connection !== undefined
          ? this.modbus(unit, connection, [...layer.path, 'connection'], unit.id)
          : opcua !== undefined
            ? this.opcua(unit, opcua, [...layer.path, 'opcua'])
            : replay === undefined
              ? null
              : this.replay(unit, replay, [...layer.path, 'replay'])
    if (reach !== null) this.order.add(reach.source)
    return reach
  }

  private onLine(unit: ExpandedUnit, name: string, path: Path): Reach | null {
    const { site, say } = this.context
    const lines = site.lines ?? {}
    const link = Object.hasOwn(lines, name) ? lines[name] : undefined
    if (link === undefined) {
      say(path, `there is no line "${name}". ${suggestion(name, Object.keys(lines))}`)
      return null
    }
    this.usedLines.add(name)
    if (pick(unit, 'address') === null) {
      say(unit.path, `unit "${unit.id}" has no address on line "${name}". Add address, 0..255.`)
      return null
    }
    return this.modbus(unit, link, ['lines', name], name)
  }

  private modbus(unit: ExpandedUnit, link: LinkSettings, path: Path, id: string): Reach | null {
    const { say, line } = this.context
    const source = this.modbusSource(link, path, id)
    if (source === null) return null
    const key = source.kind === 'modbus_serial' ? source.device : `${source.host}:${source.port}`
    const settings = JSON.stringify({ ...source, id: '', line: '' })
    const there = this.made.get(key)
    if (there !== undefined && there.settings !== settings) {
      say(
        path,
        `${key} is reached with other settings at ${pathText(there.path)}. One connection serves all its units: describe it once under lines.`,
      )
      return null
    }
    const shared = there ?? { source, units: [], settings, path }
    this.made.set(key, shared)
    const address = this.address(unit)
    if (address === null) return null
    const taken = shared.units.find((each) => each.address === address.value)
    if (taken !== undefined) {
      say(
        address.path,
        `address ${address.value} on ${key} is taken by unit "${taken.unit}". Give each unit its own address; several circuits of one unit go under circuits.`,
      )
      return null
    }
    shared.units.push({ unit: unit.id, address: address.value, line: line(address.path) })
    const serial = source.kind !== 'modbus_tcp'
    return {
      source: shared.source.id,
      kind: source.kind,
      discover: false,
      poll_ms: serial ? POLL.serial_ms : POLL.tcp_ms,
      stale_ms: serial ? SILENCE.serial_ms : SILENCE.tcp_ms,
    }
  }

  private address(unit: ExpandedUnit): { readonly value: number; readonly path: Path } | null {
    const given = pick(unit, 'address')
    if (given === null) return { value: 1, path: unit.path }
    const value = Number(given.value)
    if (Number.isInteger(value) && value >= 0 && value <= 255) return { value, path: given.path }
    this.context.say(
      given.path,
      `expected 0..255, found ${JSON.stringify(given.value)}. Use smaller numbers in the list, or one line for each gateway.`,
    )
    return null
  }

  private modbusSource(link: LinkSettings, path: Path, id: string): Modbus | null {
    const { say, line, dir } = this.context
    const common = { id, retries: link.retries ?? 1, units: [], line: line(path) }
    if (link.device !== undefined) {
      for (const key of ['host', 'port', 'framing'] as const)
        if (link[key] !== undefined) say([...path, key], `a serial line has no ${key}. Take it out.`)
      return {
        kind: 'modbus_serial',
        ...common,
        device: /^(?:\/|COM\d)/i.test(link.device) ? link.device : resolve(dir, link.device),
        baud: link.baud ?? 19_200,
        parity: link.parity ?? 'even',
        dataBits: link.data_bits === 7 ? 7 : 8,
        // One stop bit with parity, two without: 11 bits a character (MODBUS over Serial Line V1.02, 2.5.1; from memory).
        stopBits: link.stop_bits === 2 || (link.stop_bits === undefined && link.parity === 'none') ? 2 : 1,
        timeout_ms: link.timeout ?? TIMEOUT_MS.serial,
      }
    }
    if (link.host === undefined) {
      say(path, 'has neither host nor device. Add host for TCP, or device for a serial line.')
      return null
    }
    for (const key of ['baud', 'parity', 'data_bits', 'stop_bits'] as const) {
      if (link[key] !== undefined)
        say(
          [...path, key],
          `${key} is for a serial line, and this is a connection to a host. Take it out; the gateway has its own settings.`,
        )
    }
    return {
      kind: link.framing === 'rtu' ? 'modbus_rtu_over_tcp' : 'modbus_tcp',
      ...common,
      host: link.host,
      port: link.port ?? MODBUS_PORT,
      timeout_ms: link.timeout ?? TIMEOUT_MS.tcp,
    }
  }

  private opcua(unit: ExpandedUnit, given: OpcUaSettings, path: Path): Reach | null {
    const { say, line, dir } = this.context
    const poll = pick(unit, 'poll')?.value ?? POLL.tcp_ms
    const identity = this.identity(given, path)
    if (identity === null) return null
    const mode =
      given.security_mode ?? (given.security_policy === undefined || given.security_policy === 'None' ? 'None' : 'SignAndEncrypt')
    const policy = given.security_policy ?? (mode === 'None' ? 'None' : 'Basic256Sha256')
    if ((mode === 'None') !== (policy === 'None')) {
      say(
        [...path, 'security_policy'],
        `is ${policy} while security_mode is ${mode}: one of them secures and the other does not. Set both, or leave one out.`,
      )
    }
    const discover = given.discover ?? !hasNodes(unit)
    const source: OpcUaSource = {
      kind: 'opcua',
      id: unit.id,
      endpoint: given.endpoint,
      securityMode: mode,
      securityPolicy: policy,
      identity,
      pki: resolve(dir, given.pki ?? 'pki'),
      sampling_ms: given.sampling ?? poll,
      queue: given.queue ?? 10,
      timeout_ms: given.timeout ?? TIMEOUT_MS.opcua,
      discover,
      medium: pick(unit, 'medium')?.value ?? 'water',
      line: line(path),
    }
    const settings = JSON.stringify({ ...source, id: '', line: '', medium: '' })
    const there = this.others.get(source.endpoint)
    if (there !== undefined && (discover || there.settings !== settings)) {
      say(
        path,
        `${source.endpoint} is asked already at ${pathText(there.path)}. ${discover ? 'Discovery finds all units behind one endpoint: name it once.' : 'Use the same settings for both.'}`,
      )
      return null
    }
    if (there === undefined) this.others.set(source.endpoint, { source, path, settings })
    return { source: there?.source.id ?? source.id, kind: 'opcua', discover, poll_ms: POLL.tcp_ms, stale_ms: SILENCE.tcp_ms }
  }

  private identity(given: OpcUaSettings, path: Path): OpcUaSource['identity'] | null {
    const { say, dir } = this.context
    if (given.user !== undefined && given.certificate !== undefined) {
      say(path, 'has a user and a certificate, but one of them signs in. Keep one.')
      return null
    }
    if (given.user !== undefined) {
      if (given.password === undefined) {
        say(path, 'has a user but no password. Add password: { env: NAME } or { file: /path }.')
        return null
      }
      return { kind: 'user', user: given.user, password: placedSecret(given.password, dir) }
    }
    if (given.password !== undefined) say([...path, 'password'], 'is there without a user. Add user, or take it out.')
    if (given.certificate === undefined && given.private_key === undefined) return { kind: 'anonymous' }
    if (given.certificate === undefined || given.private_key === undefined) {
      say(path, 'has only one of certificate and private_key. Add the other.')
      return null
    }
    return { kind: 'certificate', certificate: resolve(dir, given.certificate), privateKey: resolve(dir, given.private_key) }
  }

  private replay(unit: ExpandedUnit, given: NonNullable<UnitLayer['replay']>, path: Path): Reach | null {
    const { say, line, dir } = this.context
    const file = resolve(dir, given.file)
    const speed = given.speed === 'full' ? null : given.speed
    const there = this.others.get(file)
    const settings = JSON.stringify(speed)
    if (there !== undefined && there.settings !== settings) {
      say(path, `${given.file} is replayed at another speed at ${pathText(there.path)}. Use one speed.`)
      return null
    }
    if (there === undefined)
      this.others.set(file, { source: { kind: 'replay', id: unit.id, file, speed, line: line(path) }, path, settings })
    return { source: there?.source.id ?? unit.id, kind: 'replay', discover: false, poll_ms: POLL.tcp_ms, stale_ms: SILENCE.tcp_ms }
  }

  /** Lays what the site says of a discovered unit beside its source. */
  settle(source: string, settings: NonNullable<OpcUaSource['settings']>): void {
    for (const each of this.others.values())
      if (each.source.id === source && each.source.kind === 'opcua') each.source = { ...each.source, settings }
  }
}

function hasNodes(unit: ExpandedUnit): boolean {
  return unit.layers.some(
    ({ fields }) => fields.nodes !== undefined || Object.values(fields.circuits ?? {}).some((circuit) => circuit.nodes !== undefined),
  )
}
