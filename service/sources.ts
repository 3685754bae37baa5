import { openModbus } from '../collector/adapters/modbus.ts'
import { openReplay } from '../collector/adapters/replay.ts'
import type { Clock, Secrets, Sink, Source, SourceFigures } from '../collector/source.ts'
import type { Standing } from '../collector/standing-faults.ts'
import type { Plan, SourcePlan, UnitPlan } from '../config/plan.ts'

export interface Sources {
  /** Opens what the plan has now; a source whose settings and units are unchanged stays open. */
  readonly follow: (plan: Plan, secrets: Secrets) => Promise<void>
  readonly figures: () => readonly { readonly id: string; readonly kind: string; readonly figures: SourceFigures }[]
  /** Faults that stand now, of all sources. */
  readonly standing: () => readonly Standing[]
  readonly close: () => Promise<void>
}
interface Running {
  readonly plan: SourcePlan
  /** What the source was opened with, as text: the same again needs no reopening. */
  readonly made: string
  readonly source: Source
}

/** The table of adapters: one line each. OPC UA is by far the largest and is loaded only where a site has it. */
async function open(plan: SourcePlan, units: readonly UnitPlan[], sink: Sink, clock: Clock, secrets: Secrets): Promise<Source> {
  switch (plan.kind) {
    case 'modbus_tcp':
    case 'modbus_rtu_over_tcp':
    case 'modbus_serial':
      return openModbus(plan, units, sink, clock, secrets)
    case 'replay':
      return openReplay(plan, units, sink, clock, secrets)
    case 'opcua': {
      const { openOpcUa } = await import('../collector/adapters/opcua.ts')
      return openOpcUa(plan, units, sink, clock, secrets)
    }
  }
}

export function openSources(sink: Sink, clock: Clock): Sources {
  const running = new Map<string, Running>()
  let turn: Promise<void> = Promise.resolve()

  async function change(plan: Plan, secrets: Secrets): Promise<void> {
    const wanted = new Map(plan.sources.map((source) => [source.id, source]))
    for (const [id, old] of running) {
      const next = wanted.get(id)
      if (next !== undefined && made(next, plan) === old.made) continue
      running.delete(id)
      await old.source.close()
    }
    // OPC UA first: loading its library takes the better part of a second, and no poll of another source may be late for that.
    for (const source of plan.sources.toSorted((a, b) => Number(b.kind === 'opcua') - Number(a.kind === 'opcua'))) {
      if (running.has(source.id)) continue
      const units = plan.units.filter((unit) => unit.source === source.id)
      running.set(source.id, { plan: source, made: made(source, plan), source: await open(source, units, sink, clock, secrets) })
    }
  }

  return {
    // One change at a time: a second discovery may come while the first is being followed.
    follow: (plan, secrets) => {
      const done = turn.then(() => change(plan, secrets))
      // Whoever asked hears of a failure; the next change is tried all the same.
      turn = done.catch(() => undefined)
      return done
    },
    figures: () => [...running.values()].map(({ plan, source }) => ({ id: plan.id, kind: plan.kind, figures: source.figures() })),
    standing: () => [...running.values()].flatMap(({ source }) => source.standing?.() ?? []),
    close: async () => {
      await turn
      await Promise.all([...running.values()].map(({ source }) => source.close()))
      running.clear()
    },
  }
}

/** What an adapter is given, without what it does not look at (rules). */
function made(source: SourcePlan, plan: Plan): string {
  const units = plan.units.filter((unit) => unit.source === source.id)
  return JSON.stringify([
    source,
    units.map((unit) => ({ ...unit, rules: null, circuits: unit.circuits.map((circuit) => ({ ...circuit, rules: null })) })),
  ])
}
