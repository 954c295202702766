// A test environment that builds components and runes as for a browser, without a document.
import type { Environment } from 'vitest/runtime';

const client: Environment = {
  name: 'client',
  viteEnvironment: 'client',
  setup: () => ({ teardown: () => undefined }),
};

export default client;
