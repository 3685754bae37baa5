import type { Hall, HallUnit } from './hall.ts'

interface Served {
  readonly endpoint: string
  readonly port: number
  readonly refresh: () => void
  readonly close: () => Promise<void>
}
export interface OpcUaLine {
  readonly endpoint: string
  readonly units: readonly HallUnit[]
  /** Brings the server up to date with the hall: values, and whether its line is up. */
  readonly follow: () => void
  readonly close: () => Promise<void>
}

/**
 * One OPC UA server for all units that have one. A line fault on any of its units takes the server down, whatever the fault's
 * manner: silence of one unit of many is not something that this server can do.
 */
export async function openOpcUa(hall: Hall, units: readonly HallUnit[], host: string, port: number, pki: string): Promise<OpcUaLine> {
  // Loaded only where it is asked for: it costs a second and a hundred megabytes.
  const { serveOpcUa } = await import('./opcua/server.ts')
  const serve = (at: number): Promise<Served> => serveOpcUa(units, { port: at, host, pki, allowAnonymous: true })
  let served: Served | null = await serve(port)
  const first = served
  let shownTick = -1
  let moving: Promise<void> | null = null
  const settle = async (up: boolean): Promise<void> => {
    const old = served
    served = null
    if (old !== null) await old.close()
    // The old port may need a moment to be free; the next round tries again.
    if (up) served = await serve(first.port).catch(() => null)
  }
  return {
    endpoint: first.endpoint,
    units,
    follow: () => {
      if (moving !== null) return
      const up = units.every((unit) => hall.link(unit).state === 'up')
      if (up !== (served !== null)) {
        moving = settle(up).finally(() => {
          moving = null
        })
      } else if (served !== null && shownTick !== hall.tick) {
        shownTick = hall.tick
        served.refresh()
      }
    },
    close: async () => {
      await moving
      await served?.close()
      served = null
    },
  }
}
