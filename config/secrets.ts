import { readFile } from 'node:fs/promises'
import { resolve } from 'node:path'
import type { Plan, SecretRef } from './plan.ts'

/** Name of a secret in the map that adapters and channels get: the variable's name, or the file. Never the secret. */
export const secretName = (ref: SecretRef): string => ('env' in ref ? ref.env : ref.file)

/** A reference with its file where it really is. @param dir what relative files are relative to. */
export const placedSecret = (ref: SecretRef, dir: string): SecretRef => ('env' in ref ? ref : { file: resolve(dir, ref.file) })

/** Every place of a plan that refers to a secret, in words. */
function references(plan: Plan): { readonly ref: SecretRef; readonly of: string }[] {
  const found: { ref: SecretRef; of: string }[] = []
  for (const source of plan.sources) {
    if (source.kind === 'opcua' && source.identity.kind === 'user')
      found.push({ ref: source.identity.password, of: `password of ${source.id} (${source.line})` })
  }
  const { mqtt, webhook } = plan.service
  if (mqtt.password !== null) found.push({ ref: mqtt.password, of: 'mqtt.password' })
  for (const [header, value] of Object.entries(webhook?.headers ?? {}))
    if (typeof value !== 'string') found.push({ ref: value, of: `webhook.headers.${header}` })
  return found
}

const LARGEST_BYTES = 65_536

/**
 * Looks up all secrets of a plan. What cannot be had is an error in words, with the name and never the value; what could be had is
 * in the map. A file's last line break does not count.
 */
export async function resolveSecrets(
  plan: Plan,
  env: Readonly<Record<string, string | undefined>> = process.env,
): Promise<{ readonly secrets: ReadonlyMap<string, string>; readonly errors: readonly string[] }> {
  const secrets = new Map<string, string>()
  const errors: string[] = []
  for (const { ref, of } of references(plan)) {
    if ('env' in ref) {
      const value = env[ref.env]
      if (value === undefined || value === '') errors.push(`${of}: the environment variable ${ref.env} is not set. Set it before starting.`)
      else secrets.set(secretName(ref), value)
      continue
    }
    try {
      const value = (await readFile(ref.file, 'utf8')).replace(/\r?\n$/, '')
      if (value === '' || value.length > LARGEST_BYTES)
        errors.push(`${of}: the file ${ref.file} is ${value === '' ? 'empty' : 'too large for a secret'}.`)
      else secrets.set(secretName(ref), value)
    } catch (cause) {
      const why = cause instanceof Error && 'code' in cause ? String(cause.code) : 'unknown reason'
      errors.push(`${of}: the file ${ref.file} cannot be read (${why}). Check the name and who may read it.`)
    }
  }
  return { secrets, errors }
}
