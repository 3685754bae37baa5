import modbusSerial from 'modbus-serial'
import { cpu_us, type Asked, type Look } from './look.ts'
import { REGISTERS, type FleetLine } from './site.ts'

/*
 * What can hardly be done with less: modbus-serial alone reads the same registers of the same units over as many connections, at
 * the same times, and does nothing with them. Arguments: poll interval in ms, lines as JSON.
 */
const [interval = '', given = ''] = process.argv.slice(2)
const poll_ms = Number(interval)
const lines = JSON.parse(given) as readonly FleetLine[] // made by the bench itself
const TIMEOUT_MS = 1000

let polls = 0
let faults = 0
let lag_max_ms = 0
let late = 0

async function run(line: FleetLine, phase_ms: number): Promise<void> {
  const client = new modbusSerial.default()
  await client.connectTCP('127.0.0.1', { port: line.port })
  client.setTimeout(TIMEOUT_MS)
  const start_ms = performance.now() + phase_ms
  for (let turn = 0; ; turn++) {
    const unit = line.units[turn % line.units.length]
    if (unit === undefined) return
    // Spread over the interval, like the polls of the service.
    const due_ms = start_ms + (turn * poll_ms) / line.units.length
    const wait_ms = due_ms - performance.now()
    if (wait_ms > 0) await new Promise((resolve) => setTimeout(resolve, wait_ms))
    const lag_ms = performance.now() - due_ms
    if (lag_ms > lag_max_ms) lag_max_ms = lag_ms
    if (lag_ms > 100) late++
    client.setID(unit.address)
    try {
      await client.readInputRegisters(0, REGISTERS)
    } catch {
      faults++
    }
    polls++
  }
}
for (const [index, line] of lines.entries()) void run(line, (index * poll_ms) / (lines.length * Math.max(1, line.units.length)))

process.on('message', (asked: Asked) => {
  if (asked !== 'look') process.exit(0)
  const look: Look = {
    cpu_us: cpu_us(),
    at_ms: performance.now(),
    done: polls,
    events: 0,
    late,
    lag_max_ms,
    rss_bytes: process.memoryUsage.rss(),
    faults,
    isReady: polls > 0,
  }
  lag_max_ms = 0
  process.send?.(look)
})
process.on('disconnect', () => process.exit(1))
process.send?.('ready')
