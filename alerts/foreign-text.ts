/** What no step of ours tells anyone to do while a circuit may be hot or under pressure (practice: what a message says). */
const HANDS_ON =
  /\b(?:open|re-?open|bleed|vent|drain|tighten|re-?tighten|disconnect|loosen|unscrew|undo|detach|uncouple|unplug|remove|release|crack)\b/i
const PROMISE = /\b(?:un)?safe(?:ly)?\b/gi

/** Does this text tell people to lay hands on a circuit? Site files can hold such words for cold circuits. */
export const tellsHandsOn = (text: string): boolean => HANDS_ON.test(text)

/**
 * Text of others (site file, unit, person) made fit for one line of ours: no control characters, no promise of ours put into
 * their mouth, at most `most` characters. The word is marked as left out, so that nobody takes the rest for the whole.
 */
export function foreign(text: string, most: number): string {
  const line = text
    // oxlint-disable-next-line no-control-regex -- these are what is taken out
    .replaceAll(/[\u0000-\u001f\u007f-\u009f\u2028\u2029\u202a-\u202e\u2066-\u2069]+/g, ' ')
    .replaceAll(PROMISE, '[…]')
    .replaceAll(/\s+/g, ' ')
    .trim()
  return clip(line.toWellFormed(), most)
}

/** At most `most` UTF-16 units, never half a character. */
export function clip(text: string, most: number): string {
  if (text.length <= most) return text
  const head = text.slice(0, most - 1)
  return `${head.isWellFormed() ? head : head.slice(0, -1)}…`
}
