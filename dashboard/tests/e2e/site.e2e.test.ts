// The site page in a browser, against a scripted server.
import { createRequire } from 'node:module';
import type { Browser, BrowserContextOptions, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, test } from 'vitest';
import type { Word } from '../../src/lib/protocol/types.gen';
import { agree } from './agree';
import { many, maple, pot, six } from './fixtures';
import { launch, record, Scripted, setVisible, watch, words } from './harness';
import type { Watch } from './harness';

const axePath = createRequire(import.meta.url).resolve('axe-core/axe.min.js');

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
});
afterEach(async () => {
  await page.close();
  await server.stop();
  // No test may make the page ask anybody else, or complain.
  expect(seen).toEqual({ foreign: [], errors: [] });
});

async function open(options: BrowserContextOptions = { viewport: { width: 1280, height: 800 } }): Promise<void> {
  page = await browser.newPage(options);
  seen = watch(page, server.url);
  await record(page);
  await page.goto(server.url);
}

const answerOf = (name: string) => page.locator(`[data-pot="${name}"] [data-word]`);
const wordOf = (name: string) => answerOf(name).getAttribute('data-word');
const until = (name: string, word: string, timeout: number) => expect.poll(() => wordOf(name), { timeout, interval: 25 }).toBe(word);
const wait = (ms: number) => page.waitForTimeout(ms);

