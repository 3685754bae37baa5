import { once } from 'node:events'
import { connect, createServer, type AddressInfo, type Server, type Socket } from 'node:net'

/** A way through to a server on this machine, on which everything that happens to networks can be done while it is used. */
export interface Proxy {
  readonly port: number
  /** Bytes vanish both ways and nothing is closed, as when a switch dies. What was lost stays lost: such a connection never speaks again. */
  readonly silence: (on: boolean) => void
  /** Ends every connection and listens no more. */
  readonly cut: () => Promise<void>
  /** Listens again, on the same port. */
  readonly mend: () => Promise<void>
  /** How long the server's bytes are held up; their order stays. */
  delay_ms: number
  /** Most bytes of the server in one packet; 0: as they come. */
  split: number
  /** What becomes of the server's bytes. */
  answer: ((bytes: Buffer) => Buffer) | null
  readonly connections: () => number
  /** Connections accepted, ever. */
  readonly accepted: () => number
  readonly close: () => Promise<void>
}

export async function proxyTo(target: () => number): Promise<Proxy> {
  const pairs = new Set<readonly [near: Socket, far: Socket]>()
  let silent = false
  let accepted = 0
  let server: Server | null = null

  function carry(near: Socket): void {
    accepted += 1
    const far = connect(target(), '127.0.0.1')
    const pair = [near, far] as const
    pairs.add(pair)
    let torn = silent
    let last: Promise<void> = Promise.resolve()
    const isOpen = (to: Socket): boolean => {
      torn ||= silent
      return !torn && !to.destroyed
    }
    near.setNoDelay()
    near.on('data', (bytes) => void (isOpen(far) && far.write(bytes)))
    far.on('data', (bytes) => {
      if (!isOpen(near)) return
      const told = self.answer === null ? bytes : self.answer(bytes)
      const { split, delay_ms } = self
      const parts =
        split > 0 ? Array.from({ length: Math.ceil(told.length / split) }, (_, i) => told.subarray(i * split, (i + 1) * split)) : [told]
      for (const part of parts) {
        // One after the other: a delay that is changed must not let later bytes overtake.
        const wait_ms = delay_ms > 0 ? delay_ms : split > 0 ? 1 : 0
        last = last.then(async () => {
          if (wait_ms > 0) await new Promise((resolve) => setTimeout(resolve, wait_ms))
          if (isOpen(near)) near.write(part)
        })
      }
    })
    for (const each of pair) {
      each.on('error', () => {})
      each.on('close', () => {
        pairs.delete(pair)
        near.destroy()
        far.destroy()
      })
    }
  }

  async function listen(wanted: number): Promise<number> {
    const opened = createServer(carry).listen(wanted, '127.0.0.1')
    server = opened
    await once(opened, 'listening')
    return (opened.address() as AddressInfo).port
  }
  async function cut(): Promise<void> {
    const old = server
    server = null
    const closed = old === null ? null : once(old, 'close')
    old?.close()
    for (const [near, far] of pairs) {
      near.destroy()
      far.destroy()
    }
    await closed
  }

  const port = await listen(0)
  const self: Proxy = {
    port,
    silence: (on) => void (silent = on),
    cut,
    mend: async () => void (await listen(port)),
    delay_ms: 0,
    split: 0,
    answer: null,
    connections: () => pairs.size,
    accepted: () => accepted,
    close: cut,
  }
  return self
}
