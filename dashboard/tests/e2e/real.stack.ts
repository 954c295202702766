// The page of a running server: GRITWATCH_URL=http://127.0.0.1:8080/ npm run stack. Without the address it fails.
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { agree } from './agree';
import { launch } from './harness';

let browser: Browser;
beforeAll(async () => {
  browser = await launch();
});
afterAll(() => browser.close());

test('page and API of the running server agree', async () => {
  const url = process.env['GRITWATCH_URL'];
  if (url === undefined) throw new Error('set GRITWATCH_URL to the address of a running server');
  const seconds = Number(process.env['GRITWATCH_SECONDS'] ?? 30);
  const got = await agree(browser, url, seconds * 1000);
  console.log(`${got.pots} pots, ${got.vented} of them shown VENTED at some time in ${seconds} s`);
  expect(got.pots).toBeGreaterThan(0);
});
