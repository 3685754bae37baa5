/** Something to say about a place in a file. The whole sentence is `<file>:<line>:<column> <path>: <text>`. */
export interface Finding {
  readonly level: 'error' | 'warning'
  readonly file: string
  /** From 1. */
  readonly line: number
  readonly column: number
  /** 'units[2].connection.port', '' for the file as a whole. */
  readonly path: string
  readonly text: string
}

export type Path = readonly (string | number)[]

export function format(finding: Finding): string {
  const where = `${finding.file}:${finding.line}:${finding.column}`
  return finding.path === '' ? `${where} ${finding.text}` : `${where} ${finding.path}: ${finding.text}`
}

/** 'units[2].connection.port'; a key that is no plain word stands in brackets: `rules["flow rate"]`. Dotted names stay as they are written. */
export function pathText(path: Path): string {
  let text = ''
  for (const step of path) {
    if (typeof step === 'number') text += `[${step}]`
    else if (/^[\w.<>-]+$/.test(step)) text += text === '' ? step : `.${step}`
    else text += `[${JSON.stringify(step)}]`
  }
  return text
}

/** A value as it may be shown to a person: short, on one line. */
export function shown(value: unknown): string {
  if (value === undefined) return 'nothing'
  if (Array.isArray(value)) return 'a list'
  if (typeof value === 'object' && value !== null) return 'a mapping'
  if (typeof value === 'number') return String(value)
  const text = JSON.stringify(value)
  return text.length > 60 ? `${text.slice(0, 57)}…"` : text
}

/** The candidate nearest to a misspelt word, null where none is near enough to be meant. */
export function nearest(word: string, candidates: Iterable<string>): string | null {
  const limit = Math.max(1, Math.floor(Math.min(word.length, 40) / 3))
  let best: string | null = null
  let least = limit + 1
  for (const candidate of candidates) {
    if (Math.abs(candidate.length - word.length) >= least) continue
    const distance = editDistance(word.toLowerCase().replaceAll(/[\s-]/g, '_'), candidate.toLowerCase().replaceAll('-', '_'))
    if (distance < least) {
      least = distance
      best = candidate
    }
  }
  return best
}

/** ' Did you mean "port"?' or, where nothing is near, what there is to choose from. */
export function suggestion(word: string, candidates: Iterable<string>): string {
  const known = [...candidates]
  const near = nearest(word, known)
  if (near !== null) return `Did you mean "${near}"?`
  if (known.length === 0) return 'Nothing of that kind is declared.'
  return `Known: ${known.slice(0, 20).join(', ')}${known.length > 20 ? ' …' : ''}.`
}

/** Levenshtein distance with swapped neighbours counted once (optimal string alignment). */
function editDistance(a: string, b: string): number {
  const rows: number[][] = [Array.from({ length: b.length + 1 }, (_, index) => index)]
  const at = (row: number, column: number): number => rows[row]?.[column] ?? 0
  for (let i = 1; i <= a.length; i++) {
    const row = [i]
    rows.push(row)
    for (let j = 1; j <= b.length; j++) {
      const cost = a[i - 1] === b[j - 1] ? 0 : 1
      let best = Math.min(at(i - 1, j) + 1, at(i, j - 1) + 1, at(i - 1, j - 1) + cost)
      if (i > 1 && j > 1 && a[i - 1] === b[j - 2] && a[i - 2] === b[j - 1]) best = Math.min(best, at(i - 2, j - 2) + 1)
      row.push(best)
    }
  }
  return at(a.length, b.length)
}