describe('VENTED', () => {
  test('is shown from fresh frames, with its caution inside, and without flicker', async () => {
    await open();
    await until('maple', 'vented', 5000);
    const text = await answerOf('maple').innerText();
    expect(text).toContain('VENTED');
    expect(text).toContain('check the gauge on the pot, lock out');
    expect(text).toContain('air is on: isolate it');
    await wait(4000);
    expect((await words(page, 'maple')).map((w) => w.word)).toEqual(['VENTED']);
  });

  test.each([
    ['unknown', 'air may be on: isolate it'],
    ['off', null],
  ] as const)('says what is known of the air: %s', async (air, want) => {
    server.pots = [{ ...maple, air }];
    await open();
    await until('maple', 'vented', 5000);
    const text = await answerOf('maple').innerText();
    if (want === null) expect(text).not.toContain('air');
    else expect(text).toContain(want);
  });

  test('is not in the page before a frame says it', async () => {
    server.mute = true;
    await open();
    await wait(1000);
    expect(await page.content()).not.toMatch(/VENTED|data-word="vented"/);
    expect(await page.locator('body').innerText()).toContain('Connecting');
    server.mute = false;
    await until('maple', 'vented', 5000);
  });

  test('ends when frames stop: NOT PROVEN within 2 s of the last', async () => {
    await open();
    await until('maple', 'vented', 5000);
    server.mute = true;
    const last = Date.now();
    await until('maple', 'not-proven', 3000);
    expect(Date.now() - last).toBeLessThan(2500);
    expect(await answerOf('maple').innerText()).toContain('The server has said nothing for 2 s.');
    server.mute = false;
    await until('maple', 'vented', 3000);
  });

  test('ends when the server is lost, within 3 s, and the page says what it missed when it is back', async () => {
    server.pots = six();
    await open();
    await until('maple', 'vented', 5000);
    await server.stop();
    const lost = Date.now();
    for (const p of six()) await until(p.name, 'not-proven', 3000);
    expect(Date.now() - lost).toBeLessThan(3000);
    await page.getByText('Connection to the server lost.').waitFor();
    await expect.poll(() => page.locator('[data-pot="alder"]').innerText(), { timeout: 5000 }).toContain('old: ');
    server.pots = six().map((p) => (p.name === 'alder' ? pot({ name: 'alder', state: 'held', word: 'pressurised', because: ['over-limit'], psi: [111, 104, 38, 0, 0, 0] }) : p));
    await server.start();
    await until('maple', 'vented', 10_000);
    await page.getByText('Alder: blasting, now held').waitFor();
    const notice = await page.getByRole('status').innerText();
    expect(notice).toMatch(/Back after \d+ s without news/);
    expect(notice).not.toMatch(/vented/i);
    await page.getByRole('button', { name: 'Dismiss' }).click();
    await page.getByText('Alder: blasting, now held').waitFor({ state: 'detached' });
  });

  test('ends at once when the page is hidden, and returns only by a fresh frame after it is seen again', async () => {
    await open();
    await until('maple', 'vented', 5000);
    await setVisible(page, false);
    expect(await wordOf('maple')).toBe('not-proven');
    await wait(1500);
    expect(await wordOf('maple')).toBe('not-proven');
    server.mute = true;
    await wait(500); // what was on its way has arrived
    await setVisible(page, true);
    await wait(600);
    expect(await wordOf('maple')).toBe('not-proven');
    expect(await answerOf('maple').innerText()).toContain('was hidden');
    server.mute = false;
    await until('maple', 'vented', 3000);
  });

  test('ends after the page was frozen, before it can be shown again', async () => {
    await open();
    await until('maple', 'vented', 5000);
    await page.evaluate(() => {
      const end = performance.now() + 2500;
      while (performance.now() < end);
    });
    await expect.poll(async () => (await words(page, 'maple')).map((w) => w.word), { timeout: 5000 }).toEqual(['VENTED', 'NOT PROVEN', 'VENTED']);
  });

  test('fades by itself while the page’s script hangs', async () => {
    await open();
    await until('maple', 'vented', 5000);
    const left = await page.locator('[data-word="vented"] .in').evaluate((el) => {
      const fades = el.getAnimations();
      const fade = fades[0];
      const timing = fade?.effect?.getComputedTiming();
      const frames = (fade?.effect as KeyframeEffect | null)?.getKeyframes().map((k) => k['opacity']);
      return { count: fades.length, ms: Number(timing?.duration) - Number(fade?.currentTime), frames };
    });
    expect(left.count).toBe(1);
    expect(left.ms).toBeLessThan(2800);
    expect(left.ms).toBeGreaterThan(500);
    expect(left.frames).toEqual(['1', '1', '0']);
  });

  test('is never shown from frames whose readings were 20 s old at sending', async () => {
    server.pots = [{ ...maple, age_s: 20, answer: { ...maple.answer, age_s: 20 } }];
    await open();
    await answerOf('maple').waitFor();
    await wait(4000);
    expect((await words(page, 'maple')).map((w) => w.word)).toEqual(['NOT PROVEN']);
  });

  test.each([3000, 7000])('is never shown over a link that is %d ms late, though each frame says 0.3 s', async (ms) => {
    server.delayMs = ms;
    await open();
    await answerOf('maple').waitFor({ timeout: 10_000 });
    await wait(2.5 * ms);
    expect(server.sent).toBeGreaterThan(2);
    expect((await words(page, 'maple')).map((w) => w.word)).toEqual(['NOT PROVEN']);
  });

  test('is not printed', async () => {
    server.pots = six();
    await open();
    await until('maple', 'vented', 5000);
    await page.emulateMedia({ media: 'print' });
    const text = await page.locator('body').innerText();
    expect(text).not.toContain('VENTED');
    expect(text).not.toContain('NOT PROVEN');
    expect(text).toContain('see the pot');
    expect(text).toContain('SIMULATED');
    expect(text).toContain('Not a safety-rated system');
  });

  test('is not shown of a pot whose estimate cannot be read', async () => {
    await open();
    await until('maple', 'vented', 5000);
    server.pots = [{ ...maple, state: 'melted' } as unknown as typeof maple];
    await until('maple', 'not-proven', 2000);
    expect(await page.locator('body').innerText()).toMatch(/message parts? could not be read/);
  });
});

