// The site page in a browser, against a scripted server.
import type { Browser, BrowserContextOptions, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, test } from 'vitest';
import type { Word } from '../../src/lib/protocol/types.gen';
import { agree } from './agree';
import { many, maple, pot, six, stalled } from './fixtures';
import { unfit, violations } from './fit';
import { launch, record, saidAfter, saidInPeace, Scripted, setVisible, Tab, watch, words } from './harness';
import type { Watch } from './harness';

let browser: Browser;
let tab: Tab;
let server: Scripted;
let page: Page;
let seen: Watch;

beforeAll(async () => {
  browser = await launch();
  tab = new Tab(browser);
});
afterAll(() => browser.close());

beforeEach(async () => {
  server = new Scripted();
  server.pots = [maple];
  await server.start();
});
afterEach(async ({ task }) => {
  await tab.leave(page, task.result?.state === 'fail');
  await server.stop();
  // No test may make the page ask anybody else, or complain.
  expect(seen).toEqual({ foreign: [], errors: [] });
});

async function open(options?: BrowserContextOptions): Promise<void> {
  page = options === undefined ? await tab.take() : await browser.newPage(options);
  seen = watch(page, server.url);
  await record(page);
  await page.goto(server.url);
}

const answerOf = (name: string) => page.locator(`[data-pot="${name}"] [data-word]`);
const wordOf = (name: string) => answerOf(name).getAttribute('data-word');
const until = (name: string, word: string) => expect.poll(() => wordOf(name)).toBe(word);
const wait = (ms: number) => page.waitForTimeout(ms);

