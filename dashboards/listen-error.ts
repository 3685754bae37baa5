/** Why the web address could not be had. */
export type ListenFault =
  | { readonly kind: 'port_in_use'; readonly host: string; readonly port: number }
  | { readonly kind: 'port_forbidden'; readonly host: string; readonly port: number }
  | { readonly kind: 'no_such_address'; readonly host: string; readonly port: number }

export class ListenError extends Error {
  readonly fault: ListenFault
  constructor(fault: ListenFault) {
    super(explainListen(fault))
    this.name = 'ListenError'
    this.fault = fault
  }
}

/** The fault behind what `listen` threw, or null where it is none that we know: then it is a bug. */
export function listenFault(error: unknown, host: string, port: number): ListenFault | null {
  const code = error instanceof Error && 'code' in error ? error.code : null
  switch (code) {
    case 'EADDRINUSE':
      return { kind: 'port_in_use', host, port }
    case 'EACCES':
    case 'EPERM':
      return { kind: 'port_forbidden', host, port }
    case 'EADDRNOTAVAIL':
    case 'ENOTFOUND':
    case 'EAI_AGAIN':
    case 'EINVAL':
      return { kind: 'no_such_address', host, port }
    default:
      return null
  }
}

const WHAT: Readonly<Record<ListenFault['kind'], string>> = {
  port_in_use: 'another program listens there already. Stop it or set another port; port 0 takes a free one.',
  port_forbidden: 'this user may not listen there. Choose a port from 1024 upward.',
  no_such_address: "this machine has no such address. Use 127.0.0.1, or one of the machine's own addresses.",
}
const explainListen = ({ kind, host, port }: ListenFault): string =>
  `http ${host}:${port}: the pages for metrics and health cannot start, because ${WHAT[kind]}`
