import type { ReadFault } from './source.ts'

/** Every kind, for the page docs/errors.md and for metrics that must name a kind before it happened. */
export const FAULT_KINDS = [
  'timeout',
  'refused',
  'link_lost',
  'no_such_register',
  'exception',
  'malformed',
  'untrusted_certificate',
  'identity_rejected',
  'no_such_node',
  'unknown_unit_of_measure',
  'nothing_found',
  'recording',
  'sink_full',
] as const satisfies readonly ReadFault['kind'][]

/** What happened, where, what goes on regardless, what to do: for the plant engineer. Registers as on the wire, counted from 0. */
export function explain(fault: ReadFault): string {
  switch (fault.kind) {
    case 'timeout':
      return (
        `${fault.unit}: no answer within ${fault.waited_ms} ms; its signals are bad until it answers. It is asked again by itself, and the other units go on. ` +
        `Check that the unit is switched on, its cable, and its unit address; where it answers slowly, raise timeout.`
      )
    case 'refused':
      return (
        `${fault.unit}: ${fault.address} cannot be opened (${fault.detail}); the signals of all units behind it are bad. It is tried again by itself. ` +
        `Check address and port, the network, and whether another program holds the only connection.`
      )
    case 'link_lost':
      return (
        `${fault.unit}: the connection to ${fault.address} broke off (${fault.detail}); the signals of all units behind it are bad until it is back. ` +
        `It is opened again by itself. If it happens often, check cable, switch and gateway.`
      )
    case 'no_such_register':
      return (
        `${fault.unit}, register ${fault.register} (${fault.signal}): the unit says it has none (Modbus exception 2). ` +
        `The other signals go on, and it is asked for again by itself, at growing intervals of at most ten minutes. Compare with the unit's register list, then correct ${fault.line}.`
      )
    case 'exception':
      return (
        `${fault.unit}, register ${fault.register}: the unit answered with Modbus exception ${fault.code} (${exceptionText(fault.code)}). ` +
        `The signals of that request are bad, the others go on. ${exceptionRemedy(fault.code)} The request comes from ${fault.line}.`
      )
    case 'malformed':
      return (
        `${fault.unit}: what came is no answer to what was asked (${fault.detail}). It was thrown away, the signals concerned are bad, and the unit is asked again. ` +
        `Check for a second master or a second unit with the same address on the line, for termination and shielding, and baud rate and parity.`
      )
    case 'untrusted_certificate':
      return (
        `${fault.unit}: the server at ${fault.address} showed a certificate that nobody here has trusted; nothing is read from it. The other units go on. ` +
        `Compare its fingerprint with the one that the unit shows; if they agree, move ${fault.file} to trusted/certs/ beside its folder. It is tried again by itself.`
      )
    case 'identity_rejected':
      return (
        `${fault.unit}: ${fault.address} did not accept our user or certificate (${fault.detail}); nothing is read from it. The other units go on. ` +
        `Check user and password, or have our certificate trusted at the server.`
      )
    case 'no_such_node':
      return (
        `${fault.unit}: the server has no node ${fault.node} for ${fault.signal}; that signal is bad, the others go on. ` +
        `Compare with the server's address space, then correct the node id in the site file.`
      )
    case 'unknown_unit_of_measure':
      return (
        `${fault.unit}: node ${fault.node} gives its value in ${fault.found === '' ? 'no unit at all' : `"${fault.found}"`}, which we cannot turn into our unit; ` +
        `that signal is bad, the others go on. Set a common unit (°C, °F, bar, psi, l/min, gal/min …) at the unit or its server, or name a node that has one.`
      )
    case 'nothing_found':
      return (
        `${fault.unit}: no temperature control device was found at ${fault.address} (${fault.detail}). It is looked for again after each new connection. ` +
        `If the server does not follow OPC 40082-1, list its nodes in the site file.`
      )
    case 'recording':
      return `${fault.unit}: ${fault.where}: ${fault.detail}. This row was left out; the rest of the recording goes on. Correct the file.`
    case 'sink_full':
      return (
        `${fault.unit}: readings came in faster than they could be taken; polls were left out and counted as late, no alarm event was dropped. ` +
        `Polling went on by itself once there was room. Poll more slowly, or look at the load and the disk of this computer.`
      )
  }
}

/** Exception codes: MODBUS Application Protocol V1.1b3, section 7 (from memory). */
function exceptionText(code: number): string {
  return EXCEPTIONS[code]?.[0] ?? 'unknown code'
}
function exceptionRemedy(code: number): string {
  return EXCEPTIONS[code]?.[1] ?? "Look the code up in the unit's manual."
}
const EXCEPTIONS: Readonly<Record<number, readonly [string, string]>> = {
  1: ['illegal function', 'The unit does not have this table: correct `table` in the profile.'],
  2: ['illegal data address', "Compare with the unit's register list."],
  3: ['illegal data value', 'The unit does not give so many registers at once: lower `limits` in the profile.'],
  4: ['device failure', "Look at the unit's own display."],
  5: ['acknowledge', 'The unit needs longer: poll it more slowly.'],
  6: ['device busy', 'The unit needs longer: poll it more slowly.'],
  8: ['memory parity error', "Look at the unit's own display."],
  10: ['gateway path unavailable', "Check the gateway's routing and its unit addresses."],
  11: ['gateway target device failed to respond', 'Check that the unit behind the gateway is switched on, and its unit address.'],
}