describe('VENTED', () => {
  test('is shown from fresh frames, with its caution inside, and without flicker', async () => {
    await open();
    await until('maple', 'vented');
    const text = await answerOf('maple').innerText();
    expect(text).toContain('VENTED');
    expect(text).toContain('check the gauge on the pot, lock out');
    expect(text).toContain('air is on: isolate it');
    const look = async () => {
      await open();
      await until('maple', 'vented');
      await wait(4000);
      return page;
    };
    expect(await saidInPeace(look, 'maple')).toEqual(['VENTED']);
  });

  test.each([
    ['unknown', 'air may be on: isolate it'],
    ['off', null],
  ] as const)('says what is known of the air: %s', async (air, want) => {
    server.pots = [{ ...maple, air }];
    await open();
    await until('maple', 'vented');
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
    await until('maple', 'vented');
  });

  test('ends when frames stop: NOT PROVEN within 2 s of the last', async () => {
    await open();
    await until('maple', 'vented');
    server.mute = true;
    await until('maple', 'not-proven');
    expect(await saidAfter(page, 'maple')).toBeLessThan(2000);
    await expect.poll(() => answerOf('maple').innerText()).toContain('The server has said nothing for 2 s.');
    server.mute = false;
    await until('maple', 'vented');
  });

  test('ends when the server is lost, within 3 s, and the page says what it missed when it is back', async () => {
    server.pots = six();
    await open();
    await until('maple', 'vented');
    await server.stop();
    for (const p of six()) {
      await until(p.name, 'not-proven');
      expect(await saidAfter(page, p.name)).toBeLessThan(3000);
    }
    await page.getByText('Connection to the server lost.').waitFor();
    await expect.poll(() => page.locator('[data-pot="alder"]').innerText()).toContain('old: ');
    server.pots = six().map((p) => (p.name === 'alder' ? pot({ name: 'alder', state: 'held', word: 'pressurised', because: ['over-limit'], psi: [111, 104, 38, 0, 0, 0] }) : p));
    await server.start();
    await until('maple', 'vented');
    await page.getByText('Alder: blasting, now held').waitFor();
    const notice = await page.getByRole('status').innerText();
    expect(notice).toMatch(/Back after \d+ s without news/);
    expect(notice).not.toMatch(/vented/i);
    await page.getByRole('button', { name: 'Dismiss' }).click();
    await page.getByText('Alder: blasting, now held').waitFor({ state: 'detached' });
  });

  test('ends at once when the page is hidden, and returns only by a fresh frame after it is seen again', async () => {
    await open();
    await until('maple', 'vented');
    await setVisible(page, false);
    expect(await wordOf('maple')).toBe('not-proven');
    await wait(1500);
    expect(await wordOf('maple')).toBe('not-proven');
    server.mute = true;
    await wait(500); // what was on its way has arrived
    await setVisible(page, true);
    await wait(600);
    expect(await wordOf('maple')).toBe('not-proven');
    expect(await answerOf('maple').innerText()).toMatch(/was hidden|has said nothing/); // whichever was longer ago
    server.mute = false;
    await until('maple', 'vented');
  });

  test('ends after the page was frozen, before it can be shown again', async () => {
    await open();
    await until('maple', 'vented');
    const frozen = await page.evaluate(() => {
      const end = performance.now() + 2500;
      while (performance.now() < end);
      return end;
    });
    const since = async () => (await words(page, 'maple')).filter((w) => w.t >= frozen).map((w) => w.word);
    await expect.poll(async () => (await since()).slice(0, 2)).toEqual(['NOT PROVEN', 'VENTED']);
  });

  test('fades by itself while the page’s script hangs', async () => {
    await open();
    await until('maple', 'vented');
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

  // Side by side, for most of it is waiting.
  test('is never shown from readings that were 20 s old at sending, nor over a late link, though each frame says 0.3 s', async () => {
    const never = async (pot: typeof maple, delayMs: number, frames: number) => {
      const late = new Scripted();
      late.pots = [pot];
      late.delayMs = delayMs;
      await late.start();
      const page = await browser.newPage();
      try {
        await record(page);
        await page.goto(late.url);
        await expect.poll(() => late.acknowledged, { timeout: 60_000 }).toBeGreaterThanOrEqual(frames);
        expect((await words(page, 'maple')).map((w) => w.word), `${delayMs} ms late`).toEqual(['NOT PROVEN']);
      } finally {
        await page.close();
        await late.stop();
      }
    };
    await open();
    await Promise.all([
      never({ ...maple, age_s: 20, answer: { ...maple.answer, age_s: 20 } }, 0, 12),
      never(maple, 3000, 4),
      never(maple, 7000, 2),
    ]);
    // What shows there was not blind: the same pot from fresh frames.
    await until('maple', 'vented');
  });

  test('is not printed', async () => {
    server.pots = six();
    await open();
    await until('maple', 'vented');
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
    await until('maple', 'vented');
    server.pots = [{ ...maple, state: 'melted' } as unknown as typeof maple];
    await until('maple', 'not-proven');
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
    await until('maple', 'vented');
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

  test('a strip whose vessel is held draws its vent so far over a healthy one in the place of the grade line, as high, while it is fresh', async () => {
    const rowan = stalled(pot({ name: 'rowan', state: 'held', word: 'pressurised', because: ['over-limit'], psi: [112, 110, 38, 0.4, 0.1, 0.1] }), 42);
    const { vent, ...bare } = rowan;
    const [alder] = six();
    if (vent === undefined || alder === undefined) throw new Error('no fixture');
    const { envelope: _, ...unjudged } = vent;
    const show = (p: typeof rowan, others = [alder, maple]) => (server.pots = [p, ...others]);
    show(rowan);
    await open({ viewport: { width: 1280, height: 800 } });
    const grade = (name: string) => page.locator(`[data-pot="${name}"] .grade`);
    const label = async (name: string) => (await grade(name).getByRole('img').getAttribute('aria-label')) ?? '';
    const size = async () => grade('rowan').boundingBox().then((b) => [b?.width, b?.height]);
    await grade('rowan').locator('.trace.slow').waitFor();
    expect(await grade('rowan').locator('.band').count()).toBe(1);
    expect(await grade('rowan').textContent()).toMatch(/38 psi\s*since the release; grey: a healthy vent/);
    expect(await label('rowan')).toMatch(/^Vessel pressure since the release: 38 psi after 42 s\. Slower than the slowest healthy vent of this pot\./);
    expect(await grade('alder').locator('.trace').count()).toBe(0);
    expect(await label('alder')).toContain('hose segment loses');
    const drawn = await size();

    // What the vessel holds now stands at the end, though the trace has not come so far.
    show({ ...rowan, pressure_pa: { ...rowan.pressure_pa, vessel: 35 * 6894.757 } });
    await expect.poll(() => label('rowan')).toContain('35 psi');
    show({ ...rowan, vent: unjudged });
    await expect.poll(() => grade('rowan').textContent()).toContain('what is healthy is not known');
    expect(await label('rowan')).toContain('no range is drawn');
    expect(await grade('rowan').locator('.band, .slow').count()).toBe(0);
    // Without a vent, and without a reading of the vessel, it is the grade line, and as high.
    for (const p of [bare as typeof rowan, { ...rowan, pressure_pa: { supply: 7e5, separator: 7e5 }, quality: { vessel: 'no-reply' as const } }, { ...rowan, age_s: 8 }]) {
      show(rowan);
      await grade('rowan').locator('.trace').waitFor();
      show(p);
      await grade('rowan').locator('.trace').waitFor({ state: 'detached' });
      expect(await label('rowan')).toContain('supply');
      expect(await size()).toEqual(drawn);
    }
    // Among many pots it is small, and says the same.
    show(rowan, many(40).filter((p) => p.name !== 'rowan'));
    await grade('rowan').locator('svg.spark .trace.slow').waitFor();
    expect(await label('rowan')).toContain('Slower than the slowest healthy vent');
    expect(await grade('rowan').getByText(/\S/).count()).toBe(0);
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
    const look = async () => {
      await open();
      await until('maple', 'vented');
      await wait(3000);
      return page;
    };
    expect(await saidInPeace(look, 'maple')).toEqual(['VENTED']); // it keeps up
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

  test('makes the strips of 200 pots in pieces, and has them all on paper', async () => {
    server.pots = many(200);
    await open({});
    await page.addInitScript(() => {
      const steps: number[] = [];
      (window as unknown as { steps: number[] }).steps = steps;
      const strips = (m: MutationRecord) => [...m.addedNodes].filter((n) => n instanceof HTMLElement && n.dataset['pot'] !== undefined).length;
      new MutationObserver((list) => steps.push(list.reduce((sum, m) => sum + strips(m), 0))).observe(document, { subtree: true, childList: true });
    });
    await page.reload();
    await expect.poll(() => page.locator('[data-pot]').count()).toBe(200);
    const steps = await page.evaluate(() => (window as unknown as { steps: number[] }).steps);
    expect(Math.max(...steps)).toBeLessThanOrEqual(16);
    await page.getByRole('searchbox').fill('acacia 2');
    await expect.poll(() => page.locator('[data-pot]').count()).toBe(1);
    const printed = await page.getByRole('searchbox').evaluate((el) => {
      (el as HTMLInputElement).value = '';
      el.dispatchEvent(new Event('input', { bubbles: true }));
      window.dispatchEvent(new Event('beforeprint'));
      return document.querySelectorAll('[data-pot]').length;
    });
    expect(printed).toBe(200);
  });

  test('what is out of sight follows slowly, its answer at once, and its end cannot be missed when it comes into sight', async () => {
    const pots = many(200);
    server.pots = pots;
    await open();
    await expect.poll(() => page.locator('[data-pot]').count()).toBe(200);
    const far = (await page.locator('[data-pot]:has([data-word="vented"])').last().getAttribute('data-pot')) ?? '';
    const looks = () =>
      page.locator(`[data-pot="${far}"] .in`).evaluate((el) => ({ opacity: getComputedStyle(el).opacity, fades: el.getAnimations().filter((a) => a.playState === 'running').length }));
    await expect.poll(looks).toEqual({ opacity: '0', fades: 0 }); // beneath it stands NOT PROVEN
    const near = (await page.locator('[data-pot]').first().getAttribute('data-pot')) ?? '';
    const reads = (name: string) => page.locator(`[data-pot="${name}"] .numbers .n`).first().textContent();
    const [here, there] = [await reads(near), await reads(far)];
    server.pots = pots.map((p) => (p.pressure_pa.vessel === undefined ? p : { ...p, pressure_pa: { ...p.pressure_pa, vessel: p.pressure_pa.vessel + 7000 } }));
    await expect.poll(() => reads(near)).not.toBe(here);
    await expect.poll(() => reads(far)).not.toBe(there);
    await page.locator(`[data-pot="${far}"]`).scrollIntoViewIfNeeded();
    await expect.poll(looks).toEqual({ opacity: '1', fades: 1 });
    await page.evaluate(() => window.scrollTo(0, 0));
    await expect.poll(looks).toEqual({ opacity: '0', fades: 0 });
    server.mute = true;
    await until(far, 'not-proven');
    expect(await saidAfter(page, far)).toBeLessThan(2000);
    const said = (await words(page, far)).map((w) => w.word);
    expect([said[0], said.at(-1), new Set(said).size]).toEqual(['VENTED', 'NOT PROVEN', 2]);
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

test.each([6, 40])('with %d pots nothing overflows at any size, and targets are 48 px', async (n) => {
  server.pots = n === 6 ? six() : many(n);
  await open();
  await answerOf('maple').waitFor({ state: 'attached' });
  expect(await unfit(page, '.strip, .in, .head, .reading, .choice')).toEqual([]);
});

test.each([
  ['light', 6, 1280],
  ['dark', 40, 390],
] as const)('axe finds nothing: %s, %d pots, %d wide', async (colorScheme, n, width) => {
  server.pots = n === 6 ? six() : many(n);
  await open({ viewport: { width, height: 900 }, colorScheme, bypassCSP: true });
  await until('maple', 'vented');
  expect(await violations(page)).toEqual([]);
  await page.emulateMedia({ colorScheme: colorScheme === 'light' ? 'dark' : 'light' });
  expect(await violations(page, true)).toEqual([]);
  await server.stop();
  await until('maple', 'not-proven');
  expect(await violations(page)).toEqual([]);
});

describe('page and API agree', () => {
  /** Runs while maple's word changes, with each reading of it. */
  const toggled = async <T>(run: () => Promise<T>): Promise<T> => {
    const toggle = setInterval(() => {
      const now: Word = server.pots.find((p) => p.name === 'maple')?.answer.word ?? 'vented';
      const word: Word = now === 'vented' ? 'pressurised' : 'vented';
      const t = new Date().toISOString();
      server.pots = six().map((p) => (p.name === 'maple' ? { ...p, t, answer: { word, because: word === 'vented' ? [] : ['over-limit'], age_s: 0.2 } } : p));
    }, 1500);
    try {
      return await run();
    } finally {
      clearInterval(toggle);
    }
  };

  test('on a server whose answers change', async () => {
    await open();
    server.pots = six();
    expect(await toggled(() => agree(browser, server.url, 6000))).toEqual({ pots: 6, vented: 1 });
  });
});
