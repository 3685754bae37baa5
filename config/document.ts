import { isAlias, isMap, isScalar, isSeq, parseDocument, type Document, type Node } from 'yaml'
import type { Finding, Path } from './finding.ts'
import { pathText } from './finding.ts'

/** A YAML file with the place of everything in it. */
export interface SourceText {
  readonly file: string
  /** Plain JavaScript; undefined where the text is no YAML. */
  readonly value: unknown
  readonly findings: readonly Finding[]
  /** Place of the value at a path, or of the nearest thing above it that exists. 1-based. */
  readonly at: (path: Path, part?: 'key' | 'value') => { readonly line: number; readonly column: number }
}

const LARGEST_BYTES = 4_000_000

/** Parses one YAML 1.2 document. Never throws; what is wrong stands in `findings`. */
export function parseText(text: string, file: string): SourceText {
  const place = placer(text)
  const finding = (level: Finding['level'], offset: number, path: Path, message: string): Finding => ({
    level,
    file,
    ...place(offset),
    path: pathText(path),
    text: message,
  })
  const refused = (message: string): SourceText => ({
    file,
    value: undefined,
    findings: [{ level: 'error', file, line: 1, column: 1, path: '', text: message }],
    at: () => ({ line: 1, column: 1 }),
  })
  if (text.length > LARGEST_BYTES)
    return refused(`the file is larger than ${LARGEST_BYTES} bytes. Split what repeats into templates and lists.`)
  const document = parseDocument(text, { prettyErrors: false, strict: true, stringKeys: true })
  const findings = [
    ...document.errors.map((error) =>
      finding('error', error.pos[0], [], `${error.message}. Correct the YAML here; what follows may be a result of it.`),
    ),
    ...document.warnings.map((warning) => finding('warning', warning.pos[0], [], warning.message)),
  ]
  let value: unknown
  try {
    value = document.errors.length === 0 ? document.toJS({ maxAliasCount: 1000 }) : undefined
  } catch (cause) {
    // The library throws on aliases without an anchor and on alias bombs.
    findings.push(
      finding('error', 0, [], `${cause instanceof Error ? cause.message : String(cause)}. Write the values out instead of using aliases.`),
    )
  }
  return { file, value, findings, at: (path, part = 'value') => place(offsetOf(document, path, part)) }
}

/**
 * Offset to line and column, both from 1. Counted here and not by the library's LineCounter, which misses lines where an alias
 * that it refuses stands at the start of the file.
 */
function placer(text: string): (offset: number) => { readonly line: number; readonly column: number } {
  const starts = [0]
  for (let at = text.indexOf('\n'); at >= 0; at = text.indexOf('\n', at + 1)) starts.push(at + 1)
  return (offset) => {
    const within = Math.min(text.length, Math.max(0, offset))
    let [low, high] = [0, starts.length - 1]
    while (low < high) {
      const middle = Math.ceil((low + high) / 2)
      if ((starts[middle] ?? 0) <= within) low = middle
      else high = middle - 1
    }
    return { line: low + 1, column: within - (starts[low] ?? 0) + 1 }
  }
}

function offsetOf(document: Document.Parsed, path: Path, part: 'key' | 'value'): number {
  let node: Node | null = document.contents
  let offset = node?.range?.[0] ?? 0
  for (const [index, step] of path.entries()) {
    // An alias says the same as its anchor: what is wrong inside is wrong at the anchor.
    if (isAlias(node)) node = node.resolve(document) ?? null
    const wantKey = part === 'key' && index === path.length - 1
    let next: Node | null = null
    if (isMap(node)) {
      const pair = node.items.find((item) => isScalar(item.key) && String(item.key.value) === String(step))
      if (pair === undefined) return offset
      const key = isScalar(pair.key) ? pair.key : null
      next = isNode(pair.value) ? pair.value : null
      offset = (wantKey ? key : (next ?? key))?.range?.[0] ?? key?.range?.[0] ?? offset
    } else if (isSeq(node)) {
      const item = node.items[Number(step)]
      if (!isNode(item)) return offset
      next = item
      offset = next.range?.[0] ?? offset
    } else return offset
    node = next
  }
  return offset
}

function isNode(value: unknown): value is Node {
  return isMap(value) || isSeq(value) || isScalar(value) || isAlias(value)
}
