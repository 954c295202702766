// The Pot view in a browser, and the Site view's figures, against a scripted server.
import type { Browser, BrowserContextOptions, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, test } from 'vitest';
import { many, maple, six } from './fixtures';
import { unfit, violations } from './fit';
import { launch, record, Scripted, Tab, watch, words } from './harness';
import type { Watch } from './harness';
import { alder, bare, figured, standing, store, venting } from './potfixtures';

let browser: Browser;
let tab: Tab;
let server: Scripted;
let page: Page;
let seen: Watch;
let asked: URL[];

beforeAll(async () => {
  browser = await launch();
  tab = new Tab(browser);
});
afterAll(() => browser.close());

beforeEach(async () => {
  server = new Scripted();
  server.pots = [alder()];
  store(server);
  asked = [];
  for (const [path, reply] of server.routes) {
    server.routes.set(path, (a) => {
      asked.push(a.url);
      return reply(a);
    });
  }
  await server.start();
});
afterEach(async ({ task }) => {
  await tab.leave(page, task.result?.state === 'fail');
  await server.stop();
  expect(seen).toEqual({ foreign: [], errors: [] });
});

async function open(name: string, options?: BrowserContextOptions): Promise<void> {
  page = options === undefined ? await tab.take() : await browser.newPage(options);
  seen = watch(page, server.url);
  await record(page);
  await page.goto(`${server.url}#/pot/${name}`);
  await page.locator('[data-pot]').waitFor();
}

const section = (name: string) => page.getByRole('region', { name, exact: true });
const chart = () => page.locator('.chart');
/** What the traces show: ends of the view, points drawn, gaps. */
const drawn = () =>
  chart().evaluate((el: HTMLElement) => {
    const at = (name: string) => Number(el.dataset[name]);
    return { from: at('from'), to: at('to'), points: at('points'), gaps: at('gaps') };
  });
const fetched = () => expect.poll(async () => (await drawn()).points).toBeGreaterThan(50);

test('a pot is told whole: the answer first, then what is lost, left, worn, and against what', async () => {
  await open('alder');
  const first = page.locator('[data-pot="alder"]');
  expect(await first.locator('[data-word]').getAttribute('data-word')).toBe('pressurised');
  expect(await page.getByRole('heading', { level: 1 }).innerText()).toBe('Alder');
  const facts = await first.innerText();
  expect(facts).toMatch(/89\s*of 100 psi/);
  expect(facts).toMatch(/11\s*min/);
  expect(facts).toContain('9 to 15');
  expect(await section('What has changed').innerText()).toContain('The moisture separator lets less air through than at the baseline');

  expect(await section('Where the pressure falls').getByRole('img').getAttribute('aria-label')).toContain('separator 104.2 psi, at the baseline 110.5, ±\u00a00.5');
  const cost = await section('What the falls cost').innerText();
  expect(cost).toMatch(/separator\s+6\.8\s+▲ ?\+5\.3\s*±\s0\.3\s+8\.0 %\s*±\s0\.5\s+10 USD\s*±\s0\.54/);
  expect(cost).toContain('by flow +0.4, by mix 0.0, by resistance +4.9 ±\u00a00.4');
  expect(cost).toMatch(/All of it\s+\+7\.4\s*±\s0\.2\s+11\.1 %\s*±\s0\.3\s+14 USD\s*±\s0\.38/);
  expect(cost).toContain('no farther off in four of five cases');
  expect(cost).toContain('the baseline was written down');
  const left = await section('Abrasive left').innerText();
  expect(left).toContain('37 % full');
  expect(left).toContain('225 ± 25 lb');
  expect(left).toContain('33 to 41 % in four of five cases');
  expect(left).toContain('empty in 9 to 15 min of blasting');
  // The past is there at once, from the records, and as far back as is asked for.
  const past = () => section('Abrasive left').locator('path.past').getAttribute('d').then((d) => d?.split('L').length ?? 0);
  await expect.poll(past).toBeGreaterThan(4);
  const twenty = await past();
  await section('Abrasive left').getByRole('button', { name: '2 h' }).click();
  await expect.poll(past).toBeGreaterThan(4 * twenty);
  const wear = await section('What wears and clogs').innerText();
  expect(wear).toMatch(/separator\s+resistance\s+× 1\.71 ± 0\.06\s+past its limit/);
  expect(wear).toMatch(/hose\s+resistance\s+× 1\.06 ± 0\.04\s+\d+ \w{3}, between \d+ \w{3} and \d+ \w{3}/);
  await expect.poll(() => section('Told against').innerText()).toContain('by R. Quill');
  expect(await section('Told against').innerText()).toContain('Written down at commissioning');
  expect(await section('Water in the separator').innerText()).toContain('Drain it.');
  // The switch of units reaches all of it.
  await page.getByRole('button', { name: 'bar', exact: true }).first().click();
  expect(await section('What the falls cost').innerText()).toContain('+0.37');
  expect(await section('Abrasive left').innerText()).toContain('105 ± 12 kg');
  // A baseline that was learned says so, and that nobody has vouched for it.
  server.pots = [{ ...alder(), baseline: { how: 'learned', t: new Date().toISOString(), seconds: 300, provisional: true } }];
  await expect.poll(() => section('Told against').innerText()).toContain('Provisional');
  const told = await section('Told against').innerText();
  expect(told).toContain('Learned from steady blasting');
  expect(told).not.toContain('R. Quill');
  expect(await section('What the falls cost').innerText()).not.toContain('was written down');
});

