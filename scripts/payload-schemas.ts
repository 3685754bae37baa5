import { mkdirSync, writeFileSync } from 'node:fs'
import { jsonSchemaOf, PUBLISHED } from '../alerts/payloads.ts'

/** Writes the published JSON Schemas of everything that goes over MQTT and webhook: node scripts/payload-schemas.ts */
const folder = new URL('../docs/schemas/', import.meta.url)
mkdirSync(folder, { recursive: true })
for (const name of Object.keys(PUBLISHED)) {
  if (!isPublished(name)) continue
  const file = new URL(`${name}.schema.json`, folder)
  writeFileSync(file, `${JSON.stringify(jsonSchemaOf(name), null, 2)}\n`)
  console.log(`docs/schemas/${name}.schema.json`)
}

function isPublished(name: string): name is keyof typeof PUBLISHED {
  return Object.hasOwn(PUBLISHED, name)
}
