import type { Hall, HallUnit } from './hall.ts'
import { FLOAT32SWAP, REGISTERS, TENTHS16, type RegisterLayout } from './layouts.ts'
import type { Bank } from './modbus-server.ts'

/** Register side of a unit. Registers are encoded once per physics step, however often they are asked for. */
export function unitBank(hall: Hall, unit: HallUnit): Bank {
  const layout: RegisterLayout = unit.layout === 'float32swap' ? FLOAT32SWAP : TENTHS16
  const blocks = unit.zones.map(() => new Uint16Array(REGISTERS))
  let encoded = -1
  const refresh = (): void => {
    if (encoded === hall.tick) return
    encoded = hall.tick
    unit.zones.forEach((zone, index) => {
      const values = zone.values()
      const block = blocks[index]
      if (block !== undefined) layout.encode(values, values.cycles, block)
    })
  }
  return {
    link: () => hall.link(unit),
    words: (table, address, count, into, at) => {
      const zone = Math.floor((address - layout.base) / layout.stride)
      const block = blocks[zone]
      const offset = address - layout.base - zone * layout.stride
      if (table !== layout.table || block === undefined || offset + count > REGISTERS) return false
      refresh()
      for (let i = 0; i < count; i++) into.writeUInt16BE(block[offset + i] ?? 0, at + 2 * i)
      return true
    },
    // The first layout shows its two status bits also as bits, at the circuit's base address.
    bit: (_table, address) => {
      const zone = unit.layout === 'tenths16' ? Math.floor(address / layout.stride) : -1
      const block = blocks[zone]
      const offset = address - zone * layout.stride
      if (block === undefined || offset > 1) return null
      refresh()
      return ((block[18] ?? 0) & (1 << offset)) === 0 ? 0 : 1
    },
  }
}
