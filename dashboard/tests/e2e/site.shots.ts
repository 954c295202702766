// Pictures of the page for whoever changes its look: npm run shots writes them into shots/, which is not kept.
import { mkdirSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { standing } from './alarmfixtures';
import { many, six } from './fixtures';
import { launch, Scripted } from './harness';

const sizes = [
  { width: 390, height: 844 },
  { width: 820, height: 1180 },
  { width: 1280, height: 800 },
  { width: 2560, height: 1440 },
];
const folder = fileURLToPath(new URL('../../shots/', import.meta.url));

describe('shots', () => {
  let browser: Browser;
  const server = new Scripted();
  beforeAll(async () => {
    mkdirSync(folder, { recursive: true });
    await server.start();
    browser = await launch();
  });
  afterAll(async () => {
    await browser.close();
    await server.stop();
  });

  for (const viewport of sizes) {
    for (const colorScheme of ['light', 'dark'] as const) {
      for (const pots of [6, 40]) {
        test(`${viewport.width} ${colorScheme} ${pots} pots`, async () => {
          server.pots = pots === 6 ? six() : many(pots);
          server.alarms = standing();
          const page = await browser.newPage({ viewport, colorScheme });
          await page.goto(server.url);
          await page.getByText('VENTED').first().waitFor();
          const path = `${folder}${viewport.width}-${colorScheme}-${pots}.png`;
          await expect.poll(() => page.locator('[data-pot]').count()).toBe(pots);
          await page.screenshot({ path, fullPage: viewport.width < 2000 && pots === 6 });
          await page.close();
        });
      }
    }
  }

  test('lost and print', async () => {
    server.pots = six();
    const page = await browser.newPage({ viewport: { width: 1280, height: 800 } });
    await page.goto(server.url);
    await page.getByText('VENTED').first().waitFor();
    await page.pdf({ path: `${folder}print.pdf` });
    await page.emulateMedia({ media: 'print' });
    await page.screenshot({ path: `${folder}print.png` });
    await page.emulateMedia({ media: 'screen' });
    await server.stop();
    await page.getByText('Connection to the server lost').waitFor();
    await page.screenshot({ path: `${folder}lost.png`, fullPage: true });
    server.pots = six().map((p) => (p.name === 'alder' ? { ...p, state: 'held' } : p));
    await server.start();
    await page.getByText('Back after').waitFor();
    await page.screenshot({ path: `${folder}back.png` });
    expect(await page.locator('[data-pot]').count()).toBe(6);
    await page.close();
  });
});
