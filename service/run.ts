import { format } from '../config/finding.ts'
import { loadSite } from '../config/load.ts'
import { resolveSecrets } from '../config/secrets.ts'
import { openLog } from './log.ts'
import { startNotify } from './notify.ts'
import { startService } from './service.ts'

/** A stop that takes longer than this is given up, so that a hanging peer cannot hold it. */
const STOP_MS = 15_000

/** `mouldtend run`: until a signal comes. */
export async function run(settings: { readonly file: string; readonly level: string; readonly version: string }): Promise<number> {
  const { file, level, version } = settings
  const log = openLog(level)
  const site = await loadSite(file)
  if (site.kind === 'bad') {
    for (const finding of site.errors) process.stderr.write(`${format(finding)}\n`)
    return 2
  }
  for (const warning of site.warnings) log.warn(format(warning))
  const { secrets, errors } = await resolveSecrets(site.plan)
  if (errors.length > 0) {
    for (const error of errors) process.stderr.write(`${file}: ${error}\n`)
    return 2
  }
  const stopped = new Promise<NodeJS.Signals>((resolve) => {
    for (const signal of ['SIGINT', 'SIGTERM', 'SIGHUP'] as const) process.once(signal, () => resolve(signal))
  })
  const service = await startService({ plan: site.plan, secrets, version, log })
  const notify = startNotify({ env: process.env, pid: process.pid, isTurning: () => !service.isStuck(), onFault: (text) => log.warn(text) })
  await notify.ready(`watching ${site.plan.units.length} units`)
  const signal = await stopped
  log.info({ signal }, 'stopping')
  await notify.stopping()
  const late = setTimeout(() => {
    log.error('the stop took too long and was cut short; what was committed is on the disk')
    process.exit(1)
  }, STOP_MS)
  await service.close()
  notify.close()
  clearTimeout(late)
  log.info('stopped')
  return 0
}
