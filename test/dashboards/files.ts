import { globSync, readFileSync } from 'node:fs'
import { parse } from 'yaml'
import { z } from 'zod'

/** The files that the metrics store and the dashboard server are given, read as far as tests look into them. */
const Rules = z.strictObject({
  groups: z.array(
    z.strictObject({
      name: z.string(),
      rules: z.array(
        z.strictObject({
          alert: z.string(),
          expr: z.string(),
          for: z.string().optional(),
          labels: z.strictObject({ priority: z.enum(['high', 'medium', 'low']) }),
          annotations: z.strictObject({ summary: z.string(), description: z.string(), action: z.string(), caution: z.string() }),
        }),
      ),
    }),
  ),
})
export const RULES_FILE = 'dashboards/alert-rules.yml'
export const alertRules = () => Rules.parse(parse(readFileSync(RULES_FILE, 'utf8'))).groups.flatMap(({ rules }) => rules)

const Source = z.object({ type: z.string(), uid: z.string() })
const Color = z.string()
const Panel = z.looseObject({
  id: z.int(),
  type: z.string(),
  title: z.string(),
  gridPos: z.object({ x: z.int(), y: z.int(), w: z.int().min(1), h: z.int().min(1) }),
  datasource: Source.optional(),
  targets: z.array(z.looseObject({ refId: z.string(), expr: z.string(), datasource: Source })).optional(),
  fieldConfig: z
    .looseObject({ defaults: z.looseObject({ thresholds: z.looseObject({ steps: z.array(z.object({ color: Color })) }).optional() }) })
    .optional(),
})
const Dashboard = z.looseObject({
  uid: z.string(),
  title: z.string(),
  description: z.string(),
  schemaVersion: z.int(),
  panels: z.array(Panel),
  templating: z.object({ list: z.array(z.looseObject({ name: z.string(), definition: z.string(), datasource: Source })) }),
})
export type Dashboard = z.infer<typeof Dashboard>

export const dashboards = (): readonly { readonly file: string; readonly dashboard: Dashboard }[] =>
  globSync('dashboards/grafana/*.json').map((file) => ({ file, dashboard: Dashboard.parse(JSON.parse(readFileSync(file, 'utf8'))) }))

/** Every expression in the dashboards and rules, with where it stands. */
export const expressions = (): readonly { readonly where: string; readonly expr: string }[] => [
  ...alertRules().map(({ alert, expr }) => ({ where: alert, expr })),
  ...dashboards().flatMap(({ dashboard }) => [
    ...dashboard.panels.flatMap(({ title, targets = [] }) => targets.map(({ expr }) => ({ where: `${dashboard.title}: ${title}`, expr }))),
    ...dashboard.templating.list.map(({ name, definition }) => ({
      where: `${dashboard.title}: $${name}`,
      expr: /^label_values\((.*), \w+\)$/.exec(definition)?.[1] ?? definition,
    })),
  ]),
]
