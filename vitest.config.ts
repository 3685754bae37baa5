import { defineConfig } from 'vitest/config'

export default defineConfig({
  test: {
    include: ['test/**/*.test.ts'],
    // Two cores: real servers and worker threads run beside the tests.
    maxWorkers: 2,
    testTimeout: 30_000,
    hookTimeout: 60_000,
    pool: 'forks',
  },
})
