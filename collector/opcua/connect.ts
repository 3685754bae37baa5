import { X509Certificate } from 'node:crypto'
import { readFile } from 'node:fs/promises'
import type { ClientSession, OPCUAClient, UserIdentityInfo } from 'node-opcua'
import type { OpcUaSource } from '../../config/plan.ts'
import type { Clock, Secrets } from '../source.ts'
import type { Library } from './library.ts'
import { openPki, type Pki } from './pki.ts'

/** Why there is no session. The text is for the plant engineer; the adapter adds which unit. */
export type Refusal =
  | { readonly kind: 'timeout' }
  | { readonly kind: 'refused' | 'identity_rejected' | 'link_lost'; readonly detail: string }
  | { readonly kind: 'untrusted_certificate'; readonly file: string }

export class Refused extends Error {
  readonly why: Refusal
  constructor(why: Refusal) {
    super(why.kind)
    this.why = why
  }
}

export interface Link {
  readonly session: ClientSession
  /** Ends the session at the server where it can still be reached, and the connection in any case. Never rejects. */
  readonly hangUp: () => Promise<void>
}

/** Longest that a farewell may take: the server frees a forgotten session by itself. */
const FAREWELL_ms = 1000
const SESSION_ms = 30_000

/**
 * Connects and opens a session as the settings say. `giveUp` ends it at any moment, also in the middle of a connect.
 * node-opcua's own reconnection is off (maxRetry 0): after a loss everything is found and subscribed anew, by us, so that there
 * is one way to get a session and closing always ends.
 * Rejects with `Refused`.
 */
export async function connect(
  opcua: Library,
  settings: OpcUaSource,
  secrets: Secrets,
  clock: Clock,
  onLost: (detail: string) => void,
  giveUp: AbortSignal,
): Promise<Link> {
  const within = limited(clock, settings.timeout_ms, giveUp)
  const pki = await openPki(opcua, settings.pki).catch((error: unknown) => {
    throw new Refused({ kind: 'refused', detail: `its certificate folder ${settings.pki} cannot be used: ${message(error)}` })
  })
  const certificate = settings.securityMode === 'None' ? null : await trusted(opcua, settings, pki, clock, giveUp)
  const client = opcua.OPCUAClient.create({
    ...own(pki),
    securityMode: opcua.MessageSecurityMode[settings.securityMode],
    securityPolicy: opcua.SecurityPolicy[settings.securityMode === 'None' ? 'None' : settings.securityPolicy],
    ...(certificate === null ? {} : { serverCertificate: certificate }),
    requestedSessionTimeout: SESSION_ms,
    transportTimeout: Math.max(settings.timeout_ms * 3, 15_000),
  })
  const hangUp = farewell(client, clock)
  try {
    await within(client.connect(settings.endpoint))
    const session = await within(client.createSession(await identity(opcua, settings, secrets)))
    client.on('connection_lost', () => onLost('the connection broke'))
    client.on('close', () => onLost('the server closed the connection'))
    session.on('session_closed', () => onLost('the server closed the session'))
    return { session, hangUp }
  } catch (error) {
    await hangUp()
    throw refusal(error, pki)
  }
}

/** A promise with a time limit that the caller's giving up ends as well. What comes later is nobody's business any more. */
export function limited(clock: Clock, limit_ms: number, giveUp: AbortSignal): <T>(call: Promise<T>) => Promise<T> {
  return <T>(call: Promise<T>) =>
    new Promise<T>((resolve, reject) => {
      const stop = (error: Error): void => {
        timer.cancel()
        giveUp.removeEventListener('abort', onAbort)
        reject(error)
      }
      const onAbort = (): void => stop(new Refused({ kind: 'link_lost', detail: 'closed' }))
      const timer = clock.after(limit_ms, () => stop(new Refused({ kind: 'timeout' })))
      if (giveUp.aborted) {
        // The call runs all the same, and its failure must find somebody.
        call.catch(() => {})
        return onAbort()
      }
      giveUp.addEventListener('abort', onAbort)
      const come = (value: T): void => {
        timer.cancel()
        giveUp.removeEventListener('abort', onAbort)
        resolve(value)
      }
      call.then(come, (error: unknown) => stop(error instanceof Error ? error : new Error(String(error))))
    })
}

const own = (pki: Pki) => ({
  applicationName: 'mouldtend',
  applicationUri: pki.applicationUri,
  clientCertificateManager: pki.manager,
  certificateFile: pki.certificateFile,
  privateKeyFile: pki.manager.privateKey,
  // A server often advertises a host name that only its own network knows: the address is ours to say.
  endpointMustExist: false,
  connectionStrategy: { maxRetry: 0, initialDelay: 100, maxDelay: 100 },
  keepSessionAlive: false, // the subscription's own requests do
})

