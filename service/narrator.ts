import { messageFor } from '../alerts/message.ts'
import type { Identified } from '../alerts/outbox-messages.ts'
import type { Plan } from '../config/plan.ts'
import type { HallReady } from './demo-site.ts'
import { eventTopic } from '../alerts/topics.ts'

export interface Narrator {
  readonly opening: (at: {
    readonly httpPort: number
    readonly mqtt: { readonly url: string; readonly wsPort: number | null }
    readonly file: string
    readonly history: string
  }) => void
  readonly events: (events: readonly Identified[], recorded: boolean, plan: Plan) => void
  readonly closing: (why: string) => void
}

/** What the demo's terminal shows: what happens in the hall, and what mouldtend makes of it, for somebody who sees it the first time. */
export function narrator(settings: {
  readonly say: (line: string) => void
  readonly story: HallReady['story']
  readonly plan: Plan
}): Narrator {
  const { say, story } = settings
  const hallStarted_ms = Date.now()
  const clock = (): string => {
    const passed_s = Math.floor((Date.now() - hallStarted_ms) / 1000)
    return `${String(Math.floor(passed_s / 60)).padStart(2)}:${String(passed_s % 60).padStart(2, '0')}`
  }
  const timers: NodeJS.Timeout[] = []
  let alarms = 0
  return {
    opening: ({ httpPort, mqtt, file, history }) => {
      const port = new URL(mqtt.url).port
      say(`
mouldtend now watches ${settings.plan.units.length} units over Modbus TCP and OPC UA.

  metrics     http://127.0.0.1:${httpPort}/metrics     (any standard metrics store and dashboard)
  readiness   http://127.0.0.1:${httpPort}/readyz
  alerts      ${mqtt.url}${mqtt.wsPort === null ? '' : `, over WebSocket ws://127.0.0.1:${mqtt.wsPort}`}
              e.g. mosquitto_sub -p ${port} -v -t 'mouldtend/kestrel-hall/#'
  site file   ${file}
  journal     ${history}

Stop with Ctrl-C. Times below are minutes and seconds since the hall was started.
'hall' is what happens to the virtual units, indented is what mouldtend says of it.
`)
      for (const point of story) {
        const wait_ms = hallStarted_ms + point.at_s * 1000 - Date.now()
        timers.push(
          setTimeout(() => say(`${clock()}  hall: ${point.place.replace(/^Kestrel Hall, /, '')}: ${point.what}`), Math.max(0, wait_ms)),
        )
      }
    },
    events: (events, recorded, plan) => {
      for (const { id, event } of events) {
        if (event.kind === 'record') continue
        const told = event.annunciate
        if (!told && event.event !== 'returned') continue
        const message = messageFor(event, plan, Date.now(), { id, recorded })
        if (!told) {
          say(`${clock()}      over: ${message.headline}`)
          continue
        }
        alarms += 1
        say(`${clock()}      ALARM, ${event.priority} priority: ${message.headline}`)
        if (message.lines.causes.length > 0) say(`              likely: ${message.lines.causes.join('; ')}`)
        say(`              first: ${message.lines.first_step}`)
        if (alarms === 1) {
          say(`              why: ${message.lines.explanation}`)
          say(`              in the journal as ${id.slice(0, 12)}…, on MQTT under ${eventTopic(plan.site, event)}`)
        }
      }
    },
    closing: (why) => {
      for (const timer of timers) clearTimeout(timer)
      say(`\nStopping (${why}). ${alarms} ${alarms === 1 ? 'alarm was' : 'alarms were'} told. The demo's files are removed.`)
    },
  }
}
