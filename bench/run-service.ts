import { loadSite } from '../config/load.ts'
import { silentLog } from '../service/log.ts'
import { startService } from '../service/service.ts'
import { cpu_us, type Asked, type Look } from './look.ts'

/*
 * The whole service as `mouldtend run` starts it, in a process of its own that tells what it has used. Argument: the site file.
 */
const [file = ''] = process.argv.slice(2)
const site = await loadSite(file)
if (site.kind === 'bad') throw new Error(JSON.stringify(site.errors))
const service = await startService({ plan: site.plan, secrets: new Map(), version: 'bench', log: silentLog })

function look(): Look {
  const before = cpu_us()
  const sources = service.sources.figures()
  const sum = (of: (figures: (typeof sources)[number]['figures']) => number): number =>
    sources.reduce((total, { figures }) => total + of(figures), 0)
  let events = 0
  for (const [key, count] of service.hub.figures().events) if (/^(?:raised|returned) /.test(key)) events += count
  return {
    at_ms: performance.now(),
    cpu_us: before,
    done: sum((figures) => figures.polls),
    events,
    late: sum((figures) => figures.polls_late),
    lag_max_ms: Math.max(0, ...sources.map(({ figures }) => figures.start_lag_max_ms)),
    rss_bytes: process.memoryUsage.rss(),
    faults: sum((figures) => Object.values(figures.faults).reduce((a, b) => a + b, 0)),
    isReady: sources.length > 0 && sources.every(({ figures }) => figures.connected),
  }
}

process.on('message', (asked: Asked) => {
  if (asked === 'look') process.send?.(look())
  // Nodes as the plan has them, for a bare client that watches the same.
  else if (asked === 'nodes') process.send?.(service.plan().units.flatMap(({ circuits }) => circuits.flatMap(({ nodes }) => nodes)))
  else void service.close().then(() => process.exit(0))
})
process.on('disconnect', () => process.exit(1))
process.send?.('ready')