describe('the page', () => {
  test('says what keeps the server from storing, as long as it does, and answers all the same', async () => {
    server.pots = six();
    server.faults = ['readings are shown but not stored (the disk is full)'];
    await open();
    const notice = page.getByRole('alert').getByText('the disk is full');
    await notice.waitFor();
    await until('maple', 'vented', 5000);
    server.faults = [];
    await notice.waitFor({ state: 'detached' });
  });

  test('puts the pot that needs someone first and says why', async () => {
    server.pots = six();
    await open();
    await answerOf('rowan').waitFor();
    const order = await page.locator('[data-pot]').evaluateAll((els) => els.map((e) => e.getAttribute('data-pot')));
    expect(order).toEqual(['rowan', 'hazel', 'alder', 'birch', 'cedar', 'maple']);
    expect(await answerOf('rowan').innerText()).toContain('vent stalled: do not open');
    expect(await answerOf('hazel').innerText()).toContain('Nothing is heard from the agent at this pot.');
    const alder = await page.locator('[data-pot="alder"]').innerText();
    expect(alder).toMatch(/89\s*of 100 psi/);
    expect(alder).toContain('−17 % work');
    expect(await page.locator('[data-pot="alder"]').getByRole('img').getAttribute('aria-label')).toContain('hose segment loses 12.2 psi, the largest loss');
    expect(await page.locator('[data-pot="hazel"]').innerText()).toMatch(/old: 1\d s/);
  });

  test('says SIMULATED for the page and for each such pot', async () => {
    server.pots = [...six().slice(0, 2), maple];
    await open();
    await answerOf('maple').waitFor();
    await page.getByText('2 of 3 pots come from a simulator.').waitFor();
    for (const [name, n] of [['alder', 1], ['birch', 1], ['maple', 0]] as const) {
      expect(await page.locator(`[data-pot="${name}"]`).getByText('SIMULATED').count()).toBe(n);
    }
  });

  test('switches units and remembers', async () => {
    server.pots = six();
    await open();
    await answerOf('alder').waitFor();
    await page.getByRole('button', { name: 'bar', exact: true }).click();
    expect(await page.locator('[data-pot="alder"]').innerText()).toMatch(/6\.11\s*of 6\.89 bar/);
    await page.reload();
    await answerOf('alder').waitFor();
    expect(await page.locator('[data-pot="alder"]').innerText()).toMatch(/6\.11\s*of 6\.89 bar/);
  });

  test('finds one of 200 pots, and never hides a stalled vent behind a filter', async () => {
    server.pots = many(200);
    await open();
    await answerOf('maple').waitFor();
    await wait(3000);
    await until('maple', 'vented', 1000);
    expect((await words(page, 'maple')).map((w) => w.word)).toEqual(['VENTED']); // it keeps up
    await page.getByRole('button', { name: /^Resting/ }).click();
    const rest = await page.locator('[data-pot]').evaluateAll((els) => els.map((e) => e.getAttribute('data-pot')));
    expect(rest[0]).toBe('rowan');
    expect(rest.length).toBeLessThan(120);
    await page.getByRole('button', { name: /^All/ }).click();
    await page.getByRole('searchbox').fill('acacia 2');
    expect(await page.locator('[data-pot]').count()).toBe(1);
    await page.getByRole('searchbox').fill('nothing');
    await page.getByText('No pot matches').waitFor();
  });

  test('what is out of sight follows slowly, its answer at once, and its end cannot be missed when it comes into sight', async () => {
    const pots = many(200);
    server.pots = pots;
    await open();
    await answerOf('maple').waitFor();
    const far = (await page.locator('[data-pot]:has([data-word="vented"])').last().getAttribute('data-pot')) ?? '';
    const looks = () =>
      page.locator(`[data-pot="${far}"] .in`).evaluate((el) => ({ opacity: getComputedStyle(el).opacity, fades: el.getAnimations().filter((a) => a.playState === 'running').length }));
    await expect.poll(looks).toEqual({ opacity: '0', fades: 0 }); // beneath it stands NOT PROVEN
    const near = (await page.locator('[data-pot]').first().getAttribute('data-pot')) ?? '';
    const reads = (name: string) => page.locator(`[data-pot="${name}"] .numbers .n`).first().textContent();
    const [here, there] = [await reads(near), await reads(far)];
    server.pots = pots.map((p) => (p.pressure_pa.vessel === undefined ? p : { ...p, pressure_pa: { ...p.pressure_pa, vessel: p.pressure_pa.vessel + 7000 } }));
    await expect.poll(() => reads(near), { timeout: 1500, interval: 25 }).not.toBe(here);
    await expect.poll(() => reads(far), { timeout: 4000 }).not.toBe(there);
    await page.locator(`[data-pot="${far}"]`).scrollIntoViewIfNeeded();
    await expect.poll(looks).toEqual({ opacity: '1', fades: 1 });
    await page.evaluate(() => window.scrollTo(0, 0));
    await expect.poll(looks).toEqual({ opacity: '0', fades: 0 });
    server.mute = true;
    await until(far, 'not-proven', 2500);
    expect((await words(page, far)).map((w) => w.word)).toEqual(['VENTED', 'NOT PROVEN']);
    // A pot that is not heard of is marked as old there too.
    await page.locator(`[data-pot="${far}"] .age.old`).waitFor({ state: 'attached' });
  });

  test('works from the keyboard', async () => {
    server.pots = six();
    await open();
    await answerOf('alder').waitFor();
    const focused = () => page.evaluate(() => document.activeElement?.textContent?.trim());
    await page.keyboard.press('Tab');
    expect(await focused()).toBe('Skip to the view');
    const outline = await page.evaluate(() => getComputedStyle(document.activeElement ?? document.body).outlineWidth);
    expect(outline).toBe('3px');
    for (const name of ['no alarms', 'Site', 'Alarms', 'psi', 'bar']) {
      await page.keyboard.press('Tab');
      expect(await focused()).toBe(name);
    }
    await page.keyboard.press('Enter');
    expect(await page.locator('[data-pot="alder"]').innerText()).toContain('bar');
  });
});

