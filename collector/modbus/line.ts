import { QUALITY } from '../../rules/reading.ts'
import { LATE_MS, type Counter } from '../figures.ts'
import type { Clock, ReadFault, Timer } from '../source.ts'
import type { Connection, Down } from './connection.ts'
import { MOST_WAITING } from './link.ts'
import type { Found, UnitPoll } from './unit-poll.ts'

/** A unit that keeps others waiting for this long is asked beside them, where the protocol numbers its requests. */
const BESIDE_AFTER_MS = 50
/** A silent unit on a shared line is asked again after this, doubling; the longest is shared out among the silent ones. */
const FIRST_SILENCE_MS = 2000
const LONGEST_SILENCE_MS = 10_000
const LONGEST_SILENCE_OF_ALL_MS = 60_000
/** A silent unit that takes up a line with one request at a time may make the others wait for this long; not for 100 ms. */
const SLACK_MS = 60
/** On a line that is never free a silent unit is asked all the same after this, with its whole time-out. */
const STARVED_MS = 60_000

export interface Seat {
  readonly poll: UnitPoll
  /** Unit identifier on the wire. */
  readonly address: number
}
export interface LineTerms {
  readonly timeout_ms: number
  readonly retries: number
  /** Several requests may wait on the line at a time. */
  readonly numbered: boolean
  /** 0..1: where in its interval the first poll falls. */
  readonly phase: number
  readonly address: string
  /** False: there is no room for readings, so nothing new is asked. */
  readonly mayPoll: () => boolean
}

/** A unit with its place in time. */
interface Turn {
  readonly seat: Seat
  due_ms: number
  busy: boolean
  /** Silent units are asked at growing intervals. */
  silence_ms: number
  silentUntil_ms: number
  /** It answered, though too late: there is somebody to be patient with. */
  heard: boolean
  /** Of the request that waits now. */
  asked_ms: number
  deadline_ms: number
}

const NOBODY: Turn[] = []

/** The first poll comes soon, however rare the polls are. */
const FIRST_WITHIN_MS = 5000

/**
 * Polls the units of one line in turn, each at its own fixed times: a late poll does not move the later ones, and times that
 * have passed altogether are left out and counted. The unit that is due longest comes first.
 */
export interface Line {
  readonly wake: () => void
  /** A unit was heard of outside a poll. */
  readonly heard: (address: number) => void
  readonly close: () => Promise<void>
}

