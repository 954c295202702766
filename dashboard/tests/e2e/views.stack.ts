// Each view of a running server, on a site with one healthy pot, one whose vent stalls, and one whose vessel gauge has
// failed: GRITWATCH_URL=… GRITWATCH_HEALTHY=alder GRITWATCH_HELD=rowan GRITWATCH_BLIND=cedar npm run stack -- views.stack.
// What a script of frames cannot show: that real readings lead through every state, and into every part of a view.
import { mkdirSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import type { Browser, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, expect, test } from 'vitest';
import { states } from '../../src/lib/protocol/types.gen';
import * as text from '../../src/lib/text/en';
import { laidOut, violations } from './fit';
import { launch, record, watch, words } from './harness';
import type { Watch } from './harness';

const folder = fileURLToPath(new URL('../../shots/', import.meta.url));
/** A pot of the site is pressed every half minute. */
const cycle = { timeout: 180_000, interval: 100 };

function named(variable: string): string {
  const value = process.env[variable];
  if (value === undefined) throw new Error(`set ${variable}: see the head of this file`);
  return value;
}
const url = named('GRITWATCH_URL');
const healthy = named('GRITWATCH_HEALTHY');
const held = named('GRITWATCH_HELD');
const blind = named('GRITWATCH_BLIND');

let browser: Browser;
let page: Page;
let seen: Watch;
beforeAll(async () => {
  mkdirSync(folder, { recursive: true });
  browser = await launch();
});
afterAll(() => browser.close());
afterEach(async () => {
  await page.close();
  expect(seen).toEqual({ foreign: [], errors: [] });
});

async function open(hash: string): Promise<void> {
  // Without the policy axe could not be brought in; what the page itself loads is watched all the same.
  page = await browser.newPage({ viewport: { width: 1280, height: 800 }, bypassCSP: true });
  seen = watch(page, url);
  await record(page);
  await page.goto(url + hash);
  await page.locator('[data-live="true"]').waitFor();
}

/** A picture for each size of screen, by day and by night. */
async function pictures(name: string): Promise<void> {
  for (const viewport of [
    { width: 390, height: 844 },
    { width: 820, height: 1180 },
    { width: 1280, height: 800 },
    { width: 2560, height: 1440 },
  ]) {
    await page.setViewportSize(viewport);
    for (const colorScheme of ['light', 'dark'] as const) {
      await page.emulateMedia({ colorScheme });
      await laidOut(page);
      expect(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth), `${name} overflows`).toBe(0);
      await page.screenshot({ path: `${folder}real-${name}-${viewport.width}-${colorScheme}.png`, fullPage: true });
    }
  }
  await page.setViewportSize({ width: 1280, height: 800 });
  await page.emulateMedia({ colorScheme: null });
}

/** On paper no word stands in the present tense, and nothing asks to be pressed; the buttons of the traces' lines are their legend. */
async function onPaper(): Promise<void> {
  await page.emulateMedia({ media: 'print' });
  const paper = await page.locator('body').innerText();
  expect(paper).not.toMatch(/VENTED|PRESSURISED|NOT PROVEN/);
  expect(paper).toContain(text.printed);
  const lines = page.getByRole('group', { name: 'Lines' }).getByRole('button');
  expect(await page.getByRole('button').filter({ visible: true }).count()).toBe(await lines.count());
  await page.emulateMedia({ media: null });
}

const focused = () => page.evaluate(() => document.activeElement?.textContent?.trim() ?? '');
async function tabTo(what: RegExp): Promise<void> {
  for (let i = 0; i < 40; i++) {
    if (what.test(await focused())) return;
    await page.keyboard.press('Tab');
  }
  throw new Error(`no Tab leads to ${what}`);
}

