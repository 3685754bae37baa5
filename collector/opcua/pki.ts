import { createHash } from 'node:crypto'
import { existsSync } from 'node:fs'
import { readdir } from 'node:fs/promises'
import { hostname } from 'node:os'
import { join } from 'node:path'
import type { OPCUACertificateManager } from 'node-opcua'
import type { Library } from './library.ts'

/** A folder with our own certificate and key, and with the certificates of servers: trusted, rejected, issuers. */
export interface Pki {
  readonly manager: OPCUACertificateManager
  readonly certificateFile: string
  readonly applicationUri: string
  /** Good, or what is wrong with a server's certificate; a foreign one has been put into `rejected/`, and `file` says where. */
  readonly judge: (certificate: Buffer) => Promise<{ readonly good: boolean; readonly status: string; readonly file: string }>
}

/** Folders that are being set up: two sources may share one, and only one of them makes the key. */
const opening = new Map<string, Promise<Pki>>()
const VALID_DAYS = 3650

/** Opens the folder; makes it, the key and our own certificate where they are missing. Rejects where it cannot be written. */
export function openPki(opcua: Library, folder: string): Promise<Pki> {
  const before = opening.get(folder)
  if (before !== undefined) return before
  const made = open(opcua, folder)
  opening.set(folder, made)
  made.catch(() => opening.delete(folder)) // the next attempt starts afresh: the disk may have been put right
  return made
}

async function open(opcua: Library, folder: string): Promise<Pki> {
  // Without file watchers: the folder is read anew before every judgement, which cannot miss a move.
  const manager = new opcua.OPCUACertificateManager({
    rootFolder: folder,
    automaticallyAcceptUnknownCertificate: false,
    disableFileWatchers: true,
  })
  await manager.initialize()
  manager.referenceCounter++ // we keep it for the next connection; a client would close it with its own end
  const applicationUri = `urn:${hostname()}:mouldtend`
  const certificateFile = join(folder, 'own', 'certs', 'mouldtend.pem')
  if (!existsSync(certificateFile)) {
    await manager.createSelfSignedCertificate({
      outputFile: certificateFile,
      subject: '/CN=mouldtend/O=mouldtend',
      applicationUri,
      dns: [hostname()],
      startDate: new Date(Date.now() - 86_400_000), // clocks of controllers are often behind
      validity: VALID_DAYS,
    })
  }
  const judge: Pki['judge'] = async (certificate) => {
    await manager.reloadCertificates()
    const status = await manager.checkCertificate(certificate)
    // The store names its files by the SHA-1 thumbprint of the certificate.
    const thumbprint = createHash('sha1').update(leafOf(certificate)).digest('hex')
    const rejected = join(folder, 'rejected')
    const names = existsSync(rejected) ? await readdir(rejected) : []
    const name = names.find((each) => each.includes(thumbprint))
    return { good: status.isGood(), status: status.name, file: join(rejected, name ?? `${thumbprint}.pem`) }
  }
  return { manager, certificateFile, applicationUri, judge }
}

/** A server may send a chain, one DER structure behind the other; its own certificate is the first. */
function leafOf(chain: Buffer): Buffer {
  const lengthBytes = (chain[1] ?? 0) - 0x80
  if (lengthBytes < 1 || lengthBytes > 4 || chain.length < 2 + lengthBytes) return chain
  return chain.subarray(0, 2 + lengthBytes + chain.readUIntBE(2, lengthBytes))
}
