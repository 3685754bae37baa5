import { resolve } from 'node:path'
import { CANARY_MS, HTTP, KEEP_INPUTS_MS, MQTT } from './defaults.ts'
import type { Say } from './expand.ts'
import type { ServicePlan } from './plan.ts'
import { placedSecret } from './secrets.ts'
import type { SiteFile } from './site-schema.ts'

const WEBHOOK_TIMEOUT_MS = 10_000
const isLoopback = (host: string): boolean => /^(?:127(?:\.\d+){3}|::1|localhost)$/i.test(host)

/** Where the service keeps, shows and sends things. Only what opens it to others than this machine is warned of. */
export function compileService(site: SiteFile, dir: string, warn: Say): ServicePlan {
  const file = (path: string | undefined): string | null => (path === undefined ? null : resolve(dir, path))
  const { history = {}, http = {}, mqtt = {}, webhook } = site
  const host = http.host ?? HTTP.host
  if (!isLoopback(host))
    warn(
      ['http', 'host'],
      `${host} is reachable from other machines, and so is whatever the pages show. Keep it behind a firewall or a proxy that asks who is there.`,
    )
  const embeddedHost = mqtt.embedded?.host ?? MQTT.host
  if (mqtt.url === undefined && !isLoopback(embeddedHost)) {
    warn(
      ['mqtt', 'embedded', 'host'],
      `the broker on ${embeddedHost} lets everybody read along who reaches it. Use a broker with users for more than this machine.`,
    )
  }
  if (mqtt.url !== undefined && mqtt.embedded !== undefined)
    warn(['mqtt', 'embedded'], 'is of no use beside url: no broker of our own is started.')
  if (mqtt.url !== undefined && mqtt.password !== undefined && /^(?:mqtt|ws):/.test(mqtt.url) && !isLoopback(new URL(mqtt.url).hostname)) {
    warn(['mqtt', 'url'], 'sends the password unencrypted. Use mqtts:// or wss://.')
  }
  return {
    historyFile: resolve(dir, history.file ?? `${site.site}.mouldtend.db`),
    keepInputs_ms: history.keep ?? KEEP_INPUTS_MS,
    http: { host, port: http.port ?? HTTP.port },
    mqtt: {
      url: mqtt.url ?? null,
      embedded: { host: embeddedHost, port: mqtt.embedded?.port ?? MQTT.port, wsPort: mqtt.embedded?.websocket_port ?? null },
      clientId: mqtt.client_id ?? `mouldtend-${site.site}`,
      user: mqtt.user ?? null,
      password: mqtt.password === undefined ? null : placedSecret(mqtt.password, dir),
      ca: file(mqtt.ca),
      certificate: file(mqtt.certificate),
      privateKey: file(mqtt.private_key),
      heartbeat_ms: mqtt.heartbeat ?? MQTT.heartbeat_ms,
      acceptCommands: mqtt.accept_commands ?? false,
    },
    webhook:
      webhook === undefined
        ? null
        : {
            url: webhook.url,
            headers: Object.fromEntries(
              Object.entries(webhook.headers ?? {}).map(([name, value]) => [
                name,
                typeof value === 'string' ? value : placedSecret(value, dir),
              ]),
            ),
            timeout_ms: webhook.timeout ?? WEBHOOK_TIMEOUT_MS,
            minPriority: webhook.min_priority ?? 'low',
          },
    canary_ms: site.canary ?? CANARY_MS,
  }
}
