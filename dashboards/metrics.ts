import { Registry, type OpenMetricsContentType } from 'prom-client'
import type { ServiceFacts } from './facts.ts'
import { processValueWriter } from './process-values.ts'
import { serviceMetrics } from './service-metrics.ts'

export interface Exposition {
  readonly contentType: string
  readonly text: string
}

/**
 * All metrics, written when they are asked for. Scrapes that overlap share one writing, so that many askers cost no more
 * than one. `accept` is the request's header: OpenMetrics where it is asked for, else the older text format.
 */
export function metricsWriter(facts: ServiceFacts, version: string): (accept: string) => Promise<Exposition> {
  const plain = once(() => writer(facts, version, new Registry()))
  // The library renames its counters for this format and does not name them back, hence a set of its own, made at need.
  const openMetrics = once(() => {
    const registry = new Registry<OpenMetricsContentType>()
    registry.setContentType(Registry.OPENMETRICS_CONTENT_TYPE)
    return writer(facts, version, registry)
  })
  return (accept) => (/\bapplication\/openmetrics-text\b/i.test(accept) ? openMetrics() : plain())()
}

function writer(facts: ServiceFacts, version: string, registry: Registry | Registry<OpenMetricsContentType>): () => Promise<Exposition> {
  const fill = serviceMetrics(registry, facts, version)
  const processValues = processValueWriter()
  let took_ms: number | null = null
  let running: Promise<Exposition> | null = null
  const write = async (): Promise<Exposition> => {
    const start_ms = performance.now()
    const values = await processValues(facts.circuits(), facts.alarms(), facts.now_ms(), facts.started_ms)
    fill(took_ms)
    const text = values + (await registry.metrics())
    took_ms = performance.now() - start_ms
    return { contentType: registry.contentType, text }
  }
  return () => {
    running ??= write().finally(() => {
      running = null
    })
    return running
  }
}

function once<T>(make: () => T): () => T {
  let made: { readonly value: T } | null = null
  return () => (made ??= { value: make() }).value
}