test('what is not known is said to be unknown', async () => {
  server.pots = [bare()];
  await open('linden');
  const main = await page.locator('main').innerText();
  for (const said of [
    'Losses are told while the pot blasts, once a baseline is known.',
    'How much is left is not known yet.',
    'Nothing is known of wear yet',
    'No baseline is known yet',
    'no estimate yet',
    'Not reckoned: the site file states no weather.',
    'The records cannot be shown',
  ])
    await expect.poll(() => page.locator('main').innerText()).toContain(said);
  expect(main).not.toMatch(/NaN|undefined|Infinity/);
  // Nothing is stored of this pot: the browser complains of each 404, the page says it in words.
  seen.errors.splice(0, seen.errors.length, ...seen.errors.filter((e) => !e.includes('404')));
  await page.goto(`${server.url}#/pot/nobody`);
  await page.getByText('The server watches no pot called nobody.').waitFor();
});

test('the answer of this view is held by the lease too', async () => {
  server.pots = [maple];
  store(server, 'maple');
  await open('maple');
  const word = () => page.locator('[data-pot="maple"] [data-word]').getAttribute('data-word');
  await expect.poll(word).toBe('vented');
  expect(await page.locator('[data-pot="maple"]').innerText()).toContain('check the gauge on the pot, lock out');
  await page.emulateMedia({ media: 'print' });
  expect(await page.locator('body').innerText()).not.toContain('VENTED');
  await page.emulateMedia({ media: 'screen' });
  server.mute = true;
  await expect.poll(word).toBe('not-proven');
  await expect.poll(() => page.locator('main').innerText()).toContain('old: ');
  await page.getByRole('group', { name: 'Lines' }).locator('.v.old').first().waitFor(); // and beside the live traces too
  expect((await words(page, 'maple')).at(-1)?.word).toBe('NOT PROVEN');
});

test('the vent is drawn while it happens, over what is healthy', async () => {
  const vent = () => section('The vent');
  server.pots = [venting(1)];
  await open('alder');
  const label = async () => (await vent().getByRole('img').getAttribute('aria-label')) ?? '';
  expect(await label()).toMatch(/^Vessel pressure since the release: \d+ psi after 1\.0 s$/);
  const was = await vent().locator('.trace').getAttribute('d');
  server.pots = [venting(3)];
  await expect.poll(label).toContain('after 3.0 s');
  expect(await vent().locator('.trace').getAttribute('d')).not.toBe(was);
  expect(await vent().locator('.band').count()).toBe(1);
  expect(await vent().innerText()).toMatch(/Released 3\.0 s ago, \d+ psi left\./);
  expect(await vent().locator('.trace.slow').count()).toBe(0);
  server.pots = [venting(22, true)];
  await vent().locator('.trace.slow').waitFor();
  expect(await vent().innerText()).toContain('Slower than the slowest healthy vent of this pot.');
  expect(await page.locator('[data-pot="alder"]').innerText()).toContain('vent stalled: do not open');
  await expect.poll(() => server.subscriptions.at(-1)).toEqual(['alder']);
});

test('on a phone the vent stands first from the release to the next press, and after it where the pressure falls', async () => {
  await open('alder', { viewport: { width: 390, height: 844 } });
  const top = async (name: string) => (await section(name).boundingBox())?.y ?? NaN;
  const ventFirst = async () => (await top('The vent')) < (await top('Where the pressure falls'));
  expect(await ventFirst()).toBe(false);
  for (const [pot, want] of [
    [venting(3.1), true],
    [venting(22, true), true],
    [{ ...venting(22), state: 'at-rest' }, true],
    [alder(), false],
  ] as const) {
    server.pots = [pot];
    await expect.poll(ventFirst, { message: pot.state }).toBe(want);
  }
});

