import { existsSync, readdirSync, renameSync, rmSync } from 'node:fs'
import { basename, join } from 'node:path'
import { afterAll, afterEach, describe, expect, test } from 'vitest'
import { serveOpcUa, type OpcUaHall, type ServeOptions } from '../../simulator/opcua/server.ts'
import { circuitPlan, find, listen, planOf, settingsFor, tempFolder, testUnit, unitPlan, type Listening } from './opcua-bench.ts'
import { proxyTo } from './wire.ts'

const folder = tempFolder()
const pki = `${folder.path}/own`
const own = testUnit('KH-3003', ['A'])
const toEnd: (() => Promise<unknown>)[] = []

afterEach(async () => {
  for (const end of toEnd.splice(0).toReversed()) await end()
})
afterAll(folder.remove)

const secure = { securityMode: 'SignAndEncrypt', securityPolicy: 'Basic256Sha256' } as const
const trustThe = (file: string, store: string): void => renameSync(file, join(store, 'trusted', 'certs', basename(file)))

async function serve(change: Partial<ServeOptions> = {}): Promise<OpcUaHall> {
  const hall = await serveOpcUa([own.unit], { port: 0, pki: `${folder.path}/server`, allowAnonymous: true, ...change })
  toEnd.push(hall.close)
  return hall
}
function follow(...given: Parameters<typeof listen>): Listening {
  const listening = listen(...given)
  toEnd.push(listening.source.close)
  return listening
}
const isGood = (listening: Listening, value: number) => () => {
  const sample = listening.sample('kh-3003/a', 'flow_rate')
  return sample?.quality === 'good' && sample.value === value
}
const isSilent = (listening: Listening) => () =>
  JSON.stringify(listening.sample('kh-3003/a', 'flow_rate')) === '{"quality":"bad","reason":"no_communication"}'

describe('a server that goes away', () => {
  test('comes back with a fresh address space and other namespace indexes: lost once, bad meanwhile, found again, values go on', async () => {
    const first = await serve()
    const settings = settingsFor(first.endpoint, pki)
    const listening = follow(settings, planOf(await find(settings), 100))
    own.set('A', { flow_l_min: 30 })
    first.refresh()
    await listening.until(isGood(listening, 30))
    await first.close()
    await listening.until(isSilent(listening))
    const start = listening.readings.length
    await listening.until(() => listening.readings.length > start + 3)
    expect(listening.readings.slice(start).every(({ samples }) => Object.values(samples).every(({ quality }) => quality === 'bad'))).toBe(
      true,
    )
    own.set('A', { flow_l_min: 17 })
    const second = await serve({ port: first.port, namespacesBefore: ['urn:kestrel-hall:of-no-interest', 'urn:kestrel-hall:nor-this'] })
    await listening.until(isGood(listening, 17), 25_000)
    own.set('A', { flow_l_min: 18 })
    second.refresh()
    await listening.until(isGood(listening, 18))
    expect(listening.faults.filter(({ kind }) => kind === 'link_lost')).toHaveLength(1)
    expect(listening.findings).toEqual([]) // the same zones with the same nodes, whatever their index
    expect(listening.source.figures()).toMatchObject({ reconnects: 1, connected: true })
  })

  test('says nothing any more with its connection open: the readings turn bad, and it recovers when it speaks again', async () => {
    const hall = await serve()
    const proxy = await proxyTo(() => hall.port)
    toEnd.push(proxy.end)
    const settings = settingsFor(`opc.tcp://127.0.0.1:${proxy.port}`, pki, { timeout_ms: 1000 })
    const listening = follow(settings, planOf(await find(settings), 100))
    await listening.until(isGood(listening, 18))
    proxy.silence(true)
    await listening.until(isSilent(listening))
    expect(listening.faults[0]).toMatchObject({ kind: 'link_lost', detail: expect.stringContaining('silent for over 1') })
    expect(listening.source.figures().connected).toBe(false)
    proxy.silence(false)
    await listening.until(isGood(listening, 18), 25_000)
  })

  test('closing ends at once while the server says nothing', async () => {
    const hall = await serve()
    const proxy = await proxyTo(() => hall.port)
    toEnd.push(proxy.end)
    proxy.silence(true)
    const listening = listen(settingsFor(`opc.tcp://127.0.0.1:${proxy.port}`, pki, { timeout_ms: 30_000 }), [unitPlan('u', 'u', [])])
    await expect.poll(proxy.connections).toBe(1)
    const start = performance.now()
    await listening.source.close()
    expect(performance.now() - start).toBeLessThan(3500)
  })
})

test('nobody listens: refused once, however often it is tried, and closing ends the tries', async () => {
  const gone = await serve()
  await gone.close()
  const plan = circuitPlan('u', 'a', [{ signal: 'flow_rate', node: 'i=2258' }])
  const listening = follow(settingsFor(gone.endpoint, pki), [unitPlan('u', 'u', [plan], 50)])
  await listening.until(() => listening.source.figures().faults.refused >= 3)
  expect(listening.faults).toHaveLength(1)
  expect(listening.faults[0]).toMatchObject({ kind: 'refused', unit: 'u', address: gone.endpoint })
})

