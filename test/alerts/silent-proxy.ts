import { once } from 'node:events'
import { connect, createServer, type Socket } from 'node:net'

/** A way through that can go silent: connections stay open and nothing passes any more, as when a switch dies. */
export async function silentProxy(target: number) {
  const sockets = new Set<Socket>()
  let [isSilent, isCut] = [false, false]
  const server = createServer((inner) => {
    if (isCut) {
      inner.destroy()
      return
    }
    const outer = connect(target, '127.0.0.1')
    for (const socket of [inner, outer]) {
      sockets.add(socket)
      socket.on('error', () => socket.destroy())
    }
    const pass = (from: Socket, to: Socket): void => {
      from.on('data', (data) => {
        if (!isSilent) to.write(data)
      })
      from.on('close', () => {
        sockets.delete(from)
        if (!isSilent) to.destroy()
      })
    }
    pass(inner, outer)
    pass(outer, inner)
  }).listen(0, '127.0.0.1')
  await once(server, 'listening')
  const address = server.address()
  if (address === null || typeof address === 'string') throw new Error('no port')
  return {
    port: address.port,
    silence: () => {
      isSilent = true
    },
    speak: () => {
      isSilent = false
    },
    cut: () => {
      isCut = true
      for (const socket of sockets) socket.destroy()
    },
    mend: () => {
      isCut = false
    },
    close: async () => {
      for (const socket of sockets) socket.destroy()
      await new Promise((resolve) => server.close(resolve))
    },
  }
}
