import { counter } from '../figures.ts'
import { connection } from '../modbus/connection.ts'
import { lineOf, type Line } from '../modbus/line.ts'
import { unitPoll } from '../modbus/unit-poll.ts'
import { addressOf, type ModbusSource } from '../modbus/wire.ts'
import type { Open } from '../source.ts'
import { standingFaults } from '../standing-faults.ts'
import { sinkGate } from '../sink-gate.ts'

/**
 * Modbus TCP, Modbus RTU through TCP, and Modbus RTU on a serial line: one connection, shared by the units behind it.
 * Only function codes 1 to 4 are ever sent.
 */
export const openModbus: Open<ModbusSource> = (settings, units, sink, clock) =>
  openModbusWith(Math.random)(settings, units, sink, clock, NO_SECRETS)

const NO_SECRETS: ReadonlyMap<string, string> = new Map()

/** The same with a given source of chance for the waits between attempts to connect. */
export function openModbusWith(random: () => number): Open<ModbusSource> {
  return (settings, units, sink, clock) => {
    const figures = counter()
    const gate = sinkGate(sink, clock, figures, settings.units[0]?.unit ?? settings.id)
    const seats = settings.units.flatMap(({ unit: id, address }) => {
      const unit = units.find((each) => each.id === id)
      if (unit === undefined) return []
      const faults = standingFaults(figures)
      return [{ address, faults, poll: unitPoll(unit, faults, clock, gate.tell) }]
    })
    let line: Line | null = null
    const link = connection(settings, clock, figures, { onChange: () => line?.wake(), onLate: (address) => line?.heard(address) }, random)
    line = lineOf(
      seats,
      link,
      {
        timeout_ms: settings.timeout_ms,
        retries: settings.retries,
        numbered: settings.kind === 'modbus_tcp',
        phase: phaseOf(settings.id),
        address: addressOf(settings),
        mayPoll: gate.isOpen,
      },
      clock,
      figures,
    )
    const opened = line
    opened.wake()
    return {
      close: () => {
        gate.close()
        return opened.close()
      },
      figures: figures.figures,
      standing: () => seats.flatMap(({ faults }) => faults.standing()),
    }
  }
}

/** Spreads sources over time: the same id gives the same place in 0..1 (FNV-1a). */
function phaseOf(id: string): number {
  let hash = 0x811c9dc5
  for (let at = 0; at < id.length; at++) hash = Math.imul(hash ^ id.charCodeAt(at), 0x01000193)
  return (hash >>> 0) / 2 ** 32
}
