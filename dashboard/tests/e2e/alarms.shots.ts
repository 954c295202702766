// Pictures of the Alarms view for whoever changes its look; see site.shots.ts.
import { mkdirSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { AlarmDesk, history, idOf, standing } from './alarmfixtures';
import { six } from './fixtures';
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
  let desk: AlarmDesk;
  beforeAll(async () => {
    mkdirSync(folder, { recursive: true });
    await server.start();
    browser = await launch();
    server.pots = six();
    desk = new AlarmDesk(server, standing());
    desk.ended = history(70);
  });
  afterAll(async () => {
    await browser.close();
    await server.stop();
  });

  const views = {
    list: '#/alarms',
    held: `#/alarms/active/${idOf(2)}`,
    trend: `#/alarms/active/${idOf(6)}`,
    limit: `#/alarms/active/${idOf(7)}`,
    shelved: '#/alarms/shelved',
    history: '#/alarms/history',
  };
  for (const viewport of sizes) {
    for (const colorScheme of ['light', 'dark'] as const) {
      for (const [name, hash] of Object.entries(views)) {
        test(`alarms ${viewport.width} ${colorScheme} ${name}`, async () => {
          const page = await browser.newPage({ viewport, colorScheme });
          await page.goto(server.url + hash);
          await page.locator(hash.includes(idOf(0).slice(0, 6)) ? '[data-detail] .life' : name === 'history' ? '[data-list] [data-alarm]' : '[data-list]').first().waitFor();
          await page.waitForTimeout(300);
          await page.screenshot({ path: `${folder}alarms-${name}-${viewport.width}-${colorScheme}.png`, fullPage: viewport.width < 1000 });
          expect(await page.locator('h1').count()).toBe(1);
          await page.close();
        });
      }
    }
  }

  test('acts, lost and print', async () => {
    const page = await browser.newPage({ viewport: { width: 1280, height: 800 } });
    await page.goto(`${server.url}#/alarms/active/${idOf(5)}`);
    await page.getByRole('button', { name: 'Shelve' }).click();
    await page.screenshot({ path: `${folder}alarms-shelve.png` });
    await page.pdf({ path: `${folder}alarms-print.pdf` });
    await page.emulateMedia({ media: 'print' });
    await page.screenshot({ path: `${folder}alarms-print.png`, fullPage: true });
    await page.emulateMedia({ media: 'screen' });
    await server.stop();
    await page.getByText('Connection to the server lost').waitFor();
    await page.screenshot({ path: `${folder}alarms-lost.png` });
    expect(await page.locator('[data-live="false"]').count()).toBe(1);
    await page.close();
    await server.start();
  });
});