describe('who may come in', () => {
  const user = (password: string) => ({
    settings: { identity: { kind: 'user', user: 'watcher', password: { env: 'HALL_PASSWORD' } } } as const,
    secrets: new Map([['HALL_PASSWORD', password]]),
  })

  test('a wrong password is told as such, a right one lets us in', async () => {
    // Secured, since a password goes over nothing less.
    const store = `${folder.path}/users`
    const hall = await serve({ allowAnonymous: false, users: new Map([['watcher', 'kestrel-7']]), securityModes: ['SignAndEncrypt'] })
    const wrong = user('kestrel-8')
    const refused = follow(settingsFor(hall.endpoint, store, { ...secure, ...wrong.settings }), [], wrong.secrets)
    const stranger = await refused.until(() => refused.faults.find(({ kind }) => kind === 'untrusted_certificate'))
    if (stranger.kind === 'untrusted_certificate') trustThe(stranger.file, store)
    const fault = await refused.until(() => refused.faults.find(({ kind }) => kind === 'identity_rejected'))
    expect(fault).toMatchObject({
      unit: 'hall',
      address: hall.endpoint,
      detail: expect.stringMatching(/BadUserAccessDenied|BadIdentityToken/),
    })
    expect(JSON.stringify(fault)).not.toContain('kestrel-8')
    const right = user('kestrel-7')
    const welcome = follow(settingsFor(hall.endpoint, store, { ...secure, ...right.settings }), [], right.secrets)
    await welcome.until(() => welcome.findings[0])
    const nobody = follow(settingsFor(hall.endpoint, store, secure), [])
    expect(await nobody.until(() => nobody.faults[0])).toMatchObject({ kind: 'identity_rejected' })
    const noSecret = follow(settingsFor(hall.endpoint, store, { ...secure, ...right.settings }), [])
    expect(await noSecret.until(() => noSecret.faults[0])).toMatchObject({
      kind: 'identity_rejected',
      detail: 'there is no password under HALL_PASSWORD',
    })
  })
})

describe('certificates', () => {
  test('a server is trusted by moving its file, by itself again; a new certificate is refused like a new server', async () => {
    const store = `${folder.path}/careful`
    const first = await serve({ securityModes: ['SignAndEncrypt'] })
    const settings = settingsFor(first.endpoint, store, secure)
    const finding = follow(settings, [])
    const fault = await finding.until(() => finding.faults.find(({ kind }) => kind === 'untrusted_certificate'))
    if (fault.kind !== 'untrusted_certificate') throw new Error('looked for another')
    expect(fault.address).toBe(first.endpoint)
    expect(existsSync(fault.file)).toBe(true)
    expect(fault.file.startsWith(join(store, 'rejected'))).toBe(true)
    trustThe(fault.file, store)
    const found = await finding.until(() => finding.findings[0])
    await finding.source.close()

    const listening = follow(settings, planOf(found.units, 100))
    await listening.until(isGood(listening, 18))
    await first.close()
    await listening.until(isSilent(listening))
    rmSync(`${folder.path}/server`, { recursive: true })
    await serve({ port: first.port, securityModes: ['SignAndEncrypt'] })
    const again = await listening.until(() => listening.faults.find(({ kind }) => kind === 'untrusted_certificate'), 25_000)
    if (again.kind !== 'untrusted_certificate') throw new Error('looked for another')
    expect(again.file).not.toBe(fault.file)
    expect(isSilent(listening)()).toBe(true)
    trustThe(again.file, store)
    await listening.until(isGood(listening, 18), 25_000)
    expect(readdirSync(join(store, 'rejected'))).toEqual([])
  })

  test('a server that does not trust us: the fault says which file of ours to trust there', async () => {
    const store = `${folder.path}/stranger`
    const strict = `${folder.path}/strict`
    const hall = await serve({ securityModes: ['SignAndEncrypt'], trustOnlyKnownClients: true, pki: strict })
    const listening = follow(settingsFor(hall.endpoint, store, secure), [])
    const fault = await listening.until(() => listening.faults.find(({ kind }) => kind === 'untrusted_certificate'))
    if (fault.kind !== 'untrusted_certificate') throw new Error('looked for another')
    trustThe(fault.file, store)
    const refused = await listening.until(() => listening.faults.find(({ kind }) => kind === 'refused'), 25_000)
    expect(refused).toMatchObject({ detail: expect.stringContaining(join(store, 'own', 'certs', 'mouldtend.pem')) })
    const ours = readdirSync(join(strict, 'rejected'))[0] ?? ''
    trustThe(join(strict, 'rejected', ours), strict)
    await listening.until(() => listening.findings[0], 25_000)
  })

  test('a security that the server does not offer: the fault says what it offers', async () => {
    const hall = await serve()
    const listening = follow(settingsFor(hall.endpoint, pki, secure), [])
    expect(await listening.until(() => listening.faults[0])).toMatchObject({
      kind: 'refused',
      detail: 'the server does not offer SignAndEncrypt/Basic256Sha256, only None/None',
    })
  })
})
