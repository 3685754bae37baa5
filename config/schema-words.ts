import * as z from 'zod'
import { expectation, parseQuantity, sample, type Wanted } from './quantity.ts'
import { pathText, shown, suggestion, type Finding, type Path } from './finding.ts'
import type { SourceText } from './document.ts'

/**
 * Building blocks of the file formats. A message is made of two halves, what was expected and what to do, joined by SEAM;
 * what was found is put between them when the finding is made, since only then the file is at hand.
 */
const SEAM = '\u0001'
export const says = (expected: string, todo = ''): string => `${expected}${SEAM}${todo}`

const DIGITS = /^-?\d+$/
/** A whole number within bounds. */
export function whole(min: number, max: number): z.ZodNumber {
  const error = (issue: { readonly input?: unknown }): string => {
    const written = issue.input
    if (written === undefined) return says(`expected ${min}..${max}`, 'Add it.')
    if (typeof written === 'string' && DIGITS.test(written))
      return says(`expected ${min}..${max}`, `Write the number without quotes: ${written}.`)
    return says(`expected ${min}..${max}`, 'Write a whole number in that range.')
  }
  return z.number({ error }).int({ error }).min(min, { error }).max(max, { error })
}

/** Text with its unit, turned into the unit that mouldtend keeps. */
export function quantity(wanted: Wanted, bounds: { readonly min?: number; readonly max?: number; readonly hint?: string } = {}) {
  return z
    .string({ error: (issue) => refusal(parseQuantity(issue.input, wanted), wanted) })
    .meta({ description: expectation(wanted), examples: [sample(wanted)] })
    .transform((text, context): number => {
      const found = parseQuantity(text, wanted)
      if (found.kind === 'refused') {
        context.addIssue({ code: 'custom', message: says(`expected ${found.expected}`, found.todo) })
        return z.NEVER
      }
      const { min = -Infinity, max = Infinity } = bounds
      if (found.value < min || found.value > max) {
        context.addIssue({
          code: 'custom',
          message: says(`expected ${expectation(wanted)}, ${bounds.hint ?? `from ${min} to ${max}`}`, 'Correct the number.'),
        })
        return z.NEVER
      }
      return found.value
    })
}

function refusal(found: ReturnType<typeof parseQuantity>, wanted: Wanted): string {
  return found.kind === 'refused'
    ? says(`expected ${found.expected}`, found.todo)
    : says(`expected ${expectation(wanted)}`, 'Put it in quotes.')
}

/** A number of a signal with its unit; which unit fits is only known together with the signal. */
export const anyQuantity = z.union([z.string(), z.number()], { error: says('expected a number with its unit', 'Write it like "5 bar".') })

export const text = (what: string, most = 200): z.ZodString =>
  z
    .string({ error: says(`expected ${what} as text`, 'Write text; put it in quotes if it looks like a number.') })
    .min(1, { error: says(`expected ${what}`, 'Write it or leave the key out.') })
    .max(most, { error: says(`expected ${what} of at most ${most} characters`, 'Shorten it.') })

export const choice = <const T extends readonly [string, ...string[]]>(...options: T) =>
  z.enum(options, {
    error: (issue) =>
      says(
        `expected ${options.length === 1 ? options[0] : `one of ${options.join(', ')}`}`,
        typeof issue.input === 'string' ? suggestion(issue.input, options) : '',
      ),
  })

export const flag = z.boolean({ error: says('expected true or false', 'Write true or false without quotes.') })

const SLUG = /^[a-z0-9]+(?:-[a-z0-9]+)*$/
/** A name for topics, ids and files; `<n>`, `<nn>` stand for the number in a list. */
export function slug(what: string): z.ZodString {
  const error = (issue: { readonly input?: unknown }): string => {
    const written = typeof issue.input === 'string' || typeof issue.input === 'number' ? String(issue.input) : ''
    const better = slugOf(written)
    return says(`expected ${what} of small letters, digits and hyphens`, better === '' ? 'Write it like "north-07".' : `Write "${better}".`)
  }
  return z
    .string({ error })
    .min(1, { error })
    .max(60, { error: says(`expected ${what} of at most 60 characters`, 'Shorten it.') })
    .refine((word) => SLUG.test(word.replaceAll(/<n{1,4}>/g, '0')), { error })
}

