import type { AlertFault } from './fault.ts'
import type { Link } from './mqtt-link.ts'
import type { AlarmState } from './payloads.ts'
import { stateTopic, type StateChange } from './present.ts'

export interface RetainedSettings {
  readonly link: () => Link
  readonly url: string
  readonly onFault: (fault: AlertFault) => void
  readonly again_ms?: number
}
export interface Retained {
  readonly showAll: (states: readonly AlarmState[]) => void
  readonly show: (changes: readonly StateChange[]) => void
  readonly onUp: () => void
  /** The broker holds something on this topic; if it is none of ours it goes. */
  readonly onHeld: (topic: string) => void
  readonly waiting: () => number
  readonly close: () => void
}
const MOST_IN_FLIGHT = 32

/** Present state on retained topics. Never queued: the latest state of a topic wins, and all of it is sent anew at every connect. */
export function createRetained({ link, url, onFault, again_ms = 1_000 }: RetainedSettings): Retained {
  const shown = new Map<string, string>()
  const dirty = new Set<string>()
  const inFlight = new Set<string>()
  /** Topics that the broker refuses for good; told once. */
  const refused = new Set<string>()
  let isKnown = false
  let retry: NodeJS.Timeout | null = null

  function set({ topic, state }: StateChange): void {
    if (state === null) shown.delete(topic)
    else shown.set(topic, JSON.stringify(state))
    dirty.add(topic)
  }

  function pump(): void {
    if (!isKnown || retry !== null) return
    for (const topic of dirty) {
      if (inFlight.size >= MOST_IN_FLIGHT || !link().isUp()) return
      // One at a time per topic, or an old state could arrive after a newer one.
      if (inFlight.has(topic)) continue
      dirty.delete(topic)
      void send(topic)
    }
  }

  async function send(topic: string): Promise<void> {
    inFlight.add(topic)
    const delivery = await link().publish(topic, shown.get(topic) ?? '', { qos: 1, retain: true })
    inFlight.delete(topic)
    switch (delivery.kind) {
      case 'delivered':
        refused.delete(topic)
        break
      case 'never':
        if (!refused.has(topic)) onFault({ kind: 'retained_refused', url, topic, why: delivery.why })
        refused.add(topic)
        break
      case 'later':
        dirty.add(topic)
        // Without a connection the next one sends everything anyway.
        if (link().isUp()) {
          retry ??= setTimeout(() => {
            retry = null
            pump()
          }, again_ms)
        }
        break
    }
    pump()
  }

  return {
    showAll: (states) => {
      const topics = new Set(states.map(stateTopic))
      for (const topic of shown.keys()) if (!topics.has(topic)) set({ topic, state: null })
      for (const state of states) set({ topic: stateTopic(state), state })
      isKnown = true
      pump()
    },
    show: (changes) => {
      for (const change of changes) set(change)
      pump()
    },
    onUp: () => {
      for (const topic of shown.keys()) dirty.add(topic)
      pump()
    },
    onHeld: (topic) => {
      if (shown.has(topic) || inFlight.has(topic)) return
      dirty.add(topic)
      pump()
    },
    waiting: () => dirty.size + inFlight.size,
    close: () => {
      if (retry !== null) clearTimeout(retry)
    },
  }
}
