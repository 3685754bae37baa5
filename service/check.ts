import { requestsPerPoll } from '../collector/modbus/blocks.ts'
import { checkText } from '../config/check-text.ts'
import { format } from '../config/finding.ts'
import { loadSite } from '../config/load.ts'

/** `mouldtend check`: what a site file means, or everything that is wrong with it at once. */
export async function check(file: string): Promise<number> {
  const site = await loadSite(file)
  if (site.kind === 'bad') {
    for (const finding of [...site.errors, ...site.warnings]) process.stderr.write(`${format(finding)}\n`)
    process.stderr.write(`\n${site.errors.length} ${site.errors.length === 1 ? 'error' : 'errors'}; nothing would be started.\n`)
    return 2
  }
  process.stdout.write(checkText(site.plan, site.warnings, requestsPerPoll))
  return 0
}
