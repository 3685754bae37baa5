import { messageFor } from '../alerts/message.ts'
import type { Identified } from '../alerts/outbox-messages.ts'
import type { AlarmMessage } from '../alerts/payloads.ts'
import type { Plan } from '../config/plan.ts'
import type { AlarmEvent } from '../rules/event.ts'
import type { HallReady } from './demo-site.ts'
import { eventTopic, ROOT } from '../alerts/topics.ts'

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
  const happens = (what: string, text: string): void => say(`\n${wrap(`${clock()}  ${what.padEnd(6)} `, text)}`)
  const detail = (what: string, text: string): void => say(wrap(`${' '.repeat(14)}${what.padEnd(8)} `, text))

  function alarm(id: string, event: AlarmEvent, message: AlarmMessage): void {
    const { lines } = message
    happens('ALARM', message.headline)
    if (lines.causes.length > 0) detail('likely', `${lines.causes.join('; ')}.`)
    // Of every circuit that is, or may be, hot or under pressure: whoever reads one message may read no other.
    if (lines.caution !== null) detail('CAUTION', lines.caution.replace(/^Caution, /, ''))
    detail('first', lines.first_step)
    alarms += 1
    if (alarms > 1) return
    detail('why', sentence(lines.explanation))
    detail('to see', `in the journal under ${id.slice(0, 12)}…,`)
    detail('', `on MQTT under ${eventTopic(message.site, event)},`)
    detail('', `in /metrics as mouldtend_alarm_active{rule="${event.rule}"}.`)
  }

  return {
    opening: ({ httpPort, mqtt, file, history }) => {
      const port = new URL(mqtt.url).port
      const metrics = `http://127.0.0.1:${httpPort}/metrics`
      say(`
mouldtend now watches ${settings.plan.units.length} units over Modbus TCP and OPC UA. It looks and never writes to a unit.

  alerts      ${mqtt.url}${mqtt.wsPort === null ? '' : `, over WebSocket ws://127.0.0.1:${mqtt.wsPort}`}
              see them: mosquitto_sub -p ${port} -v -t '${ROOT}/${settings.plan.site}/#'
  metrics     ${metrics}, for a metrics store and its dashboards
              see them: curl -s ${metrics} | grep mouldtend_alarm
  readiness   http://127.0.0.1:${httpPort}/readyz
  site file   ${file}
  journal     ${history}

Times are minutes and seconds since the hall was started. Stop with Ctrl-C.
  hall        is what happens to the virtual units,
  ALARM       is what mouldtend finds out by itself and tells people, with what to do first,
  over        is an alarm whose cause has gone.
The first fault comes after ${story[0]?.at_s ?? 0} s.`)
      for (const point of story) {
        const wait_ms = hallStarted_ms + point.at_s * 1000 - Date.now()
        const place = sentence(point.place.replace(/^Kestrel Hall, /, '')).replace(/\.$/, '')
        timers.push(setTimeout(() => happens('hall', `${place}: ${point.what}`), Math.max(0, wait_ms)))
      }
    },
    events: (events, recorded, plan) => {
      for (const { id, event } of events) {
        if (event.kind === 'record') continue
        if (event.annunciate) alarm(id, event, messageFor(event, plan, Date.now(), { id, recorded }))
        else if (event.event === 'returned') happens('over', messageFor(event, plan, Date.now(), { id, recorded }).headline)
      }
    },
    closing: (why) => {
      for (const timer of timers) clearTimeout(timer)
      say(`
Stopping: ${why}. ${alarms} ${alarms === 1 ? 'alarm was' : 'alarms were'} told. The demo's files are removed.
Next: a site file for your own units. examples/first-site.yaml is the smallest one, and
\`mouldtend check\` says what it means.`)
    },
  }
}

const sentence = (text: string): string => {
  const whole = text.charAt(0).toUpperCase() + text.slice(1)
  return /[.!?…]$/.test(whole) ? whole : `${whole}.`
}

const COLUMNS = 100
/** Text after a head, its further lines set in as far as the head is long. A word that is longer than a line stays whole. */
function wrap(head: string, text: string): string {
  const lines = ['']
  for (const word of text.split(' ')) {
    const line = lines.at(-1) ?? ''
    if (line !== '' && head.length + line.length + 1 + word.length > COLUMNS) lines.push(word)
    else lines[lines.length - 1] = line === '' ? word : `${line} ${word}`
  }
  return head + lines.join(`\n${' '.repeat(head.length)}`)
}
