import { STATUS_CODES } from 'node:http'
import fastify, { type FastifyInstance, type FastifyPluginAsync } from 'fastify'
import type { ServiceFacts } from './facts.ts'
import { ListenError, listenFault } from './listen-error.ts'
import { metricsWriter } from './metrics.ts'
import { ownProblem, plainProblem, PROBLEMS, sendProblem } from './problem.ts'

export interface HttpSettings {
  /** Address to listen on. Left out: loopback, so that nobody else on the network can look. */
  readonly host?: string
  /** 0: any free one. */
  readonly port: number
  readonly facts: ServiceFacts
  readonly version: string
  /** Routes under /api/v1. Whatever changes state there needs a role: that is the plugin's own business. */
  readonly api?: FastifyPluginAsync
  /** A bug behind a request: the asker gets a 500, this gets the error. */
  readonly onBug?: (error: unknown, url: string) => void
}
export interface HttpServer {
  readonly port: number
  readonly close: () => Promise<void>
}

const LOOPBACK = '127.0.0.1'

/** Starts the page for machines. @throws ListenError where the address cannot be had. */
export async function startHttp(settings: HttpSettings): Promise<HttpServer> {
  const { host = LOOPBACK, port, facts, version, api } = settings
  // forceCloseConnections: a scraper keeps its connection open and would hold up a stop.
  const app = fastify({ logger: false, bodyLimit: 64 * 1024, requestTimeout: 10_000, forceCloseConnections: true })
  app.addHook('onSend', async (_request, reply) => {
    reply.header('cache-control', 'no-store').header('x-content-type-options', 'nosniff')
  })
  answerErrors(app, settings)
  const metrics = metricsWriter(facts, version)

  app.get('/', async (_request, reply) => reply.type('text/plain; charset=utf-8').send(index(facts.site(), version, api !== undefined)))
  app.get('/healthz', async () => ({ status: 'alive', version }))
  app.get('/readyz', async (_request, reply) => {
    const { ok, reasons } = facts.readiness()
    if (ok) return reply.send({ status: 'ready' })
    return sendProblem(reply, ownProblem('not_ready', 503, reasons.map(({ detail }) => detail).join(' '), { reasons }))
  })
  app.get('/metrics', async (request, reply) => {
    const { contentType, text } = await metrics(request.headers.accept ?? '')
    return reply.type(contentType).send(text)
  })
  app.get<{ Params: { code: string } }>('/problems/:code', async (request, reply) => {
    const meaning = Object.entries(PROBLEMS).find(([code]) => code === request.params.code)?.[1]
    return meaning === undefined ? reply.callNotFound() : reply.type('text/plain; charset=utf-8').send(`${meaning}\n`)
  })
  if (api !== undefined) await app.register(api, { prefix: '/api/v1' })

  try {
    await app.listen({ host, port })
  } catch (error) {
    await app.close()
    const fault = listenFault(error, host, port)
    throw fault === null ? error : new ListenError(fault)
  }
  const address = app.server.address()
  return { port: typeof address === 'object' && address !== null ? address.port : port, close: () => app.close() }
}

function answerErrors(app: FastifyInstance, { onBug }: HttpSettings): void {
  app.setNotFoundHandler((request, reply) =>
    sendProblem(reply, plainProblem(404, 'Not Found', `There is no ${request.method} ${request.url} here; / lists what there is.`)),
  )
  app.setErrorHandler((error, request, reply) => {
    const status = statusOf(error)
    if (status < 500) return sendProblem(reply, plainProblem(status, STATUS_CODES[status] ?? 'Bad Request', messageOf(error)))
    onBug?.(error, request.url)
    // What broke is told to the log, not to whoever asked.
    const detail = 'This request met a bug in mouldtend; watching and alerting go on. The log has the details: please report them.'
    return sendProblem(reply, plainProblem(500, 'Internal Server Error', detail))
  })
}

const messageOf = (error: unknown): string => (error instanceof Error ? error.message : 'The request could not be understood.')

function statusOf(error: unknown): number {
  const status = typeof error === 'object' && error !== null && 'statusCode' in error ? error.statusCode : 500
  return typeof status === 'number' && status >= 400 && status < 600 ? status : 500
}

function index(site: string, version: string, hasApi: boolean): string {
  const lines = [
    `mouldtend ${version}, ${site}`,
    '',
    '/metrics   figures for a metrics store (Prometheus text or OpenMetrics); docs/metrics.md explains each',
    '/healthz   the process is alive',
    '/readyz    it does its whole job; if not, why',
    ...(hasApi ? ['/api/v1    for programs'] : []),
    '',
    'mouldtend watches and tells. It protects nobody: the local codes and limiters of each unit come first.',
    '',
  ]
  return lines.join('\n')
}
