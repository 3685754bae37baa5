import { parseArgs } from 'node:util'
import { z } from 'zod'
import { LAYOUTS, type UnitOrder } from './hall.ts'
import { DEMO_UNITS } from './story.ts'

export const USAGE = `node simulator/main.ts [options]: a virtual hall on real protocols
  --seed N          draws the hall (default 1)
  --speed N         virtual seconds per second (default 1)
  --units LIST      e.g. tenths16:4,float32swap/oil:2,opcua/hot:1; layout[/cool|hot|oil]:count
  --story demo      the demo's faults, from the start on
  --script FILE     JSON list of timed faults
  --per-port N      units of layout tenths16 behind one Modbus port (default 4)
  --host ADDRESS    where the units listen (default 127.0.0.1)
  --first-port N    units listen on N, N+1, ...; without it on free ports
  --control-port N  control port, on loopback (default: a free one)
  --pki FOLDER      certificates of the OPC UA server (default: a temporary folder)
  --stay            go on when stdin closes
  --fleet N         instead of a hall: N bare units for measuring, over --ports P (default 8)
`

export interface Settings {
  readonly seed: number
  readonly speed: number
  readonly units: readonly UnitOrder[]
  readonly story: boolean
  readonly script: string | null
  readonly perPort: number
  readonly host: string
  readonly firstPort: number
  readonly controlPort: number
  readonly pki: string | null
  readonly stay: boolean
  /** 0: a hall. */
  readonly fleet: number
  readonly ports: number
}
export type Parsed =
  | { readonly kind: 'settings'; readonly settings: Settings }
  | { readonly kind: 'help' }
  | { readonly kind: 'bad'; readonly message: string }

const whole = (low: number, high: number): z.ZodType<number> => z.coerce.number().int().min(low).max(high)
const options = z.strictObject({
  seed: whole(0, 0xffff_ffff).default(1),
  speed: z.coerce.number().min(0).max(1000).default(1),
  units: z
    .string()
    .transform((text, context): UnitOrder[] => {
      const orders = parseUnits(text)
      if (orders !== null) return orders
      context.addIssue(`expected layout[/duty]:count, ..., 1 to 1000 units in all, found "${text}"`)
      return z.NEVER
    })
    .optional(),
  story: z.literal('demo').optional(),
  script: z.string().optional(),
  'per-port': whole(1, 247).default(4),
  host: z.string().default('127.0.0.1'),
  'first-port': whole(0, 65_000).default(0),
  'control-port': whole(0, 65_535).default(0),
  pki: z.string().optional(),
  stay: z.boolean().default(false),
  fleet: whole(1, 10_000).optional(),
  ports: whole(1, 1000).default(8),
})

export function readArguments(argv: readonly string[]): Parsed {
  const text = { type: 'string' } as const
  let given: Record<string, unknown>
  try {
    given = parseArgs({
      args: [...argv],
      options: {
        seed: text,
        speed: text,
        units: text,
        story: text,
        script: text,
        'per-port': text,
        host: text,
        'first-port': text,
        'control-port': text,
        pki: text,
        stay: { type: 'boolean' },
        fleet: text,
        ports: text,
        help: { type: 'boolean' },
      },
    }).values
  } catch (error) {
    return { kind: 'bad', message: error instanceof Error ? error.message : String(error) }
  }
  const { help, ...rest } = given
  if (help === true) return { kind: 'help' }
  const parsed = options.safeParse(rest)
  if (!parsed.success) {
    return { kind: 'bad', message: parsed.error.issues.map((issue) => `--${issue.path.join('.')}: ${issue.message}`).join('; ') }
  }
  const o = parsed.data
  // Several unit ids share a Modbus port, and a port knows 247 of them.
  if (o.fleet !== undefined && o.fleet > o.ports * 247) return { kind: 'bad', message: `--fleet: one port takes at most 247 units` }
  return {
    kind: 'settings',
    settings: {
      seed: o.seed,
      speed: o.speed,
      units: o.units ?? DEMO_UNITS,
      story: o.story === 'demo',
      script: o.script ?? null,
      perPort: o['per-port'],
      host: o.host,
      firstPort: o['first-port'],
      controlPort: o['control-port'],
      pki: o.pki ?? null,
      stay: o.stay,
      fleet: o.fleet ?? 0,
      ports: o.ports,
    },
  }
}

const oneKind = z.strictObject({
  layout: z.enum(LAYOUTS),
  duty: z.enum(['cool', 'hot', 'oil']).optional(),
  count: z.coerce.number().int().min(1).max(1000),
})

function parseUnits(text: string): UnitOrder[] | null {
  const orders: UnitOrder[] = []
  for (const part of text.split(',')) {
    const match = /^([^/:]+)(?:\/([^/:]+))?:(\d+)$/.exec(part.trim())
    const parsed = oneKind.safeParse({ layout: match?.[1], duty: match?.[2], count: match?.[3] })
    if (!parsed.success) return null
    const { layout, duty, count } = parsed.data
    for (let i = 0; i < count; i++) orders.push(duty === undefined ? { layout } : { layout, duty })
  }
  return orders.length <= 1000 ? orders : null
}