test('Site: every state of a pot is shown as it happens, and the one that needs someone stands first', async () => {
  await open('');
  await page.evaluate(() => {
    const shown: Record<string, string[]> = {};
    (window as unknown as { shown: typeof shown }).shown = shown;
    const look = () => {
      for (const el of document.querySelectorAll<HTMLElement>('[data-pot]')) {
        const of = (shown[el.dataset['pot'] ?? ''] ??= []);
        const state = el.querySelector('.state')?.firstChild?.textContent?.trim() ?? '';
        if (of.at(-1) !== state) of.push(state);
      }
    };
    look();
    new MutationObserver(look).observe(document, { subtree: true, childList: true, characterData: true });
  });
  const shown = (pot: string) => page.evaluate((pot) => (window as unknown as { shown: Record<string, string[]> }).shown[pot] ?? [], pot);
  const round = ['at-rest', 'charging', 'blasting', 'venting', 'at-rest'] as const;
  await expect.poll(async () => (await shown(healthy)).join(), cycle).toContain(round.map((s) => text.state[s]).join());
  expect(await shown(held)).toContain(text.state.held);
  expect(await shown(blind)).toContain(text.state.unknown);
  expect([...round, 'held', 'unknown'].toSorted().filter((s, i, all) => s !== all[i - 1])).toEqual(states.toSorted());

  await expect.poll(() => page.locator('article[data-pot]').first().getAttribute('data-pot'), cycle).not.toBe(healthy);
  await page.locator(`[data-pot="${healthy}"] [data-word="vented"]`).waitFor(cycle);
  for (const pot of [held, blind]) expect((await words(page, pot)).map((w) => w.word)).not.toContain('VENTED');
  // Of the vessel that is held the vent so far stands where the others have the fall along the path.
  await page.locator(`[data-pot="${held}"] .grade .trace.slow`).waitFor(cycle);
  expect(await page.locator(`[data-pot="${healthy}"] .grade .trace`).count()).toBe(0);
  expect(await violations(page)).toEqual([]);
  await pictures('site');
  await onPaper();

  // To a pot and back without a pointer.
  await page.locator('body').focus();
  await tabTo(new RegExp(`^${healthy}$`, 'i'));
  await page.keyboard.press('Enter');
  await page.getByRole('heading', { level: 1, name: new RegExp(healthy, 'i') }).waitFor();
  await tabTo(/^Site$/);
  await page.keyboard.press('Enter');
  await page.locator('article[data-pot]').first().waitFor();
});

test('Pot: what is stored is drawn and goes on with what comes, the vent is drawn while it happens, and the past is reached by keys', async () => {
  await open(`#/pot/${healthy}`);
  const section = (name: string) => page.getByRole('region', { name, exact: true });
  const chart = page.locator('.chart');
  const drawn = () =>
    chart.evaluate((el: HTMLElement) => {
      const at = (name: string) => Number(el.dataset[name]);
      return { from: at('from'), to: at('to'), points: at('points') };
    });
  await expect.poll(async () => (await drawn()).points, cycle).toBeGreaterThan(100);
  const a = await drawn();
  await expect.poll(async () => (await drawn()).points, cycle).toBeGreaterThan(a.points);

  // A vent, live; after it a row more among the recorded ones.
  const rows = () => section('Blasts and vents').getByRole('row').count();
  await expect.poll(rows, cycle).toBeGreaterThan(1);
  const before = await rows();
  await expect.poll(() => page.locator('.first .state b').innerText(), cycle).toBe(text.state.venting);
  await section('The vent').locator('.trace').waitFor();
  await expect.poll(rows, cycle).toBeGreaterThan(before);

  // What a reading is off by is drawn by what is declared of its gauge: here nothing, so that 3.4 kPa and 0.25 % are taken, which is half a psi at rest.
  await expect.poll(() => section('Where the pressure falls').getByRole('img').getAttribute('aria-label'), cycle).toMatch(/vessel [−\d.]+ psi, (?:at the baseline [\d.]+, )?±\u00a00\.[5-9]/);

  const asked = page.waitForResponse((r) => r.url().includes('/history') && Date.parse(new URL(r.url()).searchParams.get('from') ?? '') < a.from);
  await chart.focus();
  await page.keyboard.press('PageUp');
  expect((await asked).status()).toBe(200);
  expect((await drawn()).to).toBeLessThan(a.to);
  await page.getByText('The past: it says nothing of what the vessel holds now.').waitFor();
  await page.keyboard.press('End');
  await expect.poll(async () => (await drawn()).to, cycle).toBeGreaterThan(a.to);

  expect(await violations(page)).toEqual([]);
  await pictures('pot');
  await onPaper();

  await page.goto(`${url}#/pot/${blind}`);
  await page.locator(`[data-pot="${blind}"]`).waitFor();
  expect(await page.locator(`[data-pot="${blind}"] [data-word]`).getAttribute('data-word')).toBe('not-proven');
  await page.goto(`${url}#/pot/${held}`);
  await section('The vent').locator('.trace.slow').waitFor(cycle);
  await pictures('held');
});

test('Alarms: read, gone through and left by keys; history and figures are there', async () => {
  await open('#/alarms');
  const alarms = page.locator('[data-alarm]');
  await alarms.first().waitFor();
  expect(await alarms.count()).toBeGreaterThan(1);
  await alarms.first().focus();
  await page.keyboard.press('End');
  await expect.poll(() => page.evaluate(() => document.activeElement?.getAttribute('data-alarm') ?? '')).not.toBe((await alarms.first().getAttribute('data-alarm')) ?? '');
  await page.keyboard.press('Enter');
  await page.locator('[data-detail]').waitFor();
  expect(await violations(page)).toEqual([]);
  await pictures('alarm');
  await onPaper();
  await page.goto(`${url}#/alarms/history`);
  await page.locator('[data-list="history"]').waitFor();
  await page.getByRole('row', { name: /alarms an hour/ }).waitFor();
  expect(await violations(page)).toEqual([]);
  await pictures('history');
});
