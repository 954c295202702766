// A page that must not say VENTED from what is past: a tablet that slept, a link that is always late, a gauge that was
// replaced, another view looked at meanwhile. The page's clocks are turned by hand; the server's frames are real.
import type { Browser, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, beforeEach, expect, test } from 'vitest';
import type { Pot, Word } from '../../src/lib/protocol/types.gen';
import { maple, pot, six } from './fixtures';
import { launch, record, Scripted, setVisible, watch, words } from './harness';
import type { Watch } from './harness';

let browser: Browser;
let server: Scripted;
let page: Page;
let seen: Watch;

beforeAll(async () => {
  browser = await launch();
});
afterAll(() => browser.close());
beforeEach(async () => {
  server = new Scripted();
  server.pots = [maple];
  await server.start();
  page = await browser.newPage({ viewport: { width: 1280, height: 800 } });
  await page.clock.install();
  seen = watch(page, server.url);
  await record(page);
});
afterEach(async () => {
  await page.close();
  await server.stop();
  // A pot's page asks for what is stored of it, which this server has not.
  seen.errors.splice(0, seen.errors.length, ...seen.errors.filter((e) => !/Failed to load resource/.test(e)));
  expect(seen).toEqual({ foreign: [], errors: [] });
});

const answer = () => page.locator('[data-pot="maple"] [data-word]');
const until = (word: Word) => expect.poll(() => answer().getAttribute('data-word')).toBe(word);
const said = async () => (await words(page, 'maple')).map((w) => w.word);
const now = () => page.evaluate(() => performance.now());

for (const view of ['#/', '#/pot/maple']) {
  test(`${view}: a tablet that slept ten minutes says NOT PROVEN before anything else`, async () => {
    await page.goto(server.url + view);
    await until('vented');
    const before = await now();
    server.mute = true; // what the network brought while it slept waits for it
    await page.waitForTimeout(400);
    await page.clock.fastForward(600_000);
    await until('not-proven');
    expect(await answer().innerText()).toMatch(/asleep|said nothing|is lost/);
    const woken = (await words(page, 'maple')).find((w) => w.t > before + 500_000);
    expect(woken?.word).toBe('NOT PROVEN');
    server.mute = false;
    await until('vented');
    // Nothing of before: the first frame after the sleep was sent for an acknowledgement from before it.
    const back = (await words(page, 'maple')).filter((w) => w.t > before + 500_000);
    expect(back.slice(0, 2).map((w) => w.word)).toEqual(['NOT PROVEN', 'VENTED']);
  });
}

test('frames that are 20 s late never say VENTED, however fresh they say they are', async () => {
  server.delayMs = 1500;
  await page.goto(server.url);
  await expect.poll(() => server.sent).toBeGreaterThan(0);
  // While each frame is on its way 20 s go by on the page, in steps that no sleep makes.
  let frames = 0;
  for (let i = 0; i < 12 && frames < 3; i++) {
    const sent = server.sent;
    await page.clock.runFor(20_000);
    await expect.poll(() => server.sent).toBeGreaterThan(sent);
    if ((await page.locator('[data-pot="maple"]').count()) > 0) frames++;
  }
  expect(frames).toBe(3);
  expect(new Set(await said())).toEqual(new Set(['NOT PROVEN']));
});

test('a gauge that is replaced in mid-shift: nothing that the old one said outlives it', async () => {
  await page.goto(server.url);
  await until('vented');
  const step = async (next: Partial<Pot>, word: Word) => {
    server.pots = [{ ...maple, ...next }];
    await until(word);
    await page.waitForTimeout(600);
  };
  const not = (...because: string[]) => ({ answer: { word: 'not-proven' as const, because } });
  const { vessel: _, ...others } = maple.pressure_pa;
  const { t: first } = (await words(page, 'maple')).at(-1) ?? { t: 0 };
  await step({ ...not('vessel-bad'), state: 'unknown', pressure_pa: others, quality: { vessel: 'no-reply' } }, 'not-proven'); // unscrewed
  await step(not('config-differs'), 'not-proven'); // the new one is configured at the pot alone
  // The new gauge reads zero from the start: a page that trusted the reading would say VENTED now.
  await step(not('no-vent-seen'), 'not-proven');
  expect(await answer().innerText()).toContain('This gauge has not yet been seen to rise with a press and fall with its vent.');
  await setVisible(page, false);
  await setVisible(page, true);
  await page.waitForTimeout(600);
  await until('not-proven');
  await step(pot({ name: 'maple', state: 'blasting', word: 'pressurised', because: ['over-limit'], psi: [112, 111, 102, 100, 90, 95] }), 'pressurised');
  const back = await now();
  await step({}, 'vented');
  const meanwhile = (await words(page, 'maple')).filter((w) => w.t > first && w.t < back).map((w) => w.word);
  expect(new Set(meanwhile)).toEqual(new Set(['NOT PROVEN', 'PRESSURISED']));
});

test('a contradiction within a frame is not VENTED: a vessel that reads pressure, a pot that blasts', async () => {
  server.pots = [{ ...maple, pressure_pa: { ...maple.pressure_pa, vessel: 50_000 } }, ...six().filter((p) => p.name !== 'maple')];
  await page.goto(server.url);
  await until('not-proven');
  server.pots = [{ ...maple, state: 'blasting' }];
  await page.waitForTimeout(800);
  expect(new Set(await said())).toEqual(new Set(['NOT PROVEN']));
});
