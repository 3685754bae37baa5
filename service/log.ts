import pino from 'pino'

/** What the service needs of a logger. */
export type Log = Pick<pino.Logger, 'info' | 'warn' | 'error'>

/** JSON lines on stdout, and nowhere else. */
export function openLog(level: string): Log {
  return pino({ level, base: null, timestamp: pino.stdTimeFunctions.isoTime }, pino.destination({ dest: 1, sync: true }))
}
export const silentLog: Log = pino({ level: 'silent' })