describe.each([
  { width: 320, height: 700 },
  { width: 390, height: 844 },
  { width: 820, height: 1180 },
  { width: 1280, height: 800 },
  { width: 2560, height: 1440 },
])('at $width', (viewport) => {
  test.each([6, 40])('with %d pots nothing overflows and targets are 48 px', async (n) => {
    server.pots = n === 6 ? six() : many(n);
    await open({ viewport });
    await answerOf('maple').waitFor({ state: 'attached' });
    const found = await page.evaluate(() => {
      const small = [...document.querySelectorAll<HTMLElement>('button, a, input')]
        .map((el) => ({ text: el.textContent ?? '', box: el.getBoundingClientRect() }))
        .filter(({ box }) => box.width > 0 && (box.height < 47.5 || box.width < 47.5))
        .map(({ text, box }) => `${text} ${box.width}x${box.height}`);
      const cut = [...document.querySelectorAll<HTMLElement>('.strip, .in, .head, .reading, .choice')]
        .filter((el) => el.scrollWidth > el.clientWidth + 1)
        .map((el) => `${el.className} ${el.textContent?.trim().slice(0, 40)} ${el.scrollWidth}>${el.clientWidth}`);
      return { small, cut, over: document.documentElement.scrollWidth - window.innerWidth };
    });
    expect(found).toEqual({ small: [], cut: [], over: 0 });
  });
});

describe('axe finds nothing', () => {
  interface Violation {
    readonly id: string;
    readonly nodes: readonly { readonly html: string; readonly failureSummary: string }[];
  }
  async function violations(): Promise<string[]> {
    await page.addScriptTag({ path: axePath });
    const found = await page.evaluate(async () => {
      const axe = (window as unknown as { axe: { run: (at: Document, o: object) => Promise<{ violations: Violation[]; passes: unknown[] }> } }).axe;
      const r = await axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] });
      return { violations: r.violations, passes: r.passes.length };
    });
    expect(found.passes).toBeGreaterThan(10);
    return found.violations.flatMap((v) => v.nodes.map((n) => `${v.id}: ${n.html.slice(0, 160)} ${n.failureSummary}`));
  }

  test.each([
    ['light', 6, 1280],
    ['dark', 6, 1280],
    ['light', 40, 390],
    ['dark', 40, 390],
  ] as const)('%s, %d pots, %d wide', async (colorScheme, n, width) => {
    server.pots = n === 6 ? six() : many(n);
    await open({ viewport: { width, height: 900 }, colorScheme, bypassCSP: true });
    await until('maple', 'vented', 5000);
    expect(await violations()).toEqual([]);
    await server.stop();
    await until('maple', 'not-proven', 3000);
    expect(await violations()).toEqual([]);
  });
});

describe('page and API agree', () => {
  test('on a server whose answers change', async () => {
    await open();
    server.pots = six();
    const toggle = setInterval(() => {
      const now: Word = server.pots.find((p) => p.name === 'maple')?.answer.word ?? 'vented';
      const word: Word = now === 'vented' ? 'pressurised' : 'vented';
      server.pots = six().map((p) => (p.name === 'maple' ? { ...p, answer: { word, because: word === 'vented' ? [] : ['over-limit'], age_s: 0.2 } } : p));
    }, 1500);
    try {
      expect(await agree(browser, server.url, 8000)).toEqual({ pots: 6, vented: 1 });
    } finally {
      clearInterval(toggle);
    }
  });
});
