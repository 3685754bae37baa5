/** A stream of numbers that a seed decides wholly: the same seed gives the same hall, on any machine. */
export interface Random {
  /** Even in [0, 1). */
  readonly next: () => number
  readonly between: (low: number, high: number) => number
  /** Whole number, both ends included. */
  readonly whole: (low: number, high: number) => number
  readonly pick: <T>(from: readonly [T, ...T[]]) => T
  /** Normal with mean 0 and deviation 1. */
  readonly gauss: () => number
}

/** 32-bit mixing step (the finaliser of MurmurHash3, public domain; from memory): turns near seeds into far ones. */
function mix(seed: number): number {
  let h = seed | 0
  h = Math.imul(h ^ (h >>> 16), 0x85ebca6b)
  h = Math.imul(h ^ (h >>> 13), 0xc2b2ae35)
  return (h ^ (h >>> 16)) | 0
}

/**
 * sfc32, the small fast counting generator (public domain; from memory).
 * `stream` numbers independent streams of one seed, so that one more unit in the hall changes none of the others.
 */
export function random(seed: number, stream = 0): Random {
  let a = mix(seed)
  let b = mix(stream ^ 0x9e3779b9)
  let c = mix(seed + 0x7f4a7c15)
  let counter = 1
  const word = (): number => {
    const t = (((a + b) | 0) + counter) | 0
    counter = (counter + 1) | 0
    a = b ^ (b >>> 9)
    b = (c + (c << 3)) | 0
    c = (c << 21) | (c >>> 11)
    c = (c + t) | 0
    return t >>> 0
  }
  // The first words still resemble the seed.
  for (let i = 0; i < 12; i++) word()
  const next = (): number => word() / 0x1_0000_0000
  let spare = Number.NaN
  const gauss = (): number => {
    if (!Number.isNaN(spare)) {
      const value = spare
      spare = Number.NaN
      return value
    }
    // Box and Muller; 1 - next() is never 0, so the logarithm is finite.
    const radius = Math.sqrt(-2 * Math.log(1 - next()))
    const angle = 2 * Math.PI * next()
    spare = radius * Math.sin(angle)
    return radius * Math.cos(angle)
  }
  return {
    next,
    between: (low, high) => low + (high - low) * next(),
    whole: (low, high) => low + Math.floor((high - low + 1) * next()),
    pick: (from) => from[Math.floor(next() * from.length)] ?? from[0],
    gauss,
  }
}

/**
 * The value in whole steps of 1/perUnit. Divides by a whole number: multiplying by 0.1 misses the decimal number by a bit.
 * Adding 0 turns -0, which no display shows, into 0.
 */
export const quantise = (value: number, perUnit: number): number => Math.round(value * perUnit) / perUnit + 0
