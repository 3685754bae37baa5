/** A small reader of the text that a metrics store reads, written for these tests apart from what writes it. */
export interface Sample {
  readonly name: string
  readonly labels: Readonly<Record<string, string>>
  readonly value: number
}

const LINE = /^([a-zA-Z_:][a-zA-Z0-9_:]*)(?:\{(.*)\})? (\S+)$/
const LABEL = /([a-zA-Z_][a-zA-Z0-9_]*)="((?:[^"\\\n]|\\[\\"n])*)"(,|$)/y

export function samples(text: string): readonly Sample[] {
  return text
    .split('\n')
    .filter((line) => line !== '' && !line.startsWith('#'))
    .map((line) => {
      const found = LINE.exec(line)
      const [name, inside, value] = [found?.[1], found?.[2] ?? '', found?.[3]]
      if (name === undefined || value === undefined) throw new Error(`no sample: ${line}`)
      return { name, labels: labelsOf(inside), value: value === '+Inf' ? Infinity : Number(value) }
    })
}

function labelsOf(inside: string): Readonly<Record<string, string>> {
  const labels: Record<string, string> = {}
  LABEL.lastIndex = 0
  for (let at = 0; at < inside.length; at = LABEL.lastIndex) {
    const found = LABEL.exec(inside)
    if (found?.[1] === undefined || found[2] === undefined) throw new Error(`no labels: ${inside}`)
    labels[found[1]] = found[2].replaceAll(/\\(.)/g, (_, char: string) => (char === 'n' ? '\n' : char))
  }
  return labels
}

/** The one sample with this name and (at least) these labels; null where there is none, an error where there are more. */
export function valueOf(text: string, name: string, labels: Readonly<Record<string, string>> = {}): number | null {
  const found = samples(text).filter(
    (sample) => sample.name === name && Object.entries(labels).every(([key, value]) => sample.labels[key] === value),
  )
  if (found.length > 1) throw new Error(`${found.length} samples of ${name} ${JSON.stringify(labels)}`)
  return found[0]?.value ?? null
}

/** Families with their types, as declared. */
export function declared(text: string): ReadonlyMap<string, string> {
  return new Map([...text.matchAll(/^# TYPE (\S+) (\S+)$/gm)].map((match) => [match[1] ?? '', match[2] ?? '']))
}
