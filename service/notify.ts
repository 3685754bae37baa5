import { spawn } from 'node:child_process'

/**
 * Tells a service manager that mouldtend is up and still turning. Node cannot send to a Unix datagram socket, so systemd's own
 * `systemd-notify` is called, once at the start, once at the stop, and three times per watchdog interval. Without NOTIFY_SOCKET,
 * that is under no such manager, nothing happens. The unit file has to say NotifyAccess=all: the message comes from a child.
 */
export interface Notify {
  /** The service does its job. `status` is one line for `systemctl status`. */
  readonly ready: (status: string) => Promise<void>
  readonly stopping: () => Promise<void>
  /** Ends the watchdog messages. */
  readonly close: () => void
}

export interface NotifySettings {
  readonly env: Readonly<Record<string, string | undefined>>
  readonly pid: number
  /**
   * Asked before each watchdog message; false holds it back, and the manager will restart the service. Only for what a restart
   * heals: a broker that is away is not such a thing, and a service that restarts watches nothing meanwhile.
   */
  readonly isTurning: () => boolean
  /** Told once when the manager cannot be reached, in words for the log. The service goes on. */
  readonly onFault: (text: string) => void
  readonly program?: string
}

export function startNotify({ env, pid, isTurning, onFault, program = 'systemd-notify' }: NotifySettings): Notify {
  if (env['NOTIFY_SOCKET'] === undefined || env['NOTIFY_SOCKET'] === '') return SILENT
  let isSending = false
  let hasFailed = false
  const send = async (...messages: string[]): Promise<void> => {
    const why = await call(program, messages, env)
    if (why === null || hasFailed) return
    hasFailed = true
    onFault(
      `The service manager cannot be told that mouldtend runs (${why}). Watching goes on, but the manager may take it for hung and restart it. ` +
        'Install systemd-notify, or set Type=exec and no WatchdogSec in the unit file.',
    )
  }
  const interval_ms = watchdogInterval_ms(env, pid)
  const timer =
    interval_ms === null
      ? null
      : setInterval(() => {
          // A call that is still under way has not been read yet; one more would help nobody.
          if (isSending || !isTurning()) return
          isSending = true
          void send('WATCHDOG=1').finally(() => (isSending = false))
        }, interval_ms)
  timer?.unref()
  const close = () => {
    if (timer !== null) clearInterval(timer)
  }
  return {
    ready: (status) => send('READY=1', `STATUS=${status.replaceAll('\n', ' ')}`),
    stopping: async () => {
      close()
      await send('STOPPING=1')
    },
    close,
  }
}

const SILENT: Notify = { ready: async () => undefined, stopping: async () => undefined, close: () => undefined }

/** A third of what the manager allows; null where it wants none of this process. Source: sd_watchdog_enabled(3). */
function watchdogInterval_ms(env: NotifySettings['env'], pid: number): number | null {
  const allowed_us = Number(env['WATCHDOG_USEC'])
  const meant = env['WATCHDOG_PID']
  if (!Number.isFinite(allowed_us) || allowed_us <= 0 || (meant !== undefined && meant !== String(pid))) return null
  return Math.max(1, Math.floor(allowed_us / 3000))
}

/** @returns why it failed, null where it did not. Never throws. */
function call(program: string, messages: readonly string[], env: NotifySettings['env']): Promise<string | null> {
  return new Promise((resolve) => {
    const child = spawn(program, messages, {
      env: { PATH: env['PATH'], NOTIFY_SOCKET: env['NOTIFY_SOCKET'] },
      stdio: 'ignore',
      timeout: 10_000,
    })
    child.on('error', (error) => resolve(error.message))
    child.on('exit', (code, signal) => resolve(code === 0 ? null : `${program} ended with ${code ?? signal}`))
  })
}
