import { createServer } from 'node:net'
import type { FastifyPluginAsync } from 'fastify'
import { afterEach, expect, test } from 'vitest'
import { startHttp, type HttpServer, type HttpSettings } from '../../dashboards/http.ts'
import { ListenError } from '../../dashboards/listen-error.ts'
import { hall } from './hall.ts'

const open: HttpServer[] = []
afterEach(async () => {
  await Promise.all(open.splice(0).map((server) => server.close()))
})
async function start(over: Partial<HttpSettings> = {}): Promise<{ readonly url: string; readonly server: HttpServer }> {
  const server = await startHttp({ port: 0, facts: hall().facts, version: '0.0.0-test', ...over })
  open.push(server)
  return { url: `http://127.0.0.1:${server.port}`, server }
}
const wrong = (statusCode: number, text: string) => Object.assign(new Error(text), { statusCode })

test('alive as long as the process answers, ready or not', async () => {
  const made = hall()
  made.readiness = { ok: false, reasons: [{ code: 'canary_old', detail: 'x' }] }
  const { url } = await start({ facts: made.facts })
  const answer = await fetch(`${url}/healthz`)
  expect(answer.status).toBe(200)
  expect(await answer.json()).toEqual({ status: 'alive', version: '0.0.0-test' })
})

test('ready, then not, with every reason, and ready again', async () => {
  const made = hall()
  const { url } = await start({ facts: made.facts })
  expect((await fetch(`${url}/readyz`)).status).toBe(200)
  const reasons = [
    { code: 'canary_old', detail: 'The last canary came through 200 s ago.' },
    { code: 'broker_away', detail: 'The broker does not answer; messages wait.' },
  ]
  made.readiness = { ok: false, reasons }
  const answer = await fetch(`${url}/readyz`)
  expect(answer.status).toBe(503)
  // RFC 9457: the media type (section 3), and that the member status repeats the code of the answer (3.1.3).
  expect(answer.headers.get('content-type')).toMatch(/^application\/problem\+json/)
  const body: unknown = await answer.json()
  expect(body).toEqual({
    type: '/problems/not_ready',
    title: 'not ready',
    status: 503,
    detail: 'The last canary came through 200 s ago. The broker does not answer; messages wait.',
    reasons,
  })
  expect((await fetch(`${url}/problems/not_ready`)).status).toBe(200)
  made.readiness = { ok: true, reasons: [] }
  expect((await fetch(`${url}/readyz`)).status).toBe(200)
})

const breaking: FastifyPluginAsync = async (app) => {
  app.get('/bug', async () => {
    throw new Error('a secret from the inside')
  })
  app.get('/conflict', async () => {
    throw wrong(409, 'lot north-7 is closed already')
  })
  app.post('/echo', (request, reply) => reply.send(request.body))
}
test.each<{ name: string; path: string; init?: RequestInit; status: number; type?: string; detail: RegExp }>([
  { name: 'no such page', path: '/nowhere', status: 404, detail: /GET \/nowhere/ },
  { name: 'no such problem', path: '/problems/toString', status: 404, detail: /problems/ },
  { name: 'pages are read, not written', path: '/metrics', init: { method: 'POST' }, status: 404, detail: /POST/ },
  { name: 'a bug keeps its inside to itself', path: '/api/v1/bug', status: 500, detail: /alerting go on/ },
  { name: 'a fault with a status says what', path: '/api/v1/conflict', status: 409, detail: /closed already/ },
  {
    name: 'broken JSON is the sender’s',
    path: '/api/v1/echo',
    init: { method: 'POST', body: '{', headers: { 'content-type': 'application/json' } },
    status: 400,
    detail: /./,
  },
  {
    name: 'a body past the bound is refused',
    path: '/api/v1/echo',
    init: { method: 'POST', body: JSON.stringify('x'.repeat(70_000)), headers: { 'content-type': 'application/json' } },
    status: 413,
    detail: /too large/i,
  },
])('errors are problem+json: $name', async ({ path, init, status, detail }) => {
  const bugs: unknown[] = []
  const { url } = await start({ api: breaking, onBug: (error) => bugs.push(error) })
  const answer = await fetch(url + path, init)
  expect(answer.status).toBe(status)
  expect(answer.headers.get('content-type')).toMatch(/^application\/problem\+json/)
  const text = await answer.text()
  expect(text).not.toContain('secret')
  expect(JSON.parse(text)).toMatchObject({ status, detail: expect.stringMatching(detail), type: 'about:blank' })
  expect(bugs).toHaveLength(status === 500 ? 1 : 0)
})

test('the index lists pages that are there, and says what mouldtend is not', async () => {
  const { url } = await start({ api: breaking })
  const text = await (await fetch(url)).text()
  const paths = [...text.matchAll(/^(\/[a-z0-9/]+) /gm)].map((match) => match[1] ?? '')
  expect(paths).toEqual(['/metrics', '/healthz', '/readyz', '/api/v1'])
  for (const path of paths.slice(0, 3)) expect((await fetch(url + path)).status).toBe(200)
  expect(text).toContain('local codes and limiters')
  expect(text).not.toMatch(/\bsafe\b/i)
})

test('listens on loopback unless told otherwise', async () => {
  const { server } = await start()
  const elsewhere = createServer()
  // The same port on another loopback address is still free: so it was not bound to all addresses.
  const bound = new Promise((resolve, reject) => elsewhere.once('error', reject).listen(server.port, '127.0.0.2', () => resolve('bound')))
  await expect(bound).resolves.toBe('bound')
  await new Promise((resolve) => elsewhere.close(resolve))
})

test.each([
  { kind: 'port_in_use', host: '127.0.0.1', taken: true },
  { kind: 'no_such_address', host: '192.0.2.1', taken: false }, // TEST-NET-1, RFC 5737: nobody has it
])('an address that cannot be had is $kind and says what to do', async ({ kind, host, taken }) => {
  const port = taken ? (await start()).server.port : 0
  const error: unknown = await startHttp({ host, port, facts: hall().facts, version: '0' }).catch((thrown: unknown) => thrown)
  expect(error).toBeInstanceOf(ListenError)
  expect(error).toMatchObject({ fault: { kind, host, port } })
  expect(String(error)).toContain(`${host}:${port}`)
})

test('a kept connection does not hold up the stop', async () => {
  const { url, server } = await start()
  await (await fetch(`${url}/metrics`)).text() // fetch keeps the connection open
  const start_ms = performance.now()
  await server.close()
  expect(performance.now() - start_ms).toBeLessThan(2000)
  await expect(fetch(`${url}/healthz`)).rejects.toThrow('fetch failed')
})
