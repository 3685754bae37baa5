import { createServer, type IncomingMessage, type Server, type ServerResponse } from 'node:http'

/** Faults that a person who drives the hall can see; docs/errors.md, "simulator". */
export const CODES = [
  'bad_argument',
  'bad_command',
  'unknown_command',
  'unknown_unit',
  'unknown_zone',
  'too_many_faults',
  'cannot_start',
] as const
export type Code = (typeof CODES)[number]

export type Reply = { readonly ok: true; readonly value: unknown } | { readonly ok: false; readonly error: Code; readonly message: string }
export const done = (value: unknown): Reply => ({ ok: true, value })
export const refuse = (error: Code, message: string): Reply => ({ ok: false, error, message })

/** Commands by name, each also `POST /<name>`; views by name, each `GET /<name>`. */
export interface Commands {
  readonly commands: Readonly<Record<string, (body: unknown) => Reply>>
  readonly views: Readonly<Record<string, () => unknown>>
}

const LONGEST_BODY = 65_536

/** One command as text: `{"do": "fault", "unit": "KH-0001", ...}`. Never throws on what somebody typed. */
export function executeLine(line: string, to: Commands): Reply {
  const parsed = parse(line)
  if (!parsed.ok) return parsed
  const body = parsed.value
  if (typeof body !== 'object' || body === null || !('do' in body) || typeof body.do !== 'string') {
    return refuse('bad_command', 'a command is a JSON object with "do": the name of the command; nothing was done')
  }
  const { do: name, ...rest } = body
  return execute(name, rest, to)
}

function execute(name: string, body: unknown, to: Commands): Reply {
  const view = Object.hasOwn(to.views, name) ? to.views[name] : undefined
  if (view !== undefined) return done(view())
  const command = Object.hasOwn(to.commands, name) ? to.commands[name] : undefined
  if (command !== undefined) return command(body)
  const known = [...Object.keys(to.commands), ...Object.keys(to.views)].join(', ')
  return refuse('unknown_command', `there is no command "${name}"; there are: ${known}`)
}

function parse(text: string): Reply {
  try {
    return done(JSON.parse(text))
  } catch {
    return refuse('bad_command', 'this is no JSON; nothing was done')
  }
}

/** Small HTTP port on loopback. Answers 200 or 400 with the reply as JSON. */
export async function serveControl(to: Commands, port: number): Promise<{ readonly port: number; readonly close: () => Promise<void> }> {
  const server = createServer((request, response) => void handle(request, response, to))
  await new Promise<void>((resolve, reject) => {
    server.once('error', reject)
    server.listen({ host: '127.0.0.1', port }, resolve)
  })
  return { port: portOf(server), close: () => stop(server) }
}

function portOf(server: Server): number {
  const address = server.address()
  return address !== null && typeof address === 'object' ? address.port : 0
}

function stop(server: Server): Promise<void> {
  server.closeAllConnections()
  return new Promise((resolve) => server.close(() => resolve()))
}

async function handle(request: IncomingMessage, response: ServerResponse, to: Commands): Promise<void> {
  const send = (status: number, body: unknown): void => {
    response.writeHead(status, { 'content-type': 'application/json' })
    response.end(JSON.stringify(body))
  }
  // A browser sends an Origin with what a web page asks for; a page has no business with the hall.
  if (request.headers.origin !== undefined) return send(403, refuse('bad_command', 'the control port takes nothing from web pages'))
  const name = (request.url ?? '/').slice(1)
  if (request.method === 'GET') {
    const view = Object.hasOwn(to.views, name) ? to.views[name] : undefined
    return view === undefined ? send(404, refuse('unknown_command', `there is no view "${name}"`)) : send(200, view())
  }
  const text = await body(request)
  if (text === null) return send(400, refuse('bad_command', `a command is at most ${LONGEST_BODY} bytes long; nothing was done`))
  const parsed = parse(text === '' ? '{}' : text)
  const reply = parsed.ok ? execute(name, parsed.value, to) : parsed
  send(reply.ok ? 200 : 400, reply)
}

/** The whole body, or null where it is too long or was cut off. */
async function body(request: IncomingMessage): Promise<string | null> {
  const parts: Buffer[] = []
  let length = 0
  try {
    for await (const part of request) {
      const chunk = Buffer.from(part)
      length += chunk.length
      if (length > LONGEST_BODY) return null
      parts.push(chunk)
    }
  } catch {
    return null
  }
  return Buffer.concat(parts).toString('utf8')
}
