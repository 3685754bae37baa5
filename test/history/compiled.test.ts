import { spawnSync } from 'node:child_process'
import { symlinkSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { expect, test } from 'vitest'
import { scratch } from './scratch.ts'

const ROOT = fileURLToPath(new URL('../..', import.meta.url))

test('compiled to .js, as in a release, the store thread starts and keeps what it is given', () => {
  const folder = scratch()
  const config = {
    extends: join(ROOT, 'tsconfig.json'),
    compilerOptions: {
      noEmit: false,
      rewriteRelativeImportExtensions: true,
      outDir: join(folder, 'dist'),
      rootDir: ROOT,
      typeRoots: [join(ROOT, 'node_modules/@types')],
    },
    include: [],
    files: [join(ROOT, 'history/sqlite.ts'), join(ROOT, 'history/store-thread.ts')],
  }
  writeFileSync(join(folder, 'tsconfig.json'), JSON.stringify(config))
  writeFileSync(join(folder, 'package.json'), '{"type":"module"}')
  symlinkSync(join(ROOT, 'node_modules'), join(folder, 'node_modules'))
  const compiler = spawnSync(join(ROOT, 'node_modules/.bin/tsc'), ['-p', folder], { encoding: 'utf8' })
  expect([compiler.status, compiler.stdout]).toEqual([0, ''])
  writeFileSync(
    join(folder, 'run.js'),
    `import { openHistory } from './dist/history/sqlite.js'
     const history = await openHistory(${JSON.stringify(join(folder, 'history.db'))}, { reserveBytes: 0 })
     const event = { kind: 'record', event: 'gap', subject: 'service', place: '', eventNo: 1, at_ms: 1, planVersion: '', facts: {} }
     await history.commit({ chunk: null, records: [{ id: 'a', seq: 1, engine: '1', event }], outbox: [], snapshot: null, plan: null })
     process.stdout.write(JSON.stringify([(await history.journal({ limit: 9 })).length, await history.verify()]))
     await history.close()`,
  )
  const run = spawnSync(process.execPath, ['--no-strip-types', join(folder, 'run.js')], { encoding: 'utf8' })
  expect(run.stderr).toBe('')
  expect(JSON.parse(run.stdout)).toEqual([1, { ok: true, detail: '1 journal records, 0 chunks of inputs: sound' }])
})
