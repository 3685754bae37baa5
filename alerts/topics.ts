/** Topics of one site, all below `mouldtend/<site>`. Names of ours; one level per name, whatever the name holds. */
export const ROOT = 'mouldtend'
/** Second levels of our own, which no place may take. */
const OWN = new Set(['service', 'command'])
/** MQTT allows 65 535 bytes for a whole topic; nothing of ours comes near, and a receiver need not either. */
const LEVEL_MOST = 200

/**
 * One topic level: what MQTT or a reader could take for something else is percent-encoded (`/ + # $`, `%` itself, control characters).
 * Never empty. Different names give different levels as long as they are no longer than LEVEL_MOST.
 */
export function level(name: string): string {
  const whole = name.toWellFormed()
  if (whole === '') return '-'
  const short = whole.slice(0, LEVEL_MOST).toWellFormed()
  // oxlint-disable-next-line no-control-regex -- MQTT forbids U+0000 and advises against the other control characters
  return short.replaceAll(/[\u0000-\u0020\u007f-\u009f/+#$%]|^-$/g, (char) => encode(char))
}

function encode(char: string): string {
  return Array.from(Buffer.from(char, 'utf8'), (byte) => `%${byte.toString(16).toUpperCase().padStart(2, '0')}`).join('')
}

const placeLevel = (place: string): string => (OWN.has(place) ? `${encode(place.slice(0, 1))}${place.slice(1)}` : level(place))

/** `north-07.a` for circuit `north-07/a`, `north-07` for the unit as a whole: two units at one place never share a topic. */
export function circuitLevel(unit: string, circuit: string | null): string {
  const dotless = (name: string): string => level(name).replaceAll('.', '%2E')
  if (circuit === null) return dotless(unit)
  const own = circuit.startsWith(`${unit}/`) ? circuit.slice(unit.length + 1) : circuit
  return `${dotless(unit)}.${dotless(own)}`
}

interface Where {
  readonly place: string
  readonly unit: string
  readonly circuit: string | null
}
const circuitTopic = (site: string, where: Where): string =>
  `${ROOT}/${level(site)}/${placeLevel(where.place)}/${circuitLevel(where.unit, where.circuit)}`

export const eventTopic = (site: string, where: Where): string => `${circuitTopic(site, where)}/event`
export const alarmTopic = (site: string, where: Where & { readonly rule: string }): string =>
  `${circuitTopic(site, where)}/alarm/${level(where.rule)}`
/** Filter for every retained present state of the site. */
export const alarmFilter = (site: string): string => `${ROOT}/${level(site)}/+/+/alarm/+`
export const statusTopic = (site: string): string => `${ROOT}/${level(site)}/service/status`
export const heartbeatTopic = (site: string): string => `${ROOT}/${level(site)}/service/heartbeat`
export const canaryTopic = (site: string): string => `${ROOT}/${level(site)}/service/canary`
export const summaryTopic = (site: string): string => `${ROOT}/${level(site)}/service/summary`
export const acknowledgeTopic = (site: string): string => `${ROOT}/${level(site)}/command/acknowledge`
export const resultTopic = (site: string): string => `${ROOT}/${level(site)}/command/result`
