import { z } from 'zod'
import { WISHES } from './circuit.ts'
import { done, refuse, type Commands, type Reply } from './control-port.ts'
import { OWN_ERRORS, SENSORS } from './faults.ts'
import type { FaultOrder, Hall, Outcome, Refusal } from './hall.ts'
import type { Traffic } from './modbus-server.ts'

const seconds = z.number().min(0).max(1e9)
/** Times in virtual seconds since the hall's start; no start_s: at once; for_s counts from the start. */
const when = {
  unit: z.string(),
  zone: z.string().optional(),
  start_s: seconds.optional(),
  ramp_s: seconds.optional(),
  end_s: seconds.optional(),
  for_s: seconds.optional(),
}
const sensor = z.enum(SENSORS)
const faultBody = z
  .discriminatedUnion('kind', [
    z.strictObject({ ...when, kind: z.literal('constriction'), factor: z.number().min(1).max(1e6) }),
    z.strictObject({ ...when, kind: z.literal('closed_valve') }),
    z.strictObject({ ...when, kind: z.literal('pump_wear'), loss: z.number().min(0).max(0.95) }),
    z.strictObject({ ...when, kind: z.literal('pump_stopped') }),
    z.strictObject({ ...when, kind: z.literal('leak'), l_h: z.number().min(0).max(1000) }),
    z.strictObject({ ...when, kind: z.literal('burst_hose') }),
    z.strictObject({ ...when, kind: z.literal('heater_phase_lost'), phases: z.literal([1, 2, 3]) }),
    z.strictObject({ ...when, kind: z.literal('cooling_valve_stuck_open') }),
    z.strictObject({ ...when, kind: z.literal('cooling_valve_stuck_shut') }),
    z.strictObject({ ...when, kind: z.literal('sensor_drift'), sensor, by: z.number() }),
    z.strictObject({ ...when, kind: z.literal('sensor_break'), sensor }),
    z.strictObject({ ...when, kind: z.literal('sensor_frozen'), sensor }),
    z.strictObject({ ...when, kind: z.literal('strainer_clogging'), bar: z.number().min(0).max(20) }),
    z.strictObject({ ...when, kind: z.literal('main_switch_off') }),
    z.strictObject({ ...when, kind: z.literal('moving_set_value'), by_K: z.number() }),
    z.strictObject({ ...when, kind: z.literal('periodic_set_value'), amplitude_K: z.number(), period_s: z.number().min(2) }),
    z.strictObject({ ...when, kind: z.literal('own_error'), error: z.enum(OWN_ERRORS.map((error) => error.key)) }),
    z.strictObject({ ...when, kind: z.literal('link_down'), how: z.enum(['silent', 'closed', 'gateway', 'device_failure']) }),
    z.strictObject({ ...when, kind: z.literal('link_slow'), delay_ms: z.number().min(0).max(600_000) }),
  ])
  .refine((body) => body.end_s === undefined || body.for_s === undefined, 'end_s and for_s say the same; give one of them')

const clearBody = z.strictObject({ id: z.string().optional(), unit: z.string().optional() })
const setValueBody = z.strictObject({ unit: z.string(), zone: z.string().optional(), value: z.number().min(0).max(300) })
const modeBody = z.strictObject({ unit: z.string(), zone: z.string().optional(), mode: z.enum(WISHES) })
const machineBody = z.strictObject({ unit: z.string(), zone: z.string().optional(), running: z.boolean() })
const speedBody = z.strictObject({ speed: z.number().min(0).max(1000) })

type Read<T> = { readonly ok: true; readonly value: T } | { readonly ok: false; readonly reply: Reply }
function read<T>(schema: z.ZodType<T>, body: unknown): Read<T> {
  const parsed = schema.safeParse(body)
  if (parsed.success) return { ok: true, value: parsed.data }
  const where = parsed.error.issues.map((issue) => `${issue.path.join('.') || 'command'}: ${issue.message}`).join('; ')
  return { ok: false, reply: refuse('bad_command', `${where}; nothing was done`) }
}

/** A timed fault as somebody wrote it, for the hall. */
export function readFault(body: unknown, now_s: number): Read<FaultOrder> {
  const parsed = read(faultBody, body)
  if (!parsed.ok) return parsed
  const { unit, zone, start_s, ramp_s, end_s, for_s, ...fault } = parsed.value
  const end = for_s === undefined ? end_s : (start_s ?? now_s) + for_s
  return { ok: true, value: { unit, zone, start_s, ramp_s, end_s: end, fault } }
}

function explain(refusal: Refusal): Reply {
  switch (refusal.kind) {
    case 'unknown_unit':
      return refuse('unknown_unit', `the hall has no unit "${refusal.unit}"; GET /state lists all; nothing was done`)
    case 'unknown_zone':
      return refuse('unknown_zone', `unit ${refusal.unit} has no zone "${refusal.zone}"; nothing was done`)
    case 'too_many_faults':
      return refuse('too_many_faults', `there are ${refusal.most} faults at work already; clear some; nothing was done`)
  }
}
const answer = (outcome: Outcome<unknown>): Reply => (outcome.ok ? done(outcome.value) : explain(outcome.refusal))

function on<T>(schema: z.ZodType<T>, act: (body: T) => Reply): (body: unknown) => Reply {
  return (body) => {
    const parsed = read(schema, body)
    return parsed.ok ? act(parsed.value) : parsed.reply
  }
}

export interface Pace {
  speed: number
}

/** What can be asked of a hall while it runs, from stdin and over the control port alike. */
export function hallCommands(hall: Hall, pace: Pace, traffic: () => readonly (Traffic & { readonly port: number })[]): Commands {
  return {
    commands: {
      fault: (body) => {
        const order = readFault(body, hall.now_s)
        return order.ok ? answer(hall.inject(order.value)) : order.reply
      },
      clear: on(clearBody, (which) => done({ cleared: hall.clear(which) })),
      'set-value': on(setValueBody, ({ unit, zone, value }) => answer(hall.setValue(unit, zone, value))),
      mode: on(modeBody, ({ unit, zone, mode }) => answer(hall.wish(unit, zone, mode))),
      machine: on(machineBody, ({ unit, zone, running }) => answer(hall.machine(unit, zone, running))),
      speed: on(speedBody, ({ speed }) => {
        pace.speed = speed
        return done({ speed })
      }),
    },
    views: {
      state: () => ({
        now_s: hall.now_s,
        speed: pace.speed,
        units: hall.units.map((unit) => ({
          serial: unit.serial,
          place: unit.location,
          link: hall.link(unit).state,
          zones: unit.zones.map((zone) => ({ id: zone.id, values: zone.values() })),
        })),
        faults: hall.faults(),
        modbus: traffic().map((port) => ({ ...port, requests: Object.fromEntries(port.requests) })),
      }),
    },
  }
}
