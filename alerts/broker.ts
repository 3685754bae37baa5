import { createServer, type Server, type Socket } from 'node:net'
import { createServer as createHttpServer } from 'node:http'
import { randomBytes, timingSafeEqual } from 'node:crypto'
import { Aedes, type Client } from 'aedes'
import { createWebSocketStream, WebSocketServer } from 'ws'
import type { AlertFault } from './fault.ts'
import { listenNear } from './listen-near.ts'
import { acknowledgeTopic, level, ROOT } from './topics.ts'

export interface BrokerSettings {
  readonly site: string
  readonly host: string
  readonly port: number
  /** null: no WebSocket. */
  readonly wsPort: number | null
  readonly acceptCommands: boolean
  readonly onFault: (fault: AlertFault) => void
}
export interface Broker {
  /** Where mouldtend's own client connects, and the credentials that only it has. Speaks MQTT 3.1.1. */
  readonly url: string
  readonly user: string
  readonly password: string
  readonly port: number
  readonly wsPort: number | null
  readonly figures: () => { readonly clients: number }
  readonly close: () => Promise<void>
}

const OWNER = 'mouldtend-service'
/** A port. */
export const MOST_CLIENTS = 200
/** A client that lets this much pile up is disconnected: memory is for those who read. */
const MOST_WAITING_BYTES = 4 * 1024 * 1024
const MOST_FRAME_BYTES = 256 * 1024
const DRAIN_MS = 10_000

/**
 * A small broker inside the process, for a site that has none yet. Anybody who reaches it may listen; only mouldtend may publish, but for
 * the acknowledge command where the site allows it. Sessions do not outlive their connection, so nothing piles up for who is gone.
 */
export async function startBroker({ site, host, port, wsPort, acceptCommands, onFault }: BrokerSettings): Promise<Broker> {
  const password = randomBytes(24).toString('base64url')
  const owners = new WeakSet<Client>()
  const ownIds = new Set<string>()
  const slow = new WeakSet<Client>()
  const nameOf = (client: Client | null): string => client?.id ?? 'unnamed'
  const aedes = await Aedes.createBroker({
    drainTimeout: DRAIN_MS,
    preConnect: (_client, packet, done) => {
      packet.clean = true
      done(null, true)
    },
    authenticate: (client, user, given, done) => {
      if (user === OWNER && !isSame(given, password)) return done(null, false)
      // A stranger with our client id would push our connection out.
      if (user !== OWNER && ownIds.has(client.id)) return done(null, false)
      if (user === OWNER) {
        owners.add(client)
        ownIds.add(client.id)
      }
      done(null, true)
    },
    authorizePublish: (client, packet, done) => {
      const isOwner = client !== null && owners.has(client)
      if (isOwner && packet.topic.startsWith(`${ROOT}/${level(site)}/`)) return done(null)
      if (acceptCommands && packet.topic === acknowledgeTopic(site) && !packet.retain) return done(null)
      onFault({ kind: 'publish_denied', client: nameOf(client), topic: packet.topic })
      done(new Error('not authorised'))
    },
    authorizeForward: (client, packet) => {
      const waiting_bytes = waitingBytes(client)
      if (waiting_bytes <= MOST_WAITING_BYTES) return packet
      if (!slow.has(client)) onFault({ kind: 'subscriber_slow', client: nameOf(client), waiting_bytes })
      slow.add(client)
      client.close()
      return null
    },
  })
  // aedes tells of every broken client here; a client's fault is its own, the others go on.
  for (const event of ['clientError', 'connectionError'] as const) aedes.on(event, () => {})

  const servers: Server[] = []
  const sockets = new Set<Socket>()
  const open = async (server: Server, wanted: number): Promise<number> => {
    server.maxConnections = MOST_CLIENTS
    server.on('connection', (socket) => {
      sockets.add(socket)
      socket.setNoDelay(true)
      socket.once('close', () => sockets.delete(socket))
    })
    const got = await listenNear(server, host, wanted)
    servers.push(server)
    return got
  }
  const close = async (): Promise<void> => {
    await new Promise<void>((resolve) => {
      aedes.close(resolve)
    })
    const closed = servers.map((server) => new Promise((resolve) => server.close(resolve)))
    for (const socket of sockets) socket.destroy()
    await Promise.all(closed)
  }

  try {
    const tcpPort = await open(
      createServer((socket) => aedes.handle(socket)),
      port,
    )
    const webPort = wsPort === null ? null : await open(webSocketServer(aedes), wsPort)
    return {
      url: `mqtt://${urlHost(host)}:${tcpPort}`,
      user: OWNER,
      password,
      port: tcpPort,
      wsPort: webPort,
      figures: () => ({ clients: aedes.connectedClients }),
      close,
    }
  } catch (fault) {
    await close()
    throw fault
  }
}

function webSocketServer(aedes: Aedes): Server {
  const http = createHttpServer((_request, response) => {
    response.writeHead(426, { connection: 'close' }).end('MQTT over WebSocket only\n')
  })
  const sockets = new WebSocketServer({
    server: http,
    maxPayload: MOST_FRAME_BYTES,
    handleProtocols: (offered) => (offered.has('mqtt') ? 'mqtt' : offered.has('mqttv3.1') ? 'mqttv3.1' : false),
  })
  // The HTTP server tells of its own faults; ws repeats them here.
  sockets.on('error', () => {})
  sockets.on('connection', (socket, request) => {
    const stream = createWebSocketStream(socket)
    stream.on('error', () => socket.terminate())
    aedes.handle(stream, request)
  })
  return http
}

const waitingBytes = (client: Client): number => client.conn.writableLength

const isSame = (given: Readonly<Buffer | undefined>, password: string): boolean => {
  const wanted = Buffer.from(password)
  return given !== undefined && given.length === wanted.length && timingSafeEqual(given, wanted)
}

/** Where a client on this machine finds a server that listens on `host`. */
function urlHost(host: string): string {
  if (host === '0.0.0.0' || host === '') return '127.0.0.1'
  if (host === '::') return '[::1]'
  return host.includes(':') ? `[${host}]` : host
}