test('recorded blasts are paged back to the oldest, and the vent of any is shown over what it was judged by', async () => {
  await open('alder');
  const vent = section('The vent');
  await expect.poll(() => vent.innerText()).toContain('The last vent, of');
  await vent.locator('.band').waitFor();
  expect(await vent.innerText()).toMatch(/The range is what this vent was judged by then: the slowest healthy one was under 18 psi after \d\.\d s\./);
  expect(await vent.locator('.trace.slow').count()).toBe(0);
  const cycles = section('Blasts and vents');
  expect(await cycles.innerText()).toContain('5:00 min');
  const older = cycles.getByRole('button', { name: 'Older' });
  await older.click();
  await expect.poll(() => cycles.innerText()).toContain('4:52 min');
  await cycles.getByRole('row').nth(3).getByRole('button').click();
  await expect.poll(() => vent.innerText()).toMatch(/^The vent\s+The vent of .*, as it was recorded\./);
  await vent.locator('.trace').waitFor();
  expect(await vent.innerText()).toContain('no healthy range was kept, so none is drawn');
  expect(await vent.locator('.band').count()).toBe(0);
  await older.click();
  await expect.poll(() => cycles.getByRole('row').count()).toBe(5);
  expect(await older.isDisabled()).toBe(true);
  await cycles.getByRole('button', { name: 'Newer' }).click();
  await expect.poll(() => cycles.getByRole('row').count()).toBe(9);
  await vent.getByRole('button', { name: 'Back to the newest' }).click();
  await expect.poll(() => vent.innerText()).not.toContain('The vent of');
});

describe('readings', () => {
  test('are live, with a gap where nothing was stored, and go back in time by keys', async () => {
    await open('alder');
    await chart().scrollIntoViewIfNeeded();
    await fetched();
    const a = await drawn();
    expect(a.gaps).toBe(1);
    expect(a.to - a.from).toBeCloseTo(300_000, 3);
    const canvas = chart().locator('canvas');
    expect(await canvas.evaluate((el: HTMLCanvasElement) => new Set(new Uint32Array(el.getContext('2d')?.getImageData(0, 0, el.width, el.height).data.buffer ?? new ArrayBuffer(0))).size)).toBeGreaterThan(20);
    // One reading more is drawn at once, though the step that was fetched last is not over.
    server.pots = [alder()];
    await expect.poll(async () => (await drawn()).points).toBeGreaterThan(a.points);
    expect((await drawn()).to).toBeGreaterThan(a.to);
    expect(await chart().getAttribute('aria-label')).toMatch(/vessel \S+ to 10\d\.\d psi/);

    // Back in time by keys, closer, and to now again.
    await chart().focus();
    for (let i = 0; i < 3; i++) await page.keyboard.press('PageUp');
    const b = await drawn();
    expect(b.to).toBeLessThan(Date.now() - 890_000);
    expect(b.to).toBeGreaterThan(a.to - 900_001);
    await expect.poll(() => asked.some((u) => u.pathname.endsWith('/history') && Date.parse(u.searchParams.get('from') ?? '') <= b.from && Date.parse(u.searchParams.get('to') ?? '') >= b.to)).toBe(true);
    await page.getByText('The past: it says nothing of what the vessel holds now.').waitFor();
    await page.keyboard.press('+');
    const c = await drawn();
    expect(c.to - c.from).toBe(150_000);
    await expect.poll(() => asked.some((u) => u.searchParams.get('step') === '0.5')).toBe(true);
    await page.keyboard.press('End');
    expect((await drawn()).to).toBeGreaterThan(a.to);
    await section('Readings').getByRole('button', { name: '8 h' }).click();
    await expect.poll(() => asked.some((u) => Number(u.searchParams.get('step')) >= 60)).toBe(true);
    const d = await drawn();
    expect(d.to - d.from).toBeGreaterThan(7.9 * 3_600_000);
  });

  test('go back by drag, and by a pinch come closer', async () => {
    await open('alder', { viewport: { width: 820, height: 1180 }, hasTouch: true });
    await chart().scrollIntoViewIfNeeded();
    await fetched();
    const box = await chart().boundingBox();
    if (box === null) throw new Error('no chart');
    const y = box.y + 120;
    await page.mouse.move(box.x + 200, y);
    await page.mouse.down();
    await page.mouse.move(box.x + 500, y, { steps: 5 });
    await page.mouse.up();
    const b = await drawn();
    expect(b.to).toBeLessThan(Date.now() - 60_000);
    const touch = (type: string, points: readonly [number, number][]) =>
      chart().evaluate(
        (el, { type, points, y }) => {
          for (const [id, x] of points) el.dispatchEvent(new PointerEvent(type, { pointerId: id, pointerType: 'touch', clientX: x, clientY: y, button: 0, bubbles: true }));
        },
        { type, points: points.map((p) => [...p]), y } as { type: string; points: [number, number][]; y: number },
      );
    await chart().evaluate((el) => (el.setPointerCapture = () => undefined)); // no finger is really there
    await touch('pointerdown', [[11, box.x + 300], [12, box.x + 400]]);
    await touch('pointermove', [[11, box.x + 250], [12, box.x + 450]]);
    await touch('pointerup', [[11, box.x + 250], [12, box.x + 450]]);
    const c = await drawn();
    expect(c.to - c.from).toBeCloseTo((b.to - b.from) / 2, -1);
  });

  test('that cannot be fetched are said not to be, and lines can be left out', async () => {
    server.routes.set('/api/v1/pots/alder/history', () => ({ status: 503, body: { type: 'about:blank', title: 'Service Unavailable', status: 503, detail: 'too many others read what is stored' } }));
    page = await tab.take();
    seen = watch(page, server.url);
    await page.goto(`${server.url}#/pot/alder`);
    await page.getByText('What is stored cannot be shown: too many others read what is stored.').first().waitFor();
    const hose = page.getByRole('group', { name: 'Lines' }).getByRole('button', { name: 'hose' });
    await hose.click();
    expect(await hose.getAttribute('aria-pressed')).toBe('false');
    expect(await chart().getAttribute('aria-label')).not.toContain('hose');
    seen.errors.splice(0, seen.errors.length, ...seen.errors.filter((e) => !e.includes('503')));
  });
});

