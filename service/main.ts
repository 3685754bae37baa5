import { readFileSync } from 'node:fs'
import { parseArgs } from 'node:util'
import { StoreError } from '../history/store.ts'
import { ListenError } from '../dashboards/listen-error.ts'
import { check } from './check.ts'
import { demo } from './demo.ts'
import { run } from './run.ts'

/** How the process ends: all well; a fault while running; called or configured wrongly (docs/errors.md, "Exit codes"). */
export const EXIT = { ok: 0, fault: 1, usage: 2 } as const

const USAGE = `mouldtend watches mould temperature control units. It looks and never touches: nothing is ever written to a unit.

  mouldtend demo [--seconds N] [--http-port N] [--mqtt-port N] [--seed N]
      a virtual hall, the service and a broker in one, with faults to watch; needs nothing else
  mouldtend check SITE.yaml
      reads a site file and says what would be polled, and which rule watches what with which numbers
  mouldtend run SITE.yaml [--log-level trace|debug|info|warn|error]
      watches the site until it is stopped with Ctrl-C or SIGTERM
  mouldtend --version, mouldtend --help

Exit code 0: all well. 1: a fault while running. 2: called or configured wrongly.
`

export interface Options {
  readonly [name: string]: string | boolean | undefined
}

async function main(argv: readonly string[]): Promise<number> {
  let parsed
  try {
    parsed = parseArgs({
      args: [...argv],
      allowPositionals: true,
      options: {
        help: { type: 'boolean', short: 'h' },
        version: { type: 'boolean' },
        seconds: { type: 'string' },
        seed: { type: 'string' },
        'http-port': { type: 'string' },
        'mqtt-port': { type: 'string' },
        'log-level': { type: 'string' },
      },
    })
  } catch (error) {
    return wrong(error instanceof Error ? error.message : String(error))
  }
  const { values, positionals } = parsed
  const [verb, file, ...more] = positionals
  if (values.version === true) return say(version())
  if (values.help === true || verb === 'help') return say(USAGE)
  if (verb === undefined) return wrong('there is no verb.')
  if (more.length > 0) return wrong(`too many arguments: ${more.join(' ')}`)
  switch (verb) {
    case 'demo': {
      if (file !== undefined) return wrong(`demo takes no file, found "${file}".`)
      const number = (name: 'seconds' | 'seed' | 'http-port' | 'mqtt-port', most: number): number | null | string => {
        const text = values[name]
        if (text === undefined) return null
        return /^\d{1,9}$/.test(text) && Number(text) <= most ? Number(text) : `--${name}: expected 0..${most}, found "${text}".`
      }
      const seconds = number('seconds', 86_400)
      const seed = number('seed', 999_999_999)
      const httpPort = number('http-port', 65_535)
      const mqttPort = number('mqtt-port', 65_535)
      for (const one of [seconds, seed, httpPort, mqttPort]) if (typeof one === 'string') return wrong(one)
      const given = (one: number | null | string): number | null => (typeof one === 'number' ? one : null)
      return demo({ seconds: given(seconds), seed: given(seed), httpPort: given(httpPort), mqttPort: given(mqttPort), version: version() })
    }
    case 'check':
      return file === undefined ? wrong('check needs a site file.') : check(file)
    case 'run': {
      const level = values['log-level'] ?? 'info'
      if (!/^(trace|debug|info|warn|error)$/.test(level))
        return wrong(`--log-level: expected trace, debug, info, warn or error, found "${level}".`)
      return file === undefined ? wrong('run needs a site file.') : run({ file, level, version: version() })
    }
    default:
      return wrong(`there is no verb "${verb}".`)
  }
}

function wrong(text: string): number {
  process.stderr.write(`mouldtend: ${text}\n\n${USAGE}`)
  return EXIT.usage
}

function say(text: string): number {
  process.stdout.write(text.endsWith('\n') ? text : `${text}\n`)
  return EXIT.ok
}

/** From package.json: beside us in a clone, one further up in a release. */
function version(): string {
  for (const path of ['../package.json', '../../package.json']) {
    try {
      const read = JSON.parse(readFileSync(new URL(path, import.meta.url), 'utf8')) as { version: string } // our own file
      return read.version
    } catch (error) {
      if (!(error instanceof Error && 'code' in error && error.code === 'ENOENT')) throw error
    }
  }
  throw new Error('package.json is missing beside the program: the installation is damaged; install it again')
}

try {
  process.exitCode = await main(process.argv.slice(2))
} catch (error) {
  // Faults with a text of their own are for people; everything else is a bug and wants its stack.
  const known = error instanceof StoreError || error instanceof ListenError
  process.stderr.write(`mouldtend: ${known ? error.message : error instanceof Error ? (error.stack ?? error.message) : String(error)}\n`)
  process.exitCode = EXIT.fault
}