/** The server's certificate for the wanted security, fetched over a connection that carries nothing else, and judged. */
async function trusted(opcua: Library, settings: OpcUaSource, pki: Pki, clock: Clock, giveUp: AbortSignal): Promise<Buffer> {
  const within = limited(clock, settings.timeout_ms, giveUp)
  const client = opcua.OPCUAClient.create(own(pki))
  const hangUp = farewell(client, clock)
  try {
    await within(client.connect(settings.endpoint))
    const endpoints = await within(client.getEndpoints())
    const mode = opcua.MessageSecurityMode[settings.securityMode]
    const policy = opcua.SecurityPolicy[settings.securityPolicy]
    const fitting = endpoints.find((each) => each.securityMode === mode && each.securityPolicyUri === policy)
    if (fitting === undefined) {
      const offered = endpoints.map(
        (each) => `${opcua.MessageSecurityMode[each.securityMode]}/${each.securityPolicyUri?.split('#')[1] ?? 'None'}`,
      )
      throw new Refused({
        kind: 'refused',
        detail: `the server does not offer ${settings.securityMode}/${settings.securityPolicy}, only ${[...new Set(offered)].join(', ')}`,
      })
    }
    const verdict = await pki.judge(fitting.serverCertificate)
    if (verdict.good) return fitting.serverCertificate
    if (verdict.status === 'BadCertificateUntrusted') throw new Refused({ kind: 'untrusted_certificate', file: verdict.file })
    throw new Refused({ kind: 'refused', detail: `the server's certificate is not usable: ${verdict.status}` })
  } catch (error) {
    throw refusal(error, pki)
  } finally {
    await hangUp()
  }
}

async function identity(opcua: Library, settings: OpcUaSource, secrets: Secrets): Promise<UserIdentityInfo> {
  const who = settings.identity
  switch (who.kind) {
    case 'anonymous':
      return { type: opcua.UserTokenType.Anonymous }
    case 'user': {
      const key = 'env' in who.password ? who.password.env : who.password.file
      const password = secrets.get(key)
      if (password === undefined) throw new Refused({ kind: 'identity_rejected', detail: `there is no password under ${key}` })
      return { type: opcua.UserTokenType.UserName, userName: who.user, password }
    }
    case 'certificate': {
      const [certificate, privateKey] = await Promise.all([readFile(who.certificate), readFile(who.privateKey, 'utf8')]).catch(
        (error: unknown) => {
          throw new Refused({ kind: 'identity_rejected', detail: `the user's certificate or key cannot be read: ${message(error)}` })
        },
      )
      return { type: opcua.UserTokenType.Certificate, certificateData: new X509Certificate(certificate).raw, privateKey }
    }
  }
}

function farewell(client: OPCUAClient, clock: Clock): () => Promise<void> {
  let channel: { readonly abortConnection: (done: () => void) => void } | null = null
  client.on('secure_channel_created', (created) => (channel = created))
  return async () => {
    const never = new AbortController()
    const within = limited(clock, FAREWELL_ms, never.signal)
    // A silent peer answers no farewell: then the socket is closed under it. Neither may keep us from ending.
    const cut = (): Promise<void> => new Promise((done) => (channel === null ? done() : channel.abortConnection(done)))
    await within(client.disconnect())
      .catch(() => within(cut()))
      .catch(() => {})
  }
}

export const message = (error: unknown): string => (error instanceof Error ? error.message : String(error)).replaceAll(/\s+/g, ' ').trim()

/** What node-opcua says in an error's text, as a refusal. Codes: OPC 10000-4, common service results. */
function refusal(error: unknown, pki: Pki): Refused {
  if (error instanceof Refused) return error
  const text = message(error)
  if (/BadUserAccessDenied|BadIdentityToken|BadUserSignature|user token policy/.test(text)) {
    return new Refused({ kind: 'identity_rejected', detail: text })
  }
  if (/BadSecurityChecksFailed|BadCertificate/.test(text)) {
    return new Refused({
      kind: 'refused',
      detail: `the server does not trust our certificate; trust ${pki.certificateFile} at the server (${text})`,
    })
  }
  if (/ETIMEDOUT|timed out/i.test(text)) return new Refused({ kind: 'timeout' })
  if (/ECONNREFUSED|ENOTFOUND|EAI_AGAIN|EHOSTUNREACH|ENETUNREACH|BadTooManySessions/.test(text)) {
    return new Refused({ kind: 'refused', detail: text })
  }
  return new Refused({ kind: 'link_lost', detail: text })
}
