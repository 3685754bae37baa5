import { execFileSync, spawnSync } from 'node:child_process'
import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterEach, describe, expect, test, vi } from 'vitest'
import { startDrainer } from '../../alerts/drainer.ts'
import type { AlertFault } from '../../alerts/fault.ts'
import { openMqtt, type MqttChannel, type MqttHooks, type MqttSettings } from '../../alerts/mqtt.ts'
import { canaryMessage, MQTT, messagesFor } from '../../alerts/outbox-messages.ts'
import { createPresent } from '../../alerts/present.ts'
import { acknowledgeTopic, eventTopic, resultTopic, statusTopic, summaryTopic } from '../../alerts/topics.ts'
import { channelContract, FORBIDDEN, refusalContract, type Rig } from '../contract/channel.ts'
import { tool } from '../tool.ts'
import { deviation, kestrel, nth, RAISED_MS, raised, ZONE } from './kestrel.ts'
import { memoryOutbox } from './memory-outbox.ts'
import { startMosquitto, subscribe, type Heard } from './mosquitto.ts'
import { silentProxy } from './silent-proxy.ts'

const [mosquitto, mosquittoSub, mosquittoPub, openssl] = [tool('mosquitto'), tool('mosquitto_sub'), tool('mosquitto_pub'), tool('openssl')]

const settingsFor = (url: string, more: Partial<MqttSettings> = {}): MqttSettings => ({
  url,
  clientId: 'mouldtend-kestrel',
  user: null,
  password: null,
  ca: null,
  certificate: null,
  privateKey: null,
  site: 'kestrel-hall',
  timezone: ZONE,
  version: '0.0.0-test',
  heartbeat_ms: 60_000,
  acceptCommands: false,
  firstRetry_ms: 20,
  mostRetry_ms: 100,
  ...more,
})

