import { spawnSync } from 'node:child_process'
import { existsSync, globSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, expect, test } from 'vitest'
import { parse, parseDocument } from 'yaml'
import { z } from 'zod'
import { loadSite } from '../../config/load.ts'
import { tool } from '../tool.ts'

const work = mkdtempSync(join(tmpdir(), 'deploy-'))
afterAll(() => rmSync(work, { recursive: true, force: true }))
const read = (path: string) => readFileSync(path, 'utf8')

const Compose = z.object({
  services: z.record(
    z.string(),
    z.strictObject({
      image: z.string(),
      build: z.string().optional(),
      restart: z.string(),
      init: z.literal(true),
      read_only: z.literal(true),
      cap_drop: z.tuple([z.literal('ALL')]),
      security_opt: z.tuple([z.literal('no-new-privileges:true')]),
      logging: z.object({ driver: z.string(), options: z.record(z.string(), z.string()) }),
      user: z.string().optional(),
      entrypoint: z.array(z.string()).optional(),
      command: z.array(z.string()).optional(),
      environment: z.record(z.string(), z.string()).optional(),
      depends_on: z.array(z.string()).optional(),
      volumes: z.array(z.string()).optional(),
      tmpfs: z.array(z.string()).optional(),
      ports: z.array(z.string()).optional(),
      healthcheck: z.object({ disable: z.boolean() }).optional(),
      stop_grace_period: z.string().optional(),
    }),
  ),
  volumes: z.record(z.string(), z.null()),
})
const compose = Compose.parse(parse(read('docker-compose.yml'), { merge: true }))
const services = Object.entries(compose.services)

const YAML_FILES = ['docker-compose.yml', 'dashboards/alert-rules.yml', ...globSync('deploy/compose/*.{yml,yaml}')]
test.each(YAML_FILES)('%s is YAML without a warning or a doubled key', (path) => {
  const document = parseDocument(read(path), { merge: true, uniqueKeys: true })
  expect([...document.errors, ...document.warnings]).toEqual([])
})

test.each(services)('service %s: pinned image, loopback ports, volumes and neighbours that are there', (_name, service) => {
  expect(service.image).toMatch(/^(?:[a-z]+\/)?[a-z-]+:(?:local|v?\d+\.\d+\.\d+)$/)
  for (const port of service.ports ?? []) expect(port).toMatch(/^127\.0\.0\.1:\d+:\d+$/)
  for (const neighbour of service.depends_on ?? []) expect(Object.keys(compose.services)).toContain(neighbour)
  for (const volume of service.volumes ?? []) {
    const [from = '', to = '', mode] = volume.split(':')
    expect(to.startsWith('/')).toBe(true)
    const isFile = from.startsWith('./')
    // What comes from here is looked at, never written.
    expect({ from, exists: isFile ? existsSync(from) : from in compose.volumes, mode }).toEqual({
      from,
      exists: true,
      mode: isFile ? 'ro' : undefined,
    })
  }
})

test('the parts of the compose example name each other rightly', () => {
  const store = z.object({
    scrape_configs: z.array(z.object({ job_name: z.string(), static_configs: z.array(z.object({ targets: z.array(z.string()) })) })),
  })
  const [job] = store.parse(parse(read('deploy/compose/metrics-store.yml'))).scrape_configs
  const site = z.looseObject({
    http: z.object({ port: z.int() }),
    mqtt: z.object({ url: z.string() }),
    lines: z.record(z.string(), z.object({ host: z.string(), port: z.int() })),
  })
  const { http, mqtt, lines } = site.parse(parse(read('deploy/compose/site.yaml')))
  expect(job).toEqual({ job_name: 'mouldtend', static_configs: [{ targets: [`mouldtend:${http.port}`] }] })
  expect(compose.services['mouldtend']?.ports).toEqual([`127.0.0.1:${http.port}:${http.port}`])
  const names = Object.keys(compose.services)
  expect(names).toContain(new URL(mqtt.url).hostname)
  expect(read('deploy/compose/broker.conf')).toContain(`listener ${new URL(mqtt.url).port || 1883}`)
  for (const { host, port } of Object.values(lines)) {
    expect(names).toContain(host)
    expect(compose.services[host]?.command?.join(' ')).toContain(`--first-port ${port}`)
  }
  const source = z.object({ datasources: z.array(z.looseObject({ uid: z.string(), url: z.string() })) })
  const [{ uid, url } = { uid: '', url: '' }] = source.parse(parse(read('deploy/compose/dashboard-source.yaml'))).datasources
  expect(uid).toBe('mouldtend-metrics')
  expect(names).toContain(new URL(url).hostname)
  expect(read('Dockerfile')).toContain(`EXPOSE ${http.port}`)
})

test('mouldtend itself accepts the site file of the compose example', async () => {
  const loaded = await loadSite('deploy/compose/site.yaml')
  expect(loaded.kind === 'ok' ? [] : loaded.errors).toEqual([])
  expect(loaded.kind === 'ok' && loaded.plan.units.length).toBe(4)
})

