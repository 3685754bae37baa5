import type { FastifyReply } from 'fastify'

/** An error as a machine and a person can read it: RFC 9457. `type` is about:blank where the status says it all. */
export interface Problem {
  readonly type: string
  readonly title: string
  readonly status: number
  /** What, where, what goes on regardless, what to do. */
  readonly detail: string
  readonly [extension: string]: unknown
}

/** Own kinds of problem: the code ends the address in `type`, where the meaning can be read; remedies are in docs/errors.md. */
export const PROBLEMS = {
  not_ready: 'mouldtend runs but does not do its whole job at present; `reasons` says why. What still works goes on.',
} as const
export type ProblemCode = keyof typeof PROBLEMS

export function ownProblem(code: ProblemCode, status: number, detail: string, more: Readonly<Record<string, unknown>>): Problem {
  return { type: `/problems/${code}`, title: code.replaceAll('_', ' '), status, detail, ...more }
}

export function plainProblem(status: number, title: string, detail: string): Problem {
  return { type: 'about:blank', title, status, detail }
}

export function sendProblem(reply: FastifyReply, problem: Problem): FastifyReply {
  return reply.code(problem.status).type('application/problem+json').send(JSON.stringify(problem))
}
