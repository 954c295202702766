import { svelte } from '@sveltejs/vite-plugin-svelte';
import { defineConfig } from 'vitest/config';

const backend = process.env['GRITWATCH_BACKEND'] ?? 'http://127.0.0.1:8080';

export default defineConfig({
  plugins: [svelte()],
  build: {
    // dist/.gitkeep is committed, so that the Go package builds before the page does.
    emptyOutDir: false,
    target: 'es2022',
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    rollupOptions: { output: { entryFileNames: 'assets/[name].js', assetFileNames: 'assets/[name][extname]' } },
  },
  server: { proxy: { '/api': { target: backend, ws: true, changeOrigin: true } } },
  test: {
    projects: [
      { extends: true, test: { name: 'unit', environment: 'node', include: ['src/**/*.test.ts'], exclude: ['src/**/*.svelte.test.ts'] } },
      {
        extends: true,
        resolve: { conditions: ['browser'] },
        test: { name: 'runes', environment: './tests/client.ts', include: ['src/**/*.svelte.test.ts'] },
      },
      {
        extends: true,
        test: { name: 'shots', environment: 'node', include: ['tests/e2e/*.shots.ts'], testTimeout: 60_000, hookTimeout: 60_000, fileParallelism: false },
      },
      {
        extends: true,
        test: { name: 'stack', environment: 'node', include: ['tests/e2e/*.stack.ts'], testTimeout: 120_000, hookTimeout: 60_000, fileParallelism: false },
      },
      {
        extends: true,
        test: { name: 'e2e', environment: 'node', include: ['tests/e2e/*.e2e.test.ts'], testTimeout: 60_000, hookTimeout: 60_000, fileParallelism: false },
      },
    ],
  },
});
