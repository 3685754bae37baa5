import { readFileSync, writeFileSync } from 'node:fs'
import { canonicalJson } from '../config/canonical.ts'
import { siteJsonSchema } from '../config/site-json-schema.ts'

// Writes config/site.schema.json, which editors use to check and complete a site file while it is written. With --check: says
// whether the file is current.
const file = new URL('../config/site.schema.json', import.meta.url)
const text = siteJsonSchema()
if (!process.argv.includes('--check')) writeFileSync(file, text)
else if (canonicalJson(JSON.parse(readFileSync(file, 'utf8'))) !== canonicalJson(JSON.parse(text))) {
  console.error('config/site.schema.json is not what config/site-schema.ts says. Run: node scripts/site-schema.ts')
  process.exitCode = 1
}
