import { mkdtemp, rm } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { openHistory } from '../../history/sqlite.ts'
import { historyContract } from '../contract/history.ts'

historyContract('SQLite', async () => {
  const folder = await mkdtemp(join(tmpdir(), 'mouldtend-history-'))
  return {
    open: (options) => openHistory(join(folder, 'history.db'), { ...options, reserveBytes: 65_536 }),
    remove: () => rm(folder, { recursive: true }),
  }
})
