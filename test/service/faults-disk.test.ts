import { rmSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, onTestFinished, test, vi } from 'vitest'
import { startMosquitto, subscribe } from '../alerts/mosquitto.ts'
import { canMakeDisks, smallDisk } from '../history/scratch.ts'
import { tool } from '../tool.ts'
import {
  alarmsIn,
  device,
  expectNoneLostOrDoubled,
  expectPunctual,
  folder,
  journalOf,
  PROFILE,
  RULES,
  run,
  told,
  UNIT,
  until,
  watchMachine,
  type Running,
  type Told,
} from './faults-bench.ts'

const [mosquitto, mosquittoSub] = [tool('mosquitto'), tool('mosquitto_sub')]
const WELL = ['well-1', 'well-2', 'well-3', 'well-4']
const MEGA = 1024 * 1024

/** A service whose history has a disk of its own, and somebody who listens. */
async function begin() {
  const disk = smallDisk(48 * MEGA) ?? ''
  const at = folder()
  onTestFinished(at.remove)
  const well = await Promise.all(WELL.map(() => device()))
  for (const each of well) onTestFinished(each.close)
  const broker = await startMosquitto(mosquitto ?? '')
  onTestFinished(broker.close)
  const ear = await subscribe(mosquittoSub ?? '', broker.port, 'mouldtend/+/+/+/event')
  onTestFinished(ear.close)
  at.write('bench.yaml', PROFILE)
  const site = at.write(
    'site.yaml',
    `site: kestrel-hall
units:
${well.map(({ port }, i) => `  - { id: ${WELL[i] ?? ''}, connection: { host: 127.0.0.1, port: ${port} }, address: 1, ${UNIT} }`).join('\n')}
${RULES}
history: { file: ${disk}/history.db }
http: { port: 0 }
mqtt: { url: "mqtt://127.0.0.1:${broker.port}" }
canary: 2 s
`,
  )
  const start = async (): Promise<Running> => {
    const service = await run(site)
    onTestFinished(async () => void (await service.stop()))
    await until(service, 'all are read', ({ value }) =>
      WELL.every((unit) => value('mouldtend_signal_quality', { unit, signal: 'temperature.main_line' }) === 0),
    )
    return service
  }
  let caused = 0
  /** Without what a stop does to the quality of their data. */
  const warm = (): readonly Told[] =>
    told(ear.heard).filter(({ alarm, event }) => alarm.endsWith(':too_warm') && event !== 'quality_changed')
  return {
    site,
    ear,
    well,
    start,
    warm,
    history: join(disk, 'history.db'),
    caused: () => caused,
    /** All units to this temperature, and each told of it: what was told, but for what came again after a kill. */
    all: async (degC: number): Promise<readonly Told[]> => {
      const before = new Set(warm().map(({ id }) => id))
      caused += well.length
      for (const each of well) each.warm(degC)
      await vi.waitFor(() => expect(new Set(warm().map(({ id }) => id)).size).toBe(caused), 5000)
      return warm().filter(({ id }) => !before.has(id))
    },
    fill: (name: string): void => {
      expect(() => {
        for (;;) writeFileSync(join(disk, name), Buffer.alloc(4096), { flag: 'a' })
      }).toThrow(/ENOSPC/)
    },
    free: (...names: readonly string[]): void => {
      for (const name of names) rmSync(join(disk, name))
    },
  }
}
const notices = (service: Running): readonly unknown[] => service.log.flatMap(({ notice }) => (notice === undefined ? [] : [notice]))
const recorded = (all: readonly Told[]): readonly boolean[] => all.map((one) => one.recorded)
const yes = [true, true, true, true]
const no = [false, false, false, false]
const isFull = (service: Running): Promise<void> =>
  vi.waitFor(async () => expect((await service.ready()).codes).toContain('store_disk_full'), 15_000)

describe.skipIf(mosquitto === null || mosquittoSub === null || !canMakeDisks())('a disk that fills up while the service runs', () => {
  test('alerts go on, first from the reserve, then unrecorded; all is kept once there is room again', { timeout: 120_000 }, async () => {
    const { site, ear, start, all, fill, free, caused, history } = await begin()
    const service = await start()
    const machine = watchMachine(service)
    onTestFinished(async () => void (await machine.close()))
    await service.lateness(WELL)
    machine.held_ms()
    expect(recorded(await all(50))).toEqual(yes)

    fill('filler-1')
    await isFull(service)
    expect(recorded(await all(25)), 'the reserve is for the journal').toEqual(yes)
    expect(notices(service)).toContain('reserve_released')
    expect((await service.ready()).codes, 'the disk is full all the same').toContain('store_disk_full')

    fill('filler-2')
    expect(recorded(await all(50)), 'the reserve is gone as well').toEqual(no)
    expect(recorded(await all(25))).toEqual(no)
    expect((await service.ready()).codes).toContain('store_disk_full')
    await expectPunctual(service, WELL, machine)

    free('filler-1', 'filler-2')
    await vi.waitFor(async () => expect(await service.ready()).toEqual({ status: 200, codes: [] }), 25_000)
    await vi.waitFor(() => expect(notices(service)).toContain('reserve_restored'), 15_000)
    expect(recorded(await all(50))).toEqual(yes)
    await expectPunctual(service, WELL, machine)
    const ends = service.log.filter(({ msg }) => msg.startsWith('The history takes records again'))
    expect(ends, 'the end is said once').toHaveLength(1)

    expect(await service.stop()).toBe(0)
    const records = await journalOf(history)
    await expectNoneLostOrDoubled(site, records, told(ear.heard))
    expect(alarmsIn(records).filter(({ event }) => event.rule === 'too_warm' && event.event !== 'quality_changed')).toHaveLength(caused())
    expect(records.filter(({ event }) => event.event === 'gap').length).toBeGreaterThan(0)
  })

  test('killed while the disk is full: it goes on from the state that came with the last records', { timeout: 60_000 }, async () => {
    const { site, ear, start, all, fill, free, caused, history } = await begin()
    const first = await start()
    await all(50)
    fill('filler')
    await isFull(first)
    expect(recorded(await all(25))).toEqual(yes)
    expect(recorded(await all(50))).toEqual(yes)
    first.child.kill('SIGKILL')
    await vi.waitFor(() => expect(first.child.signalCode).toBe('SIGKILL'))
    free('filler')

    const second = await start()
    expect(recorded(await all(25)), 'they stood, and end now').toEqual(yes)
    expect(await second.stop()).toBe(0)
    const records = await journalOf(history)
    await expectNoneLostOrDoubled(site, records, told(ear.heard), 'same id')
    expect(alarmsIn(records).filter(({ event }) => event.rule === 'too_warm' && event.event !== 'quality_changed')).toHaveLength(caused())
  })
})
