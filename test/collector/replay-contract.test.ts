import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { openReplay } from '../../collector/adapters/replay.ts'
import { systemClock } from '../../collector/clock.ts'
import { sourceContract } from '../contract/source.ts'
import { circuit, noSecrets, unit } from './plans.ts'

const plan = circuit('north-01', 'a', null, ['temperature.main_line', 'flow_rate'])

sourceContract(
  'Replay',
  async () => {
    const folder = mkdtempSync(join(tmpdir(), 'replay-'))
    const file = join(folder, 'week.csv')
    const rows = Array.from({ length: 600 }, (_, at) => `${1_700_000_000_000 + at * 50},north-01/a,89.7,12.5`)
    writeFileSync(file, `time,circuit,temperature.main_line,flow_rate\n${rows.join('\n')}\n`)
    const nothing = async (): Promise<void> => {}
    return {
      open: (sink) =>
        openReplay(
          { kind: 'replay', id: 'week', file, speed: 1, line: 'site.yaml:1' },
          [unit('north-01', [plan])],
          sink,
          systemClock(),
          noSecrets,
        ),
      circuit: plan.key,
      values: [89.7, 12.5],
      cut: nothing,
      restore: nothing,
      slow: nothing,
      connections: () => 0,
      end: async () => rmSync(folder, { recursive: true }),
    }
  },
  {
    loss: 'a file does not go silent',
    recovery: 'a file does not go silent',
    'late polls': 'a file is not slower than its own times',
    'sink full': 'a recording waits and reads on where it stopped, so its rows are late but none is left out; see replay.test.ts',
    close: 'a file is no connection; see replay.test.ts',
  },
)