describe.skipIf(mosquitto === null || mosquittoSub === null || mosquittoPub === null)('MQTT 5 with mosquitto as broker and client', () => {
  const broker = (lines?: (folder: string) => readonly string[]) => startMosquitto(mosquitto ?? '', lines)
  const listen = (port: number, topic: string, more: readonly string[] = []) => subscribe(mosquittoSub ?? '', port, topic, more)
  const say = (port: number, topic: string, payload: string, more: readonly string[] = []) =>
    execFileSync(mosquittoPub ?? '', ['-h', '127.0.0.1', '-p', String(port), '-q', '1', '-t', topic, '-m', payload, ...more])
  const ending: (() => Promise<void>)[] = []
  afterEach(async () => {
    for (const end of ending.splice(0).toReversed()) await end()
  })
  const kept = async <T extends { readonly close: () => Promise<void> }>(making: Promise<T> | T): Promise<T> => {
    const made = await making
    ending.push(made.close)
    return made
  }
  const channelTo = (settings: MqttSettings, more: Partial<MqttHooks> = {}): { channel: MqttChannel; faults: AlertFault[] } => {
    const faults: AlertFault[] = []
    const channel = openMqtt(settings, { now_ms: () => Date.now(), onFault: (fault) => faults.push(fault), ...more })
    ending.push(channel.close)
    return { channel, faults }
  }
  const up = (channel: MqttChannel) => expect.poll(() => channel.figures().connected, { timeout: 10_000 }).toBe(true)
  const payloads = (heard: readonly Heard[]): { id: string }[] => heard.map(({ payload }) => JSON.parse(payload) as { id: string })

  const rig = async (now_ms: () => number): Promise<Rig> => {
    const server = await broker((folder) => {
      const acl = join(folder, 'acl')
      const denied = eventTopic('kestrel-hall', { ...nth(1), place: FORBIDDEN })
      writeFileSync(acl, `topic deny ${denied}\ntopic readwrite #\n`, { mode: 0o700 })
      return ['allow_anonymous true', `acl_file ${acl}`]
    })
    // The session outlives the broker's restart, so that what is published before the subscriber is back is not lost to the test.
    const ear = await listen(server.port, 'mouldtend/+/+/+/event', [
      '-V',
      '5',
      '-c',
      '-i',
      'ear',
      '-x',
      '3600',
      '-t',
      summaryTopic('kestrel-hall'),
    ])
    const channel = openMqtt(settingsFor(`mqtt://127.0.0.1:${server.port}`), { now_ms, onFault: () => {} })
    return {
      channel,
      received: () => payloads(ear.heard),
      away: async () => {
        await server.stop()
        await vi.waitUntil(() => !channel.isReady())
      },
      back: async () => {
        const before = ear.connects()
        await server.start()
        // This broker gives a session from before its restart no rights until its client is back.
        await vi.waitUntil(() => ear.connects() > before, { timeout: 15_000 })
      },
      close: async () => {
        await channel.close()
        await ear.close()
        await server.close()
      },
    }
  }
  channelContract('mqtt over mosquitto', rig)
  refusalContract('mqtt over mosquitto', rig)

  test('birth and stop on the retained status topic, last will when the connection is cut', async () => {
    const server = await kept(broker())
    const proxy = await kept(silentProxy(server.port))
    const ear = await kept(listen(server.port, statusTopic('kestrel-hall')))
    const { channel } = channelTo(settingsFor(`mqtt://127.0.0.1:${proxy.port}`, { firstRetry_ms: 60_000, mostRetry_ms: 60_000 }))
    await up(channel)
    const states = () => ear.heard.map(({ payload }) => (JSON.parse(payload) as { state: string }).state)
    await expect.poll(states).toEqual(['online'])
    await proxy.close()
    await expect.poll(states).toEqual(['online', 'lost'])
    const { channel: second } = channelTo(settingsFor(`mqtt://127.0.0.1:${server.port}`))
    await up(second)
    await second.close()
    await expect.poll(states).toEqual(['online', 'lost', 'online', 'stopped'])
    const late = await kept(listen(server.port, statusTopic('kestrel-hall')))
    await expect.poll(() => late.heard.map(({ isRetained }) => isRetained)).toEqual([true])
  })

  test('broker away and back: none lost, none doubled under another id, order per circuit', { timeout: 60_000 }, async () => {
    const server = await kept(broker())
    const ear = await kept(listen(server.port, 'mouldtend/+/+/+/event', ['-V', '5', '-c', '-i', 'ear', '-x', '3600']))
    const { channel } = channelTo(settingsFor(`mqtt://127.0.0.1:${server.port}`))
    const { outbox, rows, commit } = memoryOutbox()
    const drainer = startDrainer({ channel, outbox, onDead: () => {}, firstRetry_ms: 10, mostRetry_ms: 50, maxHeld: 64, pageSize: 16 })
    ending.push(drainer.close)
    await up(channel)
    let n = 0
    const burst = (count: number): void => {
      for (let i = 0; i < count; i += 1) {
        n += 1
        const circuit = n % 5
        for (const message of messagesFor(
          [{ id: `${circuit}-${n}`, event: nth(n, circuit) }],
          kestrel,
          [{ kind: 'mqtt', name: MQTT }],
          RAISED_MS,
        )) {
          drainer.offer(commit(message))
        }
      }
    }
    burst(100)
    for (let round = 0; round < 3; round += 1) {
      // While messages are in flight, so that acknowledgements are lost too.
      burst(50)
      await server.stop()
      burst(150)
      await expect.poll(() => channel.isReady()).toBe(false)
      await server.start()
      await up(channel)
    }
    await drainer.idle()
    expect(rows.size).toBe(0)
    const first = (): string[] => [...new Set(payloads(ear.heard).map(({ id }) => id))]
    await expect.poll(() => first().length, { timeout: 20_000 }).toBe(n)
    for (let circuit = 0; circuit < 5; circuit += 1) {
      const of = (ids: readonly string[]): string[] => ids.filter((id) => id.startsWith(`${circuit}-`))
      const got = of(payloads(ear.heard).map(({ id }) => id))
      // Doubles of one message follow each other; nothing older comes after something newer.
      const single = got.filter((id, index) => id !== got[index - 1])
      expect(single).toEqual(Array.from({ length: n }, (_, i) => `${(i + 1) % 5}-${i + 1}`).filter((id) => id.startsWith(`${circuit}-`)))
    }
    const doubled = ear.heard.length - n
    expect(doubled).toBeLessThan(n / 4)
  })

  test('a broker gone silent is left, and what it did not confirm is sent again', async () => {
    const server = await kept(broker())
    const proxy = await kept(silentProxy(server.port))
    const ear = await kept(listen(server.port, 'mouldtend/+/+/+/event'))
    const { channel, faults } = channelTo(settingsFor(`mqtt://127.0.0.1:${proxy.port}`, { confirm_ms: 300, connect_ms: 300 }))
    const { outbox, rows, commit } = memoryOutbox()
    const drainer = startDrainer({ channel, outbox, onDead: () => {}, firstRetry_ms: 10 })
    ending.push(drainer.close)
    await up(channel)
    await drainer.idle()
    proxy.silence()
    const [message] = messagesFor([{ id: 'in-the-dark', event: raised }], kestrel, [{ kind: 'mqtt', name: MQTT }], RAISED_MS)
    if (message === undefined) throw new Error('no message')
    drainer.offer(commit(message))
    await expect.poll(() => faults.map(({ kind }) => kind)).toContain('broker_silent')
    proxy.speak()
    await drainer.idle()
    expect(rows.size).toBe(0)
    await expect.poll(() => payloads(ear.heard).map(({ id }) => id)).toEqual(['in-the-dark'])
  })

  test('present state is retained, latest wins, goes when the alarm is normal, and what earlier runs left is removed', async () => {
    const server = await kept(broker())
    const stale = 'mouldtend/kestrel-hall/press-99/kite-99.a/alarm/flow.low'
    const foreign = 'mouldtend/other-hall/press-1/kite-1.a/alarm/flow.low'
    say(server.port, stale, '{"left":"over"}', ['-r'])
    say(server.port, foreign, '{"not":"ours"}', ['-r'])
    const { channel } = channelTo(settingsFor(`mqtt://127.0.0.1:${server.port}`))
    const present = createPresent()
    await up(channel)
    const retained = async (): Promise<string[]> => {
      const found = spawnSync(mosquittoSub ?? '', [
        '-h',
        '127.0.0.1',
        '-p',
        String(server.port),
        '-t',
        'mouldtend/+/+/+/alarm/+',
        '-F',
        '%t %p',
        '--retained-only',
        '-W',
        '1',
      ])
      return found.stdout
        .toString()
        .trim()
        .split('\n')
        .filter((line) => line !== '')
        .map((line) => line.slice(0, 90))
        .sort()
    }
    // Before the list is known nothing is removed: an empty list at start is no news about the hall.
    expect((await retained()).map((line) => line.split(' ')[0])).toEqual([stale, foreign].sort())
    channel.showAll(present.list())
    channel.show(present.fold([{ id: 'e1', event: raised }], kestrel))
    channel.show(
      present.fold(
        [{ id: 'e2', event: { ...raised, event: 'acknowledged', eventNo: 2, core: 'ack_active', shown: 'ack_active', by: 'p-17' } }],
        kestrel,
      ),
    )
    await expect.poll(() => channel.figures().retainedWaiting).toBe(0)
    await expect
      .poll(async () => (await retained()).map((line) => line.split(' ')[0]))
      .toEqual([`mouldtend/kestrel-hall/press-12-moving/kite-07.a/alarm/${deviation.id}`, foreign])
    channel.show(
      present.fold([{ id: 'e3', event: { ...raised, event: 'returned', eventNo: 3, core: 'normal', shown: 'normal' } }], kestrel),
    )
    await expect.poll(() => channel.figures().retainedWaiting).toBe(0)
    expect((await retained()).map((line) => line.split(' ')[0])).toEqual([foreign])
  })

  test('an acknowledge comes in where the site allows it, is answered, and rubbish and retained commands are refused', async () => {
    const server = await kept(broker())
    const ear = await kept(listen(server.port, resultTopic('kestrel-hall')))
    const seen: string[] = []
    const { channel } = channelTo(settingsFor(`mqtt://127.0.0.1:${server.port}`, { acceptCommands: true }), {
      onCommand: async (command) => {
        seen.push(`${command.id} ${command.alarm} ${command.by}`)
        return command.alarm === deviation.alarm ? { kind: 'done' } : { kind: 'rejected', why: 'no_such_alarm' }
      },
    })
    await up(channel)
    const topic = acknowledgeTopic('kestrel-hall')
    // Until the subscription stands, the broker drops commands; the first answer says that it does.
    await expect
      .poll(() => {
        say(server.port, topic, 'rubbish')
        return ear.heard.length
      })
      .toBeGreaterThan(0)
    const rubbish = ear.heard.length
    say(server.port, topic, JSON.stringify({ id: 'c1', alarm: deviation.alarm, by: 'p-17' }))
    say(server.port, topic, JSON.stringify({ id: 'c2', alarm: 'none', by: 'p-17' }))
    say(server.port, topic, JSON.stringify({ id: 'c3', alarm: deviation.alarm, by: 'p-17', shelve: true }))
    const results = () => ear.heard.map(({ payload }) => JSON.parse(payload) as { id: string | null; result: string; why: string | null })
    await expect
      .poll(() => results().filter(({ id }) => id !== null))
      .toMatchObject([
        { id: 'c1', result: 'done' },
        { id: 'c2', result: 'rejected', why: 'no_such_alarm' },
      ])
    await expect.poll(() => results().filter(({ why }) => why === 'malformed').length).toBeGreaterThan(rubbish)
    expect(seen).toEqual([`c1 ${deviation.alarm} p-17`, 'c2 none p-17'])
    // Retained, a command would come again with every connect, from nobody.
    await channel.close()
    say(server.port, topic, JSON.stringify({ id: 'c4', alarm: deviation.alarm, by: 'p-17' }), ['-r'])
    const { channel: next } = channelTo(settingsFor(`mqtt://127.0.0.1:${server.port}`, { acceptCommands: true }), {
      onCommand: async ({ id }) => {
        seen.push(id)
        return { kind: 'done' }
      },
    })
    await up(next)
    await expect.poll(() => results().map(({ why }) => why)).toContain('retained')
    expect(seen).toHaveLength(2)
  })

  test('without the site allowing it no command is even subscribed to', async () => {
    const server = await kept(broker())
    const seen: string[] = []
    const { channel } = channelTo(settingsFor(`mqtt://127.0.0.1:${server.port}`), {
      onCommand: async ({ id }) => {
        seen.push(id)
        return { kind: 'done' }
      },
      onCanary: (id) => seen.push(id),
    })
    await up(channel)
    say(server.port, acknowledgeTopic('kestrel-hall'), JSON.stringify({ id: 'c1', alarm: deviation.alarm, by: 'p-17' }))
    // The canary is published after the command: when it is back, the command would have been there.
    const canary = { ...canaryMessage('canary-1', kestrel, Date.now()), row: 1, tries: 0 }
    await expect
      .poll(async () => {
        await channel.send(canary)
        return seen.length
      })
      .toBeGreaterThan(0)
    expect(new Set(seen)).toEqual(new Set(['canary-1']))
  })

  test('user and password: wrong ones are refused and told, right ones get in', async () => {
    const server = await kept(
      broker((folder) => {
        const file = join(folder, 'passwords')
        execFileSync(tool('mosquitto_passwd') ?? '', ['-b', '-c', file, 'kestrel', 'right'])
        return ['allow_anonymous false', `password_file ${file}`]
      }),
    )
    const url = `mqtt://127.0.0.1:${server.port}`
    const wrong = channelTo(settingsFor(url, { user: 'kestrel', password: 'wrong', clientId: 'wrong' }))
    await expect.poll(() => wrong.faults[0]).toMatchObject({ kind: 'broker_refused' })
    expect(JSON.stringify(wrong.faults)).not.toContain('wrong')
    const right = channelTo(settingsFor(url, { user: 'kestrel', password: 'right' }))
    await up(right.channel)
  })

  test('two with the same client id are told that they push each other out', async () => {
    const server = await kept(broker())
    const url = `mqtt://127.0.0.1:${server.port}`
    const one = channelTo(settingsFor(url))
    await up(one.channel)
    const two = channelTo(settingsFor(url))
    await expect.poll(() => [...one.faults, ...two.faults].map(({ kind }) => kind), { timeout: 5_000 }).toContain('client_id_taken')
  })

  describe.skipIf(openssl === null)('TLS', () => {
    test('only a broker with a certificate of the given authority is trusted; a client certificate gets in', async () => {
      const run = (...args: string[]): Buffer => execFileSync(openssl ?? '', args, { stdio: ['ignore', 'pipe', 'pipe'] })
      const server = await kept(
        broker((folder) => {
          const at = (name: string): string => join(folder, name)
          const authority = (name: string): void => {
            run(
              'req',
              '-x509',
              '-newkey',
              'rsa:2048',
              '-nodes',
              '-days',
              '2',
              '-subj',
              `/CN=${name}`,
              '-keyout',
              at(`${name}.key`),
              '-out',
              at(`${name}.pem`),
            )
          }
          const signed = (name: string, extension: string): void => {
            writeFileSync(at(`${name}.ext`), extension)
            run('req', '-newkey', 'rsa:2048', '-nodes', '-subj', `/CN=${name}`, '-keyout', at(`${name}.key`), '-out', at(`${name}.csr`))
            run(
              'x509',
              '-req',
              '-in',
              at(`${name}.csr`),
              '-CA',
              at('kestrel-ca.pem'),
              '-CAkey',
              at('kestrel-ca.key'),
              '-CAcreateserial',
              '-days',
              '2',
              '-extfile',
              at(`${name}.ext`),
              '-out',
              at(`${name}.pem`),
            )
          }
          authority('kestrel-ca')
          authority('stranger')
          signed('broker', 'subjectAltName=IP:127.0.0.1\n')
          signed('service', 'extendedKeyUsage=clientAuth\n')
          return [
            'allow_anonymous true',
            `cafile ${at('kestrel-ca.pem')}`,
            `certfile ${at('broker.pem')}`,
            `keyfile ${at('broker.key')}`,
            'require_certificate true',
          ]
        }),
      )
      const pem = (name: string): string => readFileSync(join(server.folder, name), 'utf8')
      const url = `mqtts://127.0.0.1:${server.port}`
      const own = { certificate: pem('service.pem'), privateKey: pem('service.key') }
      const stranger = channelTo(settingsFor(url, { ...own, ca: pem('stranger.pem'), clientId: 'misled' }))
      await expect.poll(() => stranger.faults[0]).toMatchObject({ kind: 'broker_unreachable' })
      const nameless = channelTo(settingsFor(url, { ca: pem('kestrel-ca.pem'), clientId: 'nameless' }))
      await expect.poll(() => nameless.faults.length).toBeGreaterThan(0)
      expect(nameless.channel.figures().connected).toBe(false)
      const { channel } = channelTo(settingsFor(url, { ...own, ca: pem('kestrel-ca.pem') }))
      await up(channel)
      const [message] = messagesFor([{ id: 'over-tls', event: raised }], kestrel, [{ kind: 'mqtt', name: MQTT }], RAISED_MS)
      if (message === undefined) throw new Error('no message')
      expect(await channel.send({ ...message, row: 1, tries: 0 })).toEqual({ kind: 'delivered' })
    })
  })
})
