import * as z from 'zod'
import { siteSchema } from './site-schema.ts'

/** JSON Schema (draft 2020-12) of a site file as a person writes it, for editors. Text with a final line break. */
export function siteJsonSchema(): string {
  return `${JSON.stringify(z.toJSONSchema(siteSchema, { io: 'input', target: 'draft-2020-12', reused: 'ref' }), null, 1)}\n`
}
