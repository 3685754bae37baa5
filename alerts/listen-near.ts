import type { Server } from 'node:net'

/** Ports tried from the wanted one upward before the system is asked for any. */
const NEAR = 20

/**
 * Listens on the wanted port, or on a free one near it where it is taken, and says which. Port 0: any.
 * @throws what listen says where the port is not the reason (no such address, not allowed).
 */
export async function listenNear(server: Server, host: string, port: number): Promise<number> {
  const wanted = port === 0 ? [0] : [...Array.from({ length: NEAR }, (_, i) => port + i).filter((near) => near <= 65_535), 0]
  for (const near of wanted) {
    if (await tryListen(server, host, near)) break
  }
  const address = server.address()
  if (address === null || typeof address === 'string') throw new Error(`no port to listen on at ${host}`)
  return address.port
}

function tryListen(server: Server, host: string, port: number): Promise<boolean> {
  return new Promise((resolve, reject) => {
    const onError = (error: NodeJS.ErrnoException): void => {
      server.off('listening', onListening)
      if (error.code === 'EADDRINUSE' && port !== 0) resolve(false)
      else reject(error)
    }
    const onListening = (): void => {
      server.off('error', onError)
      resolve(true)
    }
    server.once('error', onError)
    server.once('listening', onListening)
    server.listen(port, host)
  })
}
