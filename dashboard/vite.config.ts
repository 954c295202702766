import { createHash } from 'node:crypto';
import { svelte } from '@sveltejs/vite-plugin-svelte';
import type { Plugin } from 'vite';
import { defineConfig } from 'vitest/config';

const backend = process.env['GRITWATCH_BACKEND'] ?? 'http://127.0.0.1:8080';

/** Writes into index.html which build it is of: a page that was left open asks for it, and finds out that it is an older one. */
const named: Plugin = {
  name: 'build-id',
  apply: 'build',
  transformIndexHtml: {
    order: 'post',
    handler: (html, { bundle }) => {
      const hash = createHash('sha256').update(html);
      for (const [name, file] of Object.entries(bundle ?? {}).toSorted(([a], [b]) => (a < b ? -1 : 1))) {
        hash.update(name).update(file.type === 'chunk' ? file.code : file.source);
      }
      const tags = [{ tag: 'meta', attrs: { name: 'build', content: hash.digest('hex').slice(0, 16) }, injectTo: 'head' as const }];
      return { html, tags };
    },
  },
};

/** How a browser's test waits for what must come, ms: beside other tests a second is nothing. What must come in time is measured. */
const patient = { timeout: 20_000, interval: 50 };

export default defineConfig({
  plugins: [svelte(), named],
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
    // The browser's tests wait most of their time: two files at once need no more than one core.
    maxWorkers: 2,
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
        test: { name: 'stack', environment: 'node', include: ['tests/e2e/*.stack.ts'], testTimeout: 300_000, hookTimeout: 60_000, fileParallelism: false, expect: { poll: patient } },
      },
      {
        extends: true,
        test: { name: 'e2e', environment: 'node', include: ['tests/e2e/*.e2e.test.ts'], testTimeout: 120_000, hookTimeout: 60_000, expect: { poll: patient } },
      },
    ],
  },
});
