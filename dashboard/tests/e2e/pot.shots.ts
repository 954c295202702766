// Pictures of the Pot view for whoever changes its look.
import { mkdirSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { many, six } from './fixtures';
import { launch, Scripted } from './harness';
import { alder, bare, figured, standing, store, venting } from './potfixtures';

const sizes = [
  { width: 390, height: 844 },
  { width: 820, height: 1180 },
  { width: 1280, height: 800 },
  { width: 2560, height: 1440 },
];
const folder = fileURLToPath(new URL('../../shots/', import.meta.url));
const states = { blasting: alder, venting: () => venting(3.1), stalled: () => venting(22, true), bare };

describe('shots of the pot', () => {
  let browser: Browser;
  const server = new Scripted();
  beforeAll(async () => {
    mkdirSync(folder, { recursive: true });
    await server.start();
    store(server);
    browser = await launch();
  });
  afterAll(async () => {
    await browser.close();
    await server.stop();
  });

  for (const viewport of sizes) {
    for (const colorScheme of ['light', 'dark'] as const) {
      for (const n of [3, 6, 20, 200]) {
        test(`site ${n} ${viewport.width} ${colorScheme}`, async () => {
          server.pots = figured(n <= 6 ? six().slice(-n) : many(n));
          server.alarms = standing();
          const page = await browser.newPage({ viewport, colorScheme });
          await page.goto(server.url);
          await page.getByText('VENTED').first().waitFor();
          await expect.poll(() => page.locator('[data-pot]').count()).toBe(n);
          await page.waitForTimeout(400);
          await page.screenshot({ path: `${folder}site-${n}-${viewport.width}-${colorScheme}.png`, fullPage: n <= 6 });
          server.alarms = [];
          await page.close();
        });
      }
      for (const [state, make] of Object.entries(states)) {
        if (state !== 'blasting' && viewport.width !== 1280 && viewport.width !== 390) continue;
        test(`${state} ${viewport.width} ${colorScheme}`, async () => {
          const pot = make();
          server.pots = [pot];
          const page = await browser.newPage({ viewport, colorScheme });
          await page.goto(`${server.url}#/pot/${pot.name}`);
          await page.locator('[data-pot]').waitFor();
          await page.locator('.chart').scrollIntoViewIfNeeded();
          await page.waitForTimeout(1500);
          await page.evaluate(() => window.scrollTo(0, 0));
          await page.waitForTimeout(300);
          await page.screenshot({ path: `${folder}pot-${state}-${viewport.width}-${colorScheme}.png`, fullPage: true });
          expect(await page.locator('h1').innerText()).not.toBe('');
          await page.close();
        });
      }
    }
  }
});
