import { access, readFile } from 'node:fs/promises'
import { basename, dirname, resolve } from 'node:path'
import { fileURLToPath } from 'node:url'
import { compileSite, profileFile, profileNames, SHIPPED, type Compiled } from './compile-site.ts'
import { parseText, type SourceText } from './document.ts'
import type { Finding, Path } from './finding.ts'
import type { Plan } from './plan.ts'
import { parseProfile, type ProfileResult } from './profile.ts'
import { tainted, without } from './salvage.ts'
import { checkWith } from './schema-words.ts'
import { siteSchema, type SiteFile } from './site-schema.ts'

export type Loaded =
  | { readonly kind: 'ok'; readonly plan: Plan; readonly warnings: readonly Finding[] }
  | { readonly kind: 'bad'; readonly errors: readonly Finding[]; readonly warnings: readonly Finding[] }

/** Reads, checks and compiles a site file with the profiles that it names. All faults come back in one go, in the order of the file. */
export async function loadSite(file: string): Promise<Loaded> {
  const name = basename(file)
  let text: string
  try {
    text = await readFile(file, 'utf8')
  } catch (cause) {
    return { kind: 'bad', errors: [unreadable(name, file, cause)], warnings: [] }
  }
  return loadText(text, name, dirname(resolve(file)))
}

/** The same on a text that is at hand. @param dir what relative files are relative to. */
export async function loadText(text: string, name: string, dir: string): Promise<Loaded> {
  const source = parseText(text, name)
  if (source.value === undefined) return sorted(source.findings, null)
  if (source.value === null) {
    const empty: Finding = {
      level: 'error',
      file: name,
      line: 1,
      column: 1,
      path: '',
      text: 'the file is empty. Begin with site: and units:.',
    }
    return sorted([empty], null)
  }
  const checked = checkWith(siteSchema, source)
  if (checked.data !== null) {
    const { plan, findings } = await compileWith(checked.data, source, dir)
    return sorted([...source.findings, ...findings], plan)
  }
  // The rest of the file is checked as well, so that everything is told in one go.
  const rest = checkWith(siteSchema, source, without(source.value, checked.paths))
  const more = rest.data === null ? [] : (await compileWith(rest.data, source, dir)).findings
  const isTainted = tainted(checked.paths, usersOf(rest.data, checked.paths))
  return sorted([...source.findings, ...checked.findings, ...more.filter((each) => each.file !== name || !isTainted(each.path))], null)
}

/** Units that stand on a template or a line in which something was wrong. */
function usersOf(site: SiteFile | null, wrong: readonly Path[]): Path[] {
  const names = new Set(wrong.flatMap(([section, name]) => (section === 'templates' || section === 'lines' ? [String(name)] : [])))
  const templates = Object.entries(site?.templates ?? {}).flatMap(([name, { line }]) =>
    line !== undefined && names.has(line) ? [name] : [],
  )
  for (const name of templates) names.add(name)
  return (site?.units ?? []).flatMap((unit, index): Path[] => {
    const uses = [unit, ...Object.values(unit.overrides ?? {})].flatMap((each) => [each.template, each.line])
    return uses.some((each) => each !== undefined && names.has(each)) ? [['units', index]] : []
  })
}

async function compileWith(site: SiteFile, source: SourceText, dir: string): Promise<Compiled> {
  const profiles = new Map<string, ProfileResult>()
  for (const wanted of profileNames(site)) {
    const found = await loadProfile(wanted, dir)
    if (found !== null) profiles.set(wanted, found)
  }
  const { plan, findings } = compileSite(site, source, dir, profiles)
  return { plan, findings: [...findings, ...[...profiles.values()].flatMap((each) => (each.kind === 'ok' ? each.warnings : each.errors))] }
}

function sorted(findings: readonly Finding[], plan: Plan | null): Loaded {
  const ordered = findings.toSorted((a, b) => a.file.localeCompare(b.file) || a.line - b.line || a.column - b.column)
  const errors = ordered.filter((each) => each.level === 'error')
  const warnings = ordered.filter((each) => each.level === 'warning')
  return plan === null || errors.length > 0 ? { kind: 'bad', errors, warnings } : { kind: 'ok', plan, warnings }
}

/** A shipped profile by its name, or a file of the site's own; null where there is no such shipped profile. */
async function loadProfile(wanted: string, dir: string): Promise<ProfileResult | null> {
  const own = profileFile(wanted, dir)
  if (own === null && !SHIPPED.includes(wanted)) return null
  const file = own ?? (await shippedFile(wanted))
  try {
    return parseProfile(await readFile(file, 'utf8'), basename(file))
  } catch (cause) {
    return { kind: 'bad', errors: [unreadable(basename(file), file, cause)] }
  }
}

/** Beside this file in a clone; in a release this file lies compiled in a folder of its own, two levels down. */
async function shippedFile(name: string): Promise<string> {
  const beside = fileURLToPath(new URL(`./profiles/${name}.yaml`, import.meta.url))
  const released = fileURLToPath(new URL(`../../config/profiles/${name}.yaml`, import.meta.url))
  return access(beside).then(
    () => beside,
    () => released,
  )
}

function unreadable(name: string, file: string, cause: unknown): Finding {
  const why = cause instanceof Error && 'code' in cause ? String(cause.code) : String(cause)
  const todo = why === 'ENOENT' ? 'Check the name.' : 'Check the name and who may read it.'
  return { level: 'error', file: name, line: 1, column: 1, path: '', text: `cannot be read (${why}): ${file}. ${todo}` }
}
