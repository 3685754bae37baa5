import type { RuleWords } from './plan.ts'

/**
 * What each rule says to people. A first step here is one that holds in every state: it looks, it asks, it never has anyone
 * work on a line or a coupling; alerts/ adds what the state of the circuit calls for. Times to respond: common practice, no source.
 */
const MINUTE = 60_000
const words = (what: string, causes: readonly string[], firstStep: string, consequence: string, respond_ms: number | null): RuleWords => ({
  what,
  causes,
  firstStep,
  consequence,
  respond_ms,
})

export const RULE_WORDS = {
  'temperature.deviation': words(
    'off its set value',
    ['heater or cooling does not keep up', 'flow too low', 'set value changed at the unit'],
    'Look at the unit: does it heat or cool, does its pump run, does its set value match the setup sheet?',
    'Parts made now may be out of tolerance.',
    15 * MINUTE,
  ),
  'temperature.outer_high': words(
    'far above its set value',
    ['cooling valve or cooling water fails', 'heater does not switch off', 'sensor reads wrong'],
    "Compare with the unit's own display and keep people away from the hoses. If it really is that hot, have the unit cool down by its own controls.",
    'Fluid, hoses and mould may get hotter than they are made for.',
    5 * MINUTE,
  ),
  'temperature.limitation': words(
    "above the unit's own temperature limitation",
    ['cooling valve or cooling water fails', 'heater does not switch off', 'limitation set below the set value'],
    "Keep people away from the hoses and compare with the unit's own display. The unit's own limiter must act; if it does not, have the unit cool down by its own controls.",
    'Hoses and couplings may get hotter than they are made for.',
    3 * MINUTE,
  ),
  'off_hot.warn': words(
    'switched off while still warm',
    ['switched off without cooling down first', 'power lost at the unit'],
    'Ask who switched it off and why. Treat fluid and hoses as hot; cooling down first is done by the unit itself.',
    'Hot fluid stands in unit, hoses and mould, and the pressure may change.',
    15 * MINUTE,
  ),
  'off_hot.high': words(
    'switched off while hot',
    ['main switch used instead of cooling down', 'power lost at the unit', 'pump stopped by a fault'],
    'Keep people away from unit, hoses and mould; treat them as hot and under pressure. A qualified person decides whether the unit is to cool down by its own program.',
    'Hot fluid stands still: it may boil where the pressure falls, and nobody sees it from outside.',
    5 * MINUTE,
  ),
  'pressure.main_line.rating': words(
    'close to what the weakest part of the circuit is made for',
    ['flow closed off behind the pump', 'pressure of the filling line', 'fluid expands while heating'],
    'Keep people away from the hoses and have the unit stop its pump by its own controls.',
    'A hose or coupling may burst.',
    3 * MINUTE,
  ),
  no_reserve: words(
    'has no heating or cooling left in reserve',
    ['heating power partly lost', 'cooling water too warm or too little', 'mould needs more than the unit has'],
    'Compare the regulation ratio with that of a like unit, and plan a check of heating and cooling.',
    'The next disturbance will take it out of tolerance.',
    null,
  ),
  'reading.missing': words(
    'gives no readings though its unit answers',
    ['this zone is switched off or taken out of the unit', 'address or node no longer right'],
    "Compare with the unit's own display, then the addresses in the site file.",
    'This circuit is not watched.',
    15 * MINUTE,
  ),
  'signal.bad': words(
    'has signals that cannot be judged',
    ['sensor broken or taken off', 'unit says the value is not available', 'register map does not fit the unit'],
    "Look which signals are bad and compare with the unit's own display.",
    'Alarms that need these signals cannot come.',
    15 * MINUTE,
  ),
  'unit_errors.high': words(
    'reports an error of its own',
    ['see the text of the error'],
    "Read the error at the unit and follow the unit's own instructions.",
    'The unit may switch itself off.',
    10 * MINUTE,
  ),
  'unit_errors.medium': words(
    'reports a warning of its own',
    ['see the text of the warning'],
    "Read the warning at the unit and follow the unit's own instructions.",
    'It may become an error.',
    30 * MINUTE,
  ),
  'unit_errors.low': words(
    'has a message of its own',
    ['see the text of the message'],
    'Read the message at the unit when passing by.',
    'None at once.',
    null,
  ),
  alarm_contact: words(
    'says "alarm" by its contact',
    ['an error that the unit shows at its own display', 'wire to the contact broken'],
    "Read the error at the unit and follow the unit's own instructions.",
    'The unit may switch itself off.',
    10 * MINUTE,
  ),
  'contact.lost': words(
    'does not answer',
    ['unit switched off', 'cable, switch or gateway', 'address changed'],
    'Is the unit switched on? Then look at cable, switch and gateway; are neighbours on the same line silent too?',
    'The unit is not watched.',
    15 * MINUTE,
  ),
  'contact.lost_hot': words(
    'does not answer and was hot when last seen',
    ['main switch used while hot', 'power lost', 'cable, switch or gateway'],
    'State unknown: treat unit, hoses and mould as hot and under pressure, keep people away, and look at the unit from a distance.',
    'Nobody sees whether it cools down or not.',
    10 * MINUTE,
  ),
} as const satisfies Record<string, RuleWords>
export type DefaultRuleId = keyof typeof RULE_WORDS
export const isDefaultRule = (id: string): id is DefaultRuleId => Object.hasOwn(RULE_WORDS, id)

/** Words of a plain limit on a signal: 'flow rate below its limit'. */
export function limitWords(signal: string, side: 'high' | 'low'): RuleWords {
  const name = signal.replaceAll(/[._]/g, ' ')
  return words(
    `${name} ${side === 'high' ? 'above' : 'below'} its limit`,
    side === 'low' && signal.includes('flow')
      ? ['a valve closed', 'strainer or channel clogged', 'pump worn or at low speed']
      : ['see what changed last at this circuit'],
    "Compare with the unit's own display and with a like circuit.",
    'The circuit works outside of what this site asks for.',
    null,
  )
}

/** What must not stand in words that a site writes itself, null where nothing is wrong. */
export function forbiddenWord(kind: 'first_step' | 'other', text: string): string | null {
  const asked = text.replaceAll(/\b(?:do not|don't|never|nobody may)\s+\w+/giu, '')
  const found =
    /\bsafe(?:ly|ty)?\b/iu.exec(asked) ??
    (kind === 'first_step' ? /\b(?:open|bleed|tighten|disconnect|loosen|unscrew)\w*/iu.exec(asked) : null)
  return found?.[0] ?? null
}
