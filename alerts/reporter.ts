import type { Outbox } from './channel.ts'

/** What became of a row, on its way to the store. */
export type Report =
  { readonly kind: 'delivered'; readonly row: number } | { readonly kind: 'dead'; readonly row: number; readonly why: string }

export interface Reporter {
  readonly add: (report: Report) => void
  readonly waiting: () => number
  readonly close: () => Promise<void>
}
export interface ReporterSettings {
  readonly outbox: Outbox
  readonly report_ms: number
  readonly wait_ms: (tries: number) => number
  readonly onFault: (why: string | null) => void
  readonly onReported: (rows: readonly number[]) => void
}
const BATCH = 256

/**
 * Tells the store in batches what was delivered. What the store does not take is told again; until then the rows count as known, so
 * that they are not sent twice. A crash before the report sends them again with the same id: at least once.
 */
export function createReporter({ outbox, report_ms, wait_ms, onFault, onReported }: ReporterSettings): Reporter {
  let delivered: number[] = []
  let dead: { readonly row: number; readonly why: string }[] = []
  let timer: NodeJS.Timeout | null = null
  let running: Promise<void> | null = null
  let [onTheWay, faults] = [0, 0]
  let isClosing = false

  function plan(wait: number): void {
    timer ??= setTimeout(() => {
      timer = null
      start()
    }, wait)
  }
  function start(): void {
    if (running !== null) return
    running = flush().finally(() => {
      running = null
      if (waiting() > 0 && !isClosing) plan(faults === 0 ? 0 : wait_ms(faults))
    })
  }
  async function flush(): Promise<void> {
    const [rows, refused] = [delivered, dead]
    ;[delivered, dead] = [[], []]
    onTheWay = rows.length + refused.length
    const done: number[] = []
    try {
      if (rows.length > 0) await outbox.delivered(rows)
      done.push(...rows)
      for (const { row, why } of refused) {
        await outbox.dead(row, why)
        done.push(row)
      }
      if (faults > 0) onFault(null)
      faults = 0
    } catch (fault) {
      faults += 1
      onFault(`outbox does not take what was delivered: ${String(fault)}`)
      const told = new Set(done)
      delivered = [...rows.filter((row) => !told.has(row)), ...delivered]
      dead = [...refused.filter(({ row }) => !told.has(row)), ...dead]
    }
    onTheWay = 0
    onReported(done)
  }
  const waiting = (): number => delivered.length + dead.length + onTheWay

  return {
    add: (report) => {
      if (report.kind === 'delivered') delivered.push(report.row)
      else dead.push({ row: report.row, why: report.why })
      if (waiting() >= BATCH && faults === 0) start()
      else plan(faults === 0 ? report_ms : wait_ms(faults))
    },
    waiting,
    close: async () => {
      isClosing = true
      if (timer !== null) clearTimeout(timer)
      if (running !== null) await running
      // One last try; what the store does not take now is sent again after the next start, with the same id.
      if (waiting() > 0) await flush()
    },
  }
}
