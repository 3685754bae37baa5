import { readFileSync } from 'node:fs'
import { z } from 'zod'

/** One plain closing line from the report of a test run, true to it: a file that could not be loaded counts as one failure. */
const Report = z.object({
  success: z.boolean(),
  numPassedTests: z.int(),
  numFailedTests: z.int(),
  numPendingTests: z.int(),
  numTodoTests: z.int(),
  testResults: z.array(z.object({ status: z.string(), assertionResults: z.array(z.unknown()) })),
})
const [file] = process.argv.slice(2)
if (file === undefined) throw new Error('usage: node scripts/ci-summary.ts report.json')
const report = Report.parse(JSON.parse(readFileSync(file, 'utf8')))
const unloaded = report.testResults.filter(({ status, assertionResults }) => status === 'failed' && assertionResults.length === 0).length
const failed = report.numFailedTests + unloaded
if (!report.success) process.exitCode = 1
console.log(`${report.numPassedTests} passed, ${failed} failed, ${report.numPendingTests + report.numTodoTests} skipped`)
