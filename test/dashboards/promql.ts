/** As much of the query language as is needed to know which metrics and labels an expression speaks of. */
export interface Selector {
  readonly metric: string
  readonly labels: readonly { readonly name: string; readonly op: string; readonly value: string }[]
}
export interface Expression {
  readonly selectors: readonly Selector[]
  /** Labels named after by, without, on, ignoring, group_left and group_right. */
  readonly grouping: readonly string[]
}

const TOKEN =
  /\s+|#[^\n]*|(?<string>"(?:[^"\\]|\\.)*"|'(?:[^'\\]|\\.)*')|(?<duration>\d+(?:ms|[smhdwy]))|(?<number>\d+(?:\.\d+)?(?:e[+-]?\d+)?)|(?<name>[a-zA-Z_:][a-zA-Z0-9_:]*)|(?<op>=~|!~|!=|==|>=|<=|[-+*/%^=<>(){}[\],:@])/y
const WORDS = new Set(['and', 'or', 'unless', 'bool', 'offset', 'inf', 'nan'])
const GROUPING = new Set(['by', 'without', 'on', 'ignoring', 'group_left', 'group_right'])

interface Token {
  readonly kind: string
  readonly text: string
}

function tokens(expression: string): readonly Token[] {
  const found: Token[] = []
  TOKEN.lastIndex = 0
  while (TOKEN.lastIndex < expression.length) {
    const at = TOKEN.lastIndex
    const match = TOKEN.exec(expression)
    if (match === null) throw new Error(`cannot read ${expression.slice(at)} in ${expression}`)
    const [kind] = Object.entries(match.groups ?? {}).find(([, text]) => text !== undefined) ?? []
    if (kind !== undefined) found.push({ kind, text: match[0] })
  }
  return found
}

export function parse(expression: string): Expression {
  const all = tokens(expression)
  const selectors: Selector[] = []
  const grouping: string[] = []
  for (let i = 0; i < all.length; i += 1) {
    const { kind, text } = all[i] ?? { kind: '', text: '' }
    if (kind !== 'name' || WORDS.has(text)) continue
    const next = all[i + 1]?.text
    if (GROUPING.has(text)) {
      // group_left may stand without a list.
      if (next !== '(') continue
      for (i += 2; all[i]?.text !== ')'; i += 1) if (all[i]?.kind === 'name') grouping.push(all[i]?.text ?? '')
    } else if (next === '{') {
      const labels: { name: string; op: string; value: string }[] = []
      for (i += 2; all[i]?.text !== '}'; i += 1) {
        const [name, op, value] = [all[i], all[i + 1], all[i + 2]]
        if (name?.kind !== 'name' || op === undefined || value?.kind !== 'string') throw new Error(`bad label matcher in ${expression}`)
        labels.push({ name: name.text, op: op.text, value: value.text.slice(1, -1) })
        i += all[i + 3]?.text === ',' ? 3 : 2
      }
      selectors.push({ metric: text, labels })
    } else if (next !== '(' && !isAggregation(all, i)) {
      selectors.push({ metric: text, labels: [] })
    }
  }
  return { selectors, grouping }
}

/** `sum by (x) (…)`: an aggregation may have its grouping before its argument. */
const isAggregation = (all: readonly Token[], i: number): boolean => ['by', 'without'].includes(all[i + 1]?.text ?? '')