/** 'TCU 07/A' as a slug: 'tcu-07-a'; '' where nothing is left. */
export function slugOf(word: string): string {
  return word
    .normalize('NFKD')
    .toLowerCase()
    .replaceAll(/[\u0300-\u036F]/g, '')
    .replaceAll(/[^a-z0-9]+/g, '-')
    .replaceAll(/^-+|-+$/g, '')
    .slice(0, 60)
    .replaceAll(/-+$/g, '')
}

/** Checks a value and turns every issue into a finding with its place. `paths`: what is wrong, for those who go on without it. */
export function checkWith<T extends z.ZodType>(
  schema: T,
  source: SourceText,
  value: unknown = source.value,
): { readonly data: z.infer<T> | null; readonly findings: readonly Finding[]; readonly paths: readonly Path[] } {
  const result = schema.safeParse(value, { error: generalError })
  if (result.success) return { data: result.data, findings: [], paths: [] }
  const told = result.error.issues.flatMap((issue) => toFindings(issue, [], source))
  return { data: null, findings: told.map((each) => each.finding), paths: told.map((each) => each.path) }
}

interface Told {
  readonly finding: Finding
  readonly path: Path
}

/** Messages for what the blocks above do not word themselves. zod hands the schema along in `inst` (its documented raw issue). */
const generalError: z.core.$ZodErrorMap = (issue) => {
  if (issue.code === 'unrecognized_keys') return `${KEYS}${knownKeys(issue.inst).join(' ')}`
  if (issue.code === 'invalid_key') return says('expected another kind of key')
  if (issue.code === 'invalid_type') return says(`expected ${EXPECTED[issue.expected] ?? issue.expected}`)
  return undefined
}
const KEYS = '\u0002'
const EXPECTED: Readonly<Record<string, string>> = {
  object: 'a mapping',
  record: 'a mapping',
  array: 'a list',
  string: 'text',
  boolean: 'true or false',
}

function knownKeys(schema: unknown): string[] {
  if (!(schema instanceof z.ZodObject)) return []
  return Object.keys(schema.shape)
}

function toFindings(issue: z.core.$ZodIssue, above: Path, source: SourceText): Told[] {
  const path: Path = [...above, ...issue.path.map((step) => (typeof step === 'number' ? step : String(step)))]
  if (issue.code === 'unrecognized_keys') {
    const known = issue.message.startsWith(KEYS) ? issue.message.slice(1).split(' ') : []
    return issue.keys.map((key) => {
      const at = [...path, key]
      const text = `there is no such key. ${suggestion(key, known)}`
      return { path: at, finding: { level: 'error', file: source.file, ...source.at(at, 'key'), path: pathText(at), text } }
    })
  }
  if (issue.code === 'invalid_union') {
    const branch = meant(issue.errors)
    if (branch !== null) return branch.flatMap((inner) => toFindings(inner, path, source))
  }
  if (issue.code === 'invalid_key') {
    const inner = issue.issues[0]
    return [{ path, finding: finding(source, path, inner?.message ?? issue.message, String(path.at(-1)), 'key') }]
  }
  return [{ path, finding: finding(source, path, issue.message, valueAt(source.value, path), 'value') }]
}

/** Of a choice between a short and a long form, the form that the person was writing: the one that got past its own outermost type. */
function meant(branches: readonly (readonly z.core.$ZodIssue[])[]): readonly z.core.$ZodIssue[] | null {
  const past = branches.filter((issues) => !issues.some((issue) => issue.path.length === 0 && issue.code === 'invalid_type'))
  return past.length === 0 ? (branches[0] ?? null) : (past[0] ?? null)
}

function finding(source: SourceText, path: Path, message: string, found: unknown, part: 'key' | 'value'): Finding {
  const [expected = message, todo = ''] = message.split(SEAM)
  const missing = found === undefined
  const what = `${expected}, found ${missing ? 'nothing' : isSecret(path) ? 'something that is not shown here' : shown(found)}`
  const sentence = `${what}.${todo === '' ? '' : ` ${todo}`}`
  return { level: 'error', file: source.file, ...source.at(path, part), path: pathText(path), text: sentence }
}

/** What stands there may be a secret, written where a reference to one belongs: it is not repeated on a screen or in a log. */
const isSecret = (path: Path): boolean => path.some((step) => /password|secret|token|headers|url$/i.test(String(step)))

export function valueAt(value: unknown, path: Path): unknown {
  let at = value
  for (const step of path) {
    if (typeof at !== 'object' || at === null || !Object.hasOwn(at, step)) return undefined
    at = Reflect.get(at, step)
  }
  return at
}