test('no file for installing carries a secret', () => {
  const all = ['Dockerfile', 'docker-compose.yml', ...globSync('deploy/**/*.*')].map(read).join('\n')
  expect(all).not.toMatch(/(?:password|passwd|secret|token)\w*\s*[:=]\s*['"]?\w/i)
  expect(all).not.toMatch(/-----BEGIN|:\/\/[^/\s]+:[^/\s]+@/)
})

const dockerCompose = tool('docker-compose')
test.skipIf(dockerCompose === null)('an independent reader accepts docker-compose.yml', () => {
  const { status, stderr } = spawnSync(dockerCompose ?? '', ['-f', 'docker-compose.yml', 'config', '-q'], { encoding: 'utf8' })
  expect(stderr).toBe('')
  expect(status).toBe(0)
})

const promtool = tool('promtool')
test.skipIf(promtool === null)('the metrics store accepts its configuration, the alert rules beside it', () => {
  writeFileSync(join(work, 'prometheus.yml'), read('deploy/compose/metrics-store.yml'))
  writeFileSync(join(work, 'alert-rules.yml'), read('dashboards/alert-rules.yml'))
  const { status, stdout, stderr } = spawnSync(promtool ?? '', ['check', 'config', join(work, 'prometheus.yml')], { encoding: 'utf8' })
  expect(stderr).toBe('')
  expect(stdout).toContain('1 rule files found')
  expect(status).toBe(0)
})

/** Instructions of the Dockerfile with continued lines joined. Source: the Dockerfile reference (from memory). */
const instructions = read('Dockerfile')
  .replaceAll(/^#.*\n/gm, '')
  .replaceAll(/\\\n\s*/g, '')
  .split('\n')
  .filter((line) => line.trim() !== '')
  .map((line) => {
    const [, word = '', rest = ''] = /^([A-Z]+) (.+)$/.exec(line) ?? []
    return { word, rest }
  })
const KNOWN = new Set([
  'FROM',
  'WORKDIR',
  'COPY',
  'RUN',
  'ENV',
  'USER',
  'VOLUME',
  'EXPOSE',
  'HEALTHCHECK',
  'STOPSIGNAL',
  'ENTRYPOINT',
  'CMD',
])

test('the Dockerfile has only instructions that exist, and runs the starter as a user without rights', () => {
  expect(instructions.filter(({ word }) => !KNOWN.has(word))).toEqual([])
  expect(instructions[0]).toEqual({ word: 'FROM', rest: 'node:24-slim AS build' })
  const last = (word: string) => instructions.findLast((one) => one.word === word)?.rest
  expect(last('USER')).toBe('node')
  expect(instructions.findLastIndex(({ word }) => word === 'USER')).toBeGreaterThan(
    instructions.findLastIndex(({ word }) => word === 'RUN'),
  )
  expect(JSON.parse(last('ENTRYPOINT') ?? '')).toEqual(['node', 'bin/mouldtend.js'])
  expect(JSON.parse(last('CMD') ?? '')).toEqual(['run', '/etc/mouldtend/site.yaml'])
  const probe: unknown = JSON.parse(/CMD (\[.*\])$/.exec(last('HEALTHCHECK') ?? '')?.[1] ?? '')
  expect(probe).toEqual(['node', '-e', expect.stringContaining('/healthz')])
})

test('what the Dockerfile copies is there, or made by its build', () => {
  const made = new Set(['node_modules', 'dist'])
  const ignored = read('.dockerignore').split('\n')
  let copies = 0
  for (const { rest } of instructions.filter(({ word }) => word === 'COPY')) {
    const sources = rest
      .replace(/^--from=build /, '')
      .split(' ')
      .slice(0, -1)
      .map((path) => path.replace(/^\/src\//, ''))
    copies += sources.length
    expect(sources.filter((path) => !existsSync(path) && !made.has(path))).toEqual([])
  }
  expect(copies).toBeGreaterThan(8)
  // The clone's own modules and builds must not overwrite those of the image.
  for (const path of [...made, '.git']) expect(ignored).toContain(path)
})

const systemdAnalyze = tool('systemd-analyze')
test.skipIf(systemdAnalyze === null)('systemd accepts its unit file and rates it as well shut in', () => {
  const file = join(work, 'mouldtend.service')
  // The program need not be installed here.
  writeFileSync(file, read('deploy/mouldtend.service').replaceAll('/usr/bin/node', process.execPath))
  const verified = spawnSync(systemdAnalyze ?? '', ['verify', file], { encoding: 'utf8' })
  expect(verified.stdout + verified.stderr).toBe('')
  expect(verified.status).toBe(0)
  const rated = spawnSync(systemdAnalyze ?? '', ['security', '--offline=true', '--no-pager', '--threshold=25', file], { encoding: 'utf8' })
  expect(rated.stdout).toMatch(/Overall exposure level/)
  expect(rated.status).toBe(0)
})

test('the unit file restarts, watches and keeps state where the site file is told to', () => {
  const unit = read('deploy/mouldtend.service')
  const value = (key: string) => new RegExp(`^${key}=(.*)$`, 'm').exec(unit)?.[1]
  expect([value('Type'), value('NotifyAccess'), value('Restart')]).toEqual(['notify', 'all', 'always'])
  expect(Number(value('WatchdogSec'))).toBeGreaterThanOrEqual(15)
  expect([value('StateDirectory'), value('ProtectSystem'), value('DynamicUser')]).toEqual(['mouldtend', 'strict', 'yes'])
  expect(value('WorkingDirectory')).toBe('/var/lib/mouldtend')
  expect(value('ExecStart')).toMatch(/bin\/mouldtend\.js run \/etc\/mouldtend\/site\.yaml$/)
  // A compiler that writes code while it runs could not start.
  expect(value('MemoryDenyWriteExecute')).toBeUndefined()
})

test('LICENSE is the Apache License 2.0 whole, for the mouldtend authors', () => {
  const text = read('LICENSE')
  for (const part of ['Version 2.0, January 2004', '9. Accepting Warranty or Additional Liability', 'END OF TERMS AND CONDITIONS'])
    expect(text).toContain(part)
  expect([...text.matchAll(/^ *Copyright (.*)$/gm)].map((match) => match[1])).toEqual(['2026 the mouldtend authors'])
})
