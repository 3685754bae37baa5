// Who may import whom. One rule per wall; docs: DEVELOPERS.md, "The walls".
const room = (name) => `^${name}/`
const sides = ['collector', 'history', 'alerts', 'dashboards']
export default {
  forbidden: [
    { name: 'no-cycles', severity: 'error', from: {}, to: { circular: true, dependencyTypesNot: ['type-only'] } },
    {
      name: 'rules-are-pure',
      comment: 'rules/ decides from values to values: it imports itself and types of config/, nothing else',
      severity: 'error',
      from: { path: room('rules') },
      to: { pathNot: ['^rules/', '^config/(plan|register-map)\\.ts$'] },
    },
    {
      name: 'rules-take-only-types-of-config',
      severity: 'error',
      from: { path: room('rules') },
      to: { path: '^config/', dependencyTypesNot: ['type-only'] },
    },
    ...sides.map((side) => ({
      name: `${side}-knows-no-other-side`,
      comment: 'service/ alone puts the rooms together',
      severity: 'error',
      from: { path: room(side) },
      to: { path: [...sides.filter((other) => other !== side).map(room), '^service/', '^simulator/', '^test/', '^bench/'] },
    })),
    {
      name: 'config-knows-rules-only',
      severity: 'error',
      from: { path: room('config') },
      to: { path: '^(collector|history|alerts|dashboards|service|simulator|test|bench)/' },
    },
    {
      name: 'simulator-speaks-over-the-network-only',
      severity: 'error',
      from: { path: room('simulator') },
      to: { path: '^(collector|history|alerts|dashboards|service|rules|config|test|bench)/' },
    },
    {
      name: 'nobody-imports-the-simulator-but-by-process',
      severity: 'error',
      from: { path: '^(service|collector|history|alerts|dashboards|config|rules)/' },
      to: { path: '^simulator/' },
    },
    {
      name: 'release-code-uses-release-dependencies',
      severity: 'error',
      from: { path: '^(rules|config|collector|history|alerts|dashboards|simulator|service)/' },
      to: { dependencyTypes: ['npm-dev'] },
    },
    { name: 'resolvable', severity: 'error', from: {}, to: { couldNotResolve: true } },
  ],
  options: {
    doNotFollow: { path: 'node_modules' },
    tsPreCompilationDeps: true,
    parser: 'swc',
    tsConfig: { fileName: 'tsconfig.json' },
    enhancedResolveOptions: {
      extensions: ['.ts', '.js', '.mjs', '.json'],
      conditionNames: ['import', 'require', 'node', 'default', 'types'],
      exportsFields: ['exports'],
    },
  },
}