export function lineOf(seats: readonly Seat[], link: Connection, terms: LineTerms, clock: Clock, counter: Counter): Line {
  const opened_ms = clock.now_ms()
  const turns = seats.map((seat, index) => turnOf(seat, opened_ms, (terms.phase + index / seats.length) % 1))
  const running = new Set<Promise<void>>()
  let timer: { readonly timer: Timer; readonly due_ms: number } | null = null
  let closed = false
  /** A unit is due and waits for the line. */
  let isAnyWaiting = false

  const isSilent = (turn: Turn): boolean => turn.silence_ms > 0
  const healthyDueBefore = (at_ms: number, but: Turn): boolean =>
    turns.some((each) => each !== but && !each.busy && !isSilent(each) && each.due_ms <= at_ms)

  function wake(): void {
    if (closed) return
    let now = clock.now_ms()
    const due = dueAt(now)
    if (due !== NOBODY) {
      for (const turn of due) serve(turn, now)
      now = clock.now_ms()
    }
    arm(nextWake(now), now)
  }

  /** A timer that is early enough is left alone: most polls then cost one timer, not three. */
  function arm(next_ms: number | null, now: number): void {
    if (next_ms === null || (timer !== null && timer.due_ms <= next_ms)) return
    timer?.timer.cancel()
    timer = { timer: clock.after(Math.max(1, next_ms - now), rang), due_ms: next_ms }
  }
  function rang(): void {
    timer = null
    wake()
  }

  /** Due longest first; silent ones after all others. */
  function dueAt(now: number): readonly Turn[] {
    let due = NOBODY
    for (const turn of turns) {
      if (turn.busy || turn.due_ms > now) continue
      if (due === NOBODY) due = [turn]
      else due.push(turn)
    }
    return due.length < 2 ? due : due.sort((a, b) => Number(isSilent(a)) - Number(isSilent(b)) || a.due_ms - b.due_ms)
  }

  function serve(turn: Turn, now: number): void {
    if (!terms.mayPoll()) return counter.missed(advance(turn, now) + 1)
    const why = link.down()
    if (why !== null) return without(turn, now, qualityOf(why), faultOf(why, turn))
    if (isSilent(turn) && !mayTry(turn, now)) return without(turn, now, QUALITY.no_communication, null)
    if (lineIsFree(now)) start(turn, now)
  }

  /** A due time at which the unit is not asked: its readings say so. */
  function without(turn: Turn, now: number, reason: number, why: ReadFault | null): void {
    counter.poll(now - turn.due_ms)
    counter.missed(advance(turn, now))
    turn.seat.poll.none(reason, why)
  }

  /** Moves on to the next due time on the unit's grid; gives how many were passed over. */
  function advance(turn: Turn, now: number): number {
    const { poll_ms } = turn.seat.poll.unit
    const passed = Math.max(0, Math.floor((now - turn.due_ms) / poll_ms))
    turn.due_ms += (passed + 1) * poll_ms
    return passed
  }

  function busy(): Turn[] {
    return turns.filter((turn) => turn.busy)
  }

  function lineIsFree(now: number): boolean {
    const others = busy()
    if (others.length === 0) return true
    return terms.numbered && others.length < MOST_WAITING && others.every((turn) => now >= besideFrom(turn))
  }
  const besideFrom = (turn: Turn): number => (isSilent(turn) ? turn.asked_ms : turn.asked_ms + BESIDE_AFTER_MS)

  /** Whether a silent unit's next try is due and delays nobody. */
  function mayTry(turn: Turn, now: number): boolean {
    if (turns.length === 1) return true
    if (now < turn.silentUntil_ms) return false
    if (terms.numbered || now > turn.silentUntil_ms + STARVED_MS) return true
    return busy().length === 0 && !healthyDueBefore(now, turn)
  }

  /** How long a silent unit may keep a line that takes one request at a time: until somebody else is due. */
  function patience(turn: Turn, now: number): number {
    if (!isSilent(turn) || turn.heard || terms.numbered || now > turn.silentUntil_ms + STARVED_MS) return terms.timeout_ms
    const others = turns.filter((each) => each !== turn && !isSilent(each)).map((each) => Math.max(0, each.due_ms - now) + SLACK_MS)
    return Math.min(terms.timeout_ms, ...others)
  }

  function start(turn: Turn, now: number): void {
    counter.poll(now - turn.due_ms)
    counter.missed(advance(turn, now))
    turn.busy = true
    turn.asked_ms = now
    const done = run(turn, now).finally(() => running.delete(done))
    running.add(done)
  }

  async function run(turn: Turn, start_ms: number): Promise<void> {
    const silent = isSilent(turn)
    const expected = !silent || turns.every(isSilent)
    const found = await turn.seat.poll.poll({
      ask: (block) => {
        const now = clock.now_ms()
        // A gateway may serve in turn: behind another request, this one gets that one's time too.
        let behind_ms = 0
        for (const each of turns) if (each.busy && each !== turn) behind_ms = Math.max(behind_ms, each.deadline_ms - now)
        const wait_ms = behind_ms + patience(turn, now)
        turn.asked_ms = now
        turn.deadline_ms = now + wait_ms
        return link.read({ unit: turn.seat.address, ...block }, wait_ms, expected)
      },
      retries: silent ? 0 : terms.retries,
      spare: () => !turns.some((each) => each !== turn && !each.busy && each.due_ms <= clock.now_ms()),
      whyGone: () => {
        const why = link.down()
        return why === null ? null : faultOf(why, turn)
      },
    })
    const now = clock.now_ms()
    counter.took(now - start_ms)
    turn.busy = false
    turn.deadline_ms = 0
    // Due times that its own slowness took are left out, not made up for: it would only get slower.
    if (now - turn.due_ms > LATE_MS) counter.missed(advance(turn, now) + 1)
    settle(turn, found)
    // Where nobody waits and the timer comes first, there is nothing to look for.
    if (isAnyWaiting || timer === null || now >= timer.due_ms || turn.due_ms < timer.due_ms) wake()
  }

  function settle(turn: Turn, found: Found): void {
    if (found === 'gone') return
    turn.heard = false
    if (found === 'answered') {
      turn.silence_ms = 0
      return
    }
    const share_ms = Math.min(LONGEST_SILENCE_OF_ALL_MS, LONGEST_SILENCE_MS * Math.max(1, turns.filter(isSilent).length))
    turn.silence_ms = Math.min(share_ms, turn.silence_ms === 0 ? FIRST_SILENCE_MS : turn.silence_ms * 2)
    turn.silentUntil_ms = clock.now_ms() + turn.silence_ms
  }

  function faultOf(why: Down, turn: Turn): ReadFault | null {
    const unit = turn.seat.poll.unit.id
    switch (why.kind) {
      case 'dialling':
      case 'silent':
        return null
      case 'refused':
      case 'link_lost':
        return { kind: why.kind, unit, address: terms.address, detail: why.detail }
    }
  }

  /** Null: nothing to do before a poll ends. */
  function nextWake(now: number): number | null {
    let next = Infinity
    let isWaiting = false
    for (const turn of turns) {
      if (turn.busy) continue
      if (turn.due_ms <= now) isWaiting = true
      else if (turn.due_ms < next) next = turn.due_ms
    }
    isAnyWaiting = isWaiting
    if (isWaiting) next = Math.min(next, besideAll() ?? Infinity)
    return next === Infinity ? null : next
  }
  const besideAll = (): number | null => (terms.numbered && busy().length < MOST_WAITING ? Math.max(...busy().map(besideFrom)) : null)

  return {
    wake,
    heard: (address) => {
      for (const turn of turns) {
        if (turn.seat.address !== address || !isSilent(turn)) continue
        turn.heard = true
        turn.silentUntil_ms = Math.min(turn.silentUntil_ms, clock.now_ms())
      }
    },
    close: async () => {
      closed = true
      timer?.timer.cancel()
      await link.close()
      await Promise.all(running)
    },
  }
}

function turnOf(seat: Seat, opened_ms: number, phase: number): Turn {
  const due_ms = opened_ms + Math.round(phase * Math.min(seat.poll.unit.poll_ms, FIRST_WITHIN_MS))
  return { seat, due_ms, busy: false, silence_ms: 0, silentUntil_ms: 0, heard: false, asked_ms: 0, deadline_ms: 0 }
}

const qualityOf = (why: Down): number => (why.kind === 'dialling' ? QUALITY.waiting_for_initial_data : QUALITY.no_communication)
