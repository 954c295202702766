// The page of a running server: GRITWATCH_URL=http://127.0.0.1:8080/ npm run stack. Without the address it fails.
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { agree } from './agree';
import { launch, record, setVisible, words } from './harness';

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
  expect(got.vented).toBeGreaterThan(0);
});

test('a server that hangs, and a page that was hidden, fall back to NOT PROVEN, and both recover', async () => {
  const url = process.env['GRITWATCH_URL'];
  const pid = Number(process.env['GRITWATCH_SERVER_PID']);
  if (url === undefined || !(pid > 0)) throw new Error('set GRITWATCH_URL and GRITWATCH_SERVER_PID to a running server');
  const page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
  await record(page);
  await page.goto(url);
  const vented = page.locator('[data-word="vented"]');
  const wait = { timeout: 60_000, interval: 50 };
  try {
    await expect.poll(() => vented.count(), wait).toBeGreaterThan(0);
    const names = await page.locator('[data-pot]').evaluateAll((els) => els.map((e) => e.getAttribute('data-pot') ?? ''));

    process.kill(pid, 'SIGSTOP');
    try {
      const stopped = await page.evaluate(() => performance.now());
      await expect.poll(() => page.locator('[data-word="not-proven"]').count(), { timeout: 5000, interval: 50 }).toBe(names.length);
      for (const name of names) {
        const last = (await words(page, name)).at(-1);
        expect(last?.word).toBe('NOT PROVEN');
        expect((last?.t ?? Infinity) - stopped, `${name} fell back in ms`).toBeLessThan(3000);
      }
    } finally {
      process.kill(pid, 'SIGCONT');
    }
    await expect.poll(() => vented.count(), wait).toBeGreaterThan(0);

    await setVisible(page, false);
    expect(await page.locator('[data-word="not-proven"]').count()).toBe(names.length);
    await setVisible(page, true);
    await expect.poll(() => vented.count(), wait).toBeGreaterThan(0);
  } finally {
    await page.close();
  }
});