test('the Site view leads to the pot and shows what it costs and how long it lasts', async () => {
  server.pots = figured(six());
  server.alarms = standing();
  page = await tab.take();
  seen = watch(page, server.url);
  await page.goto(server.url);
  const strip = page.locator('[data-pot="alder"]');
  await strip.waitFor();
  expect(await strip.innerText()).toMatch(/to empty\s+11\s*min\s+9 to 15/);
  expect(await strip.getByRole('img').getAttribute('aria-label')).toContain('separator +5.3 psi against the baseline');
  expect(await strip.locator('path.base').count()).toBe(1);
  expect(await page.locator('[data-pot="rowan"]').innerText()).toContain('Vessel still holds pressure');
  const order = await page.locator('[data-pot]').evaluateAll((els) => els.map((e) => e.getAttribute('data-pot')));
  expect(order.slice(0, 2)).toEqual(['rowan', 'hazel']);
  await strip.getByRole('link', { name: 'Alder' }).click();
  await page.getByRole('heading', { level: 1, name: 'Alder' }).waitFor();
  await page.getByRole('link', { name: 'Site' }).first().click();
  await strip.waitFor();
});

test('at no size anything overflows, and targets are 48 px, on both views', async () => {
  const parts = '.strip, .in, .head, .reading, .minutes, .choice, .cell section, .first, table';
  await open('alder');
  await fetched();
  expect(await unfit(page, parts)).toEqual([]);
  server.pots = figured(many(40));
  server.alarms = standing();
  await page.goto('about:blank');
  await page.goto(server.url);
  await page.locator('[data-pot="maple"]').waitFor();
  expect(await unfit(page, parts)).toEqual([]);
});

test('axe finds nothing, in light and dark, wide and narrow, on both views', async () => {
  await open('alder', { viewport: { width: 1280, height: 900 }, colorScheme: 'light', bypassCSP: true });
  await fetched();
  expect(await violations(page), 'light').toEqual([]);
  await page.emulateMedia({ colorScheme: 'dark' });
  await page.setViewportSize({ width: 390, height: 844 });
  server.pots = [venting(22, true)];
  await page.getByText('vent stalled: do not open').first().waitFor();
  expect(await violations(page), 'dark').toEqual([]);
  server.pots = figured(six());
  server.alarms = standing();
  await page.goto('about:blank');
  await page.goto(server.url);
  await page.locator('[data-pot="maple"]').waitFor();
  expect(await violations(page), 'site').toEqual([]);
});
