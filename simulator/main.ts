import { mkdtempSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { readArguments, USAGE, type Settings } from './arguments.ts'
import { unitBank } from './bank.ts'
import { hallCommands, readFault, type Pace } from './commands.ts'
import { executeLine, serveControl, type Commands } from './control-port.ts'
import { Fleet } from './fleet.ts'
import { Hall, type HallUnit } from './hall.ts'
import { ModbusServer } from './modbus-server.ts'
import { openOpcUa, type OpcUaLine } from './opcua-line.ts'
import { tell } from './story.ts'

const say = (line: unknown): void => void process.stdout.write(`${JSON.stringify(line)}\n`)

/** One running process: what it answers, and how it ends. */
interface Running {
  readonly commands: Commands
  readonly ready: object
  readonly close: () => Promise<void>
}

class BadArgument extends Error {}

/** Units of the first layout share ports, as behind a gateway; a unit of the second has one of its own. */
function linesOf(units: readonly HallUnit[], perPort: number): readonly (readonly HallUnit[])[] {
  const shared = units.filter((unit) => unit.layout === 'tenths16')
  const lines: (readonly HallUnit[])[] = []
  for (let i = 0; i < shared.length; i += perPort) lines.push(shared.slice(i, i + perPort))
  for (const unit of units) if (unit.layout === 'float32swap') lines.push([unit])
  return lines
}

/** For whoever writes a site file: what the unit is, and what its circuits are meant to do. */
const describe = (unit: HallUnit): object => ({
  serial: unit.serial,
  layout: unit.layout,
  zones: unit.zones.map(({ id, design }) => ({
    id,
    setValue_degC: design.setValue_degC,
    controlPoint: design.controlPoint,
    tolerance_K: design.tolerance_K,
    limitation_degC: design.limitation_degC,
    designFlow_l_min: Math.round(design.designFlow_l_min * 10) / 10,
  })),
  medium: unit.medium,
  model: unit.model,
  place: unit.location,
})

async function startHall(settings: Settings): Promise<Running> {
  const hall = new Hall({ seed: settings.seed, units: settings.units })
  const pace: Pace = { speed: settings.speed }
  if (settings.script !== null) loadScript(hall, settings.script)

  const lines = linesOf(hall.units, settings.perPort)
  const servers = lines.map((units) => new ModbusServer(new Map(units.map((unit, i) => [i + 1, unitBank(hall, unit)] as const))))
  const portAt = (index: number): number => (settings.firstPort === 0 ? 0 : settings.firstPort + index)
  const ports = await Promise.all(servers.map((server, i) => server.listen(settings.host, portAt(i))))

  const opcUaUnits = hall.units.filter((unit) => unit.layout === 'opcua')
  const ownPki = settings.pki === null && opcUaUnits.length > 0 ? mkdtempSync(join(tmpdir(), 'kestrel-hall-')) : null
  const pki = settings.pki ?? ownPki ?? ''
  const opcUa: OpcUaLine[] = opcUaUnits.length === 0 ? [] : [await openOpcUa(hall, opcUaUnits, settings.host, portAt(servers.length), pki)]

  const story = settings.story ? tell(hall, settings.speed) : []
  let last_ms = performance.now()
  const timer = setInterval(() => {
    const now_ms = performance.now()
    // A process that stood still does not make up for hours at once.
    hall.advance(Math.min(now_ms - last_ms, 5000) * pace.speed)
    last_ms = now_ms
    for (const line of opcUa) line.follow()
  }, 25)
  return {
    commands: hallCommands(hall, pace, () => servers.map((server) => ({ ...server.traffic(), port: server.port }))),
    ready: {
      modbus: lines.map((units, i) => ({ port: ports[i], units: units.map((unit, at) => ({ address: at + 1, ...describe(unit) })) })),
      opcua: opcUa.map((line) => ({ endpoint: line.endpoint, units: line.units.map(describe) })),
      story,
    },
    close: async () => {
      clearInterval(timer)
      await Promise.all([...servers.map((server) => server.close()), ...opcUa.map((line) => line.close())])
      if (ownPki !== null) rmSync(ownPki, { recursive: true, force: true })
    },
  }
}

function loadScript(hall: Hall, path: string): void {
  let list: unknown
  try {
    list = JSON.parse(readFileSync(path, 'utf8'))
  } catch (error) {
    throw new BadArgument(`--script: ${path}: ${error instanceof Error ? error.message : String(error)}`)
  }
  if (!Array.isArray(list)) throw new BadArgument(`--script: ${path}: expected a JSON list of faults`)
  list.forEach((row: unknown, index) => {
    const order = readFault(row, 0)
    const why = order.ok ? injectOr(hall, order.value) : order.reply.ok ? null : order.reply.message
    if (why !== null) throw new BadArgument(`--script: ${path}: fault ${index + 1}: ${why}`)
  })
}

function injectOr(hall: Hall, order: Parameters<Hall['inject']>[0]): string | null {
  const outcome = hall.inject(order)
  return outcome.ok ? null : `${outcome.refusal.kind} (${order.unit})`
}

async function startFleet(settings: Settings): Promise<Running> {
  const fleet = new Fleet(settings.fleet, settings.ports)
  const modbus = await fleet.listen(settings.host)
  return { commands: fleet.commands(), ready: { modbus, opcua: [], layout: 'tenths16' }, close: () => fleet.close() }
}

async function run(settings: Settings): Promise<void> {
  const running = settings.fleet > 0 ? await startFleet(settings) : await startHall(settings)
  const control = await serveControl(running.commands, settings.controlPort)
  say({ ...running.ready, control: control.port })

  let ending = false
  const end = async (): Promise<void> => {
    if (ending) return
    ending = true
    await Promise.all([control.close(), running.close()])
    process.exit(0)
  }
  // Whoever started the hall is gone: nobody would end it later.
  const lines = createInterface({ input: process.stdin })
  lines.on('line', (line) => line.trim() !== '' && say(executeLine(line, running.commands)))
  lines.on('close', () => settings.stay || void end())
  process.on('SIGTERM', () => void end())
  process.on('SIGINT', () => void end())
}

const parsed = readArguments(process.argv.slice(2))
if (parsed.kind === 'help') process.stdout.write(USAGE)
else if (parsed.kind === 'bad') {
  process.stderr.write(`bad_argument: ${parsed.message}\n\n${USAGE}`)
  process.exitCode = 2
} else {
  await run(parsed.settings).catch((error: unknown) => {
    const message = error instanceof Error ? error.message : String(error)
    process.stderr.write(`${error instanceof BadArgument ? 'bad_argument' : 'cannot_start'}: ${message}\n`)
    process.exit(error instanceof BadArgument ? 2 : 1)
  })
}
