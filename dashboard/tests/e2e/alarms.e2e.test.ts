// Alarms in a browser, against a scripted server: the summary on every view, each alarm's life, history, keyboard, sound,
// a page that is older than its server, and what of all that goes when the connection does.
import type { Browser, BrowserContextOptions, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, test } from 'vitest';
import { priorities } from '../../src/lib/protocol/types.gen';
import { alarm, AlarmDesk, evidenceOf, history, idOf, standing } from './alarmfixtures';
import { six } from './fixtures';
import { laidOut, unfit, violations } from './fit';
import { DESK, launch, record, Scripted, Tab, watch } from './harness';
import type { Watch } from './harness';

/** Addresses, and what of them comes last. */
const views = [
  ['#/alarms', '[data-list="active"] [data-alarm]'],
  ['#/alarms/shelved', '[data-list="shelved"] [data-alarm]'],
  ['#/alarms/history', '[data-list="history"] [data-alarm]'],
  [`#/alarms/active/${idOf(6)}`, `[data-detail="${idOf(6)}"] .life`],
  [`#/alarms/active/${idOf(2)}`, `[data-detail="${idOf(2)}"] .life`],
] as const;

let browser: Browser;
let tab: Tab;
let server: Scripted;
let desk: AlarmDesk;
let page: Page;
let seen: Watch;

beforeAll(async () => {
  browser = await launch();
  tab = new Tab(browser);
});
afterAll(() => browser.close());

beforeEach(async () => {
  server = new Scripted();
  server.pots = six();
  desk = new AlarmDesk(server, standing());
  await server.start();
});
afterEach(async ({ task }) => {
  await tab.leave(page, task.result?.state === 'fail');
  await server.stop();
  // Refusals and lost connections are answers that a browser reports as errors by itself.
  seen.errors.splice(0, seen.errors.length, ...seen.errors.filter((e) => !/Failed to load resource/.test(e)));
  expect(seen).toEqual({ foreign: [], errors: [] });
});

async function open(hash = '', options?: BrowserContextOptions): Promise<void> {
  page = options === undefined ? await tab.take() : await browser.newPage(options);
  seen = watch(page, server.url);
  await record(page);
  await page.goto(server.url + hash);
  await page.locator('[data-alarms]:not([data-alarms="0"]), [data-list], [data-detail]').first().waitFor();
}

const row = (n: number) => page.locator(`[data-alarm="${idOf(n)}"]`);
const rows = () => page.locator('[data-alarm]').evaluateAll((els) => els.map((e) => e.getAttribute('data-alarm')));
const detail = () => page.locator('[data-detail]');
const button = (name: string | RegExp) => page.getByRole('button', { name });
const posted = () => server.posted.map((p) => [p.url.pathname.split('/').slice(-2).join('/'), p.body]);
const focused = () => page.evaluate(() => document.activeElement?.getAttribute('data-alarm') ?? document.activeElement?.getAttribute('data-list') ?? document.activeElement?.textContent?.trim().slice(0, 40) ?? '');
const bar = () => page.locator('[data-sound]').getAttribute('data-sound');

describe('every view', () => {
  test.each(['#/', '#/pot/alder', '#/alarms'])('%s has the summary, the most urgent first', async (hash) => {
    await open(hash);
    await expect.poll(() => page.locator('[data-alarms]').innerText()).toMatch(/3 critical, 1 new\s+1 high, 1 new\s+3 medium, 2 new/);
    // What sounds is named, and leads to what to do.
    await page.getByRole('link', { name: /Rowan: Vessel still holds pressure/ }).click();
    await detail().waitFor();
    expect(await detail().getAttribute('data-detail')).toBe(idOf(2));
  });

  test('asks for one pot alone where one is looked at, and for all again', async () => {
    await open('#/pot/alder');
    await expect.poll(() => server.subscriptions).toEqual([['alder']]);
    await page.getByRole('navigation', { name: 'Views' }).getByRole('link', { name: 'Site' }).click();
    await expect.poll(() => server.subscriptions.at(-1)?.length).toBe(6);
    await expect.poll(() => page.locator('[data-pot] [data-word="vented"]').count()).toBe(1);
    await page.goBack();
    await expect.poll(() => server.subscriptions.at(-1)).toEqual(['alder']);
    expect(await page.evaluate(() => document.activeElement?.id)).toBe('main');
  });

  test('a pot that is not looked at is never VENTED from what was said before', async () => {
    await open('#/');
    await expect.poll(() => page.locator('[data-pot="maple"] [data-word]').getAttribute('data-word')).toBe('vented');
    await page.getByRole('link', { name: 'Alarms', exact: true }).click();
    await page.goto(`${server.url}#/pot/alder`);
    await expect.poll(() => server.subscriptions.at(-1)).toEqual(['alder']);
    server.pots = six().map((p) => (p.name === 'maple' ? { ...p, state: 'blasting', answer: { word: 'pressurised', because: ['over-limit'], age_s: 0.2 } } : p));
    await page.waitForTimeout(3500);
    server.mute = true;
    await page.getByRole('navigation', { name: 'Views' }).getByRole('link', { name: 'Site' }).click();
    await page.locator('[data-pot="maple"]').waitFor();
    await page.waitForTimeout(300);
    expect(await page.locator('[data-pot="maple"] [data-word]').getAttribute('data-word')).toBe('not-proven');
    server.mute = false;
    await expect.poll(() => page.locator('[data-pot="maple"] [data-word]').getAttribute('data-word')).toBe('pressurised');
    const words = await page.evaluate(() => (window as unknown as { answers: { t: number; pot: string; word: string }[] }).answers.filter((a) => a.pot === 'maple').map((a) => a.word));
    expect(words.slice(words.lastIndexOf('VENTED') + 1)).toEqual(expect.arrayContaining(['NOT PROVEN', 'PRESSURISED']));
  });
});

describe('the lists', () => {
  test('have each open alarm once, under what became of it, in the server’s order', async () => {
    await open('#/alarms');
    await row(2).waitFor();
    expect(await rows()).toEqual([2, 5, 6, 7].map(idOf));
    await page.getByRole('link', { name: /^Acknowledged/ }).click();
    await row(1).waitFor();
    expect(await rows()).toEqual([1, 3, 8].map(idOf));
    expect(await row(1).innerText()).toMatch(/Vent too slow\s+Rowan\s+acknowledged · raised \d+ s ago · Ann Field/);
    await page.getByRole('link', { name: /^Shelved/ }).click();
    await row(4).waitFor();
    expect(await rows()).toEqual([4, 9, 10].map(idOf));
    expect(await row(9).innerText()).toMatch(/shelved · raised 2 h 00 min ago · 1 h 2\d min left/);
    expect(await row(4).innerText()).toContain('under another');
  });

  test('show a new one at once, and move only when no finger is down', async () => {
    await open('#/alarms');
    await row(5).waitFor();
    await page.waitForTimeout(4200);
    const box = await row(5).boundingBox();
    await page.mouse.move((box?.x ?? 0) + 20, (box?.y ?? 0) + 20);
    await page.mouse.down();
    desk.raise(alarm({ n: 20, alarm: 'over-pressure', priority: 'critical', pot: 'birch', ago: 0 }));
    // The summary and the bar say it, while the rows hold still.
    await page.getByRole('link', { name: /Birch: Over the rating/ }).waitFor();
    await page.waitForTimeout(600);
    const list = page.locator('[data-list] [data-alarm]');
    expect(await list.evaluateAll((els) => els.map((e) => e.getAttribute('data-alarm')))).toEqual([2, 5, 6, 7].map(idOf));
    await page.mouse.move(2, 300);
    await page.mouse.up();
    await expect.poll(() => list.first().getAttribute('data-alarm')).toBe(idOf(20));
  });

  test('history is read page by page, by pot, and what ends takes its place in it by itself', async () => {
    desk.ended = history(70);
    await open('#/alarms/history');
    await expect.poll(async () => (await rows()).length).toBe(50);
    await button('Older alarms').click();
    await expect.poll(async () => (await rows()).length).toBe(70);
    expect(await rows()).toEqual(desk.ended.map((a) => a.id));
    await page.getByText('That is all there is.').waitFor();
    expect(await focused()).toBe(desk.ended[50]?.id);
    await page.getByLabel('Pot').selectOption('birch');
    await expect.poll(async () => (await rows()).length).toBe(35);
    const before = await rows();
    // Under a finger nothing moves.
    await page.mouse.move(2, 300);
    await page.mouse.down();
    desk.unstored.add(idOf(7));
    desk.end(idOf(7));
    await expect.poll(() => page.locator('[data-alarms]').getAttribute('data-alarms')).toBe('6');
    await page.waitForTimeout(600);
    expect(await rows()).toEqual(before);
    await page.mouse.up();
    await expect.poll(rows).toEqual([idOf(7), ...before]);
    expect(await button('More alarms have ended: show them').count()).toBe(0);
    // What ended a moment before somebody looks is there too, though it is not stored yet.
    await page.getByRole('link', { name: /^Active/ }).click();
    await row(6).waitFor();
    desk.unstored.add(idOf(6));
    desk.end(idOf(6));
    await row(6).waitFor({ state: 'detached' });
    await page.getByRole('link', { name: 'History', exact: true }).click();
    await expect.poll(async () => (await rows()).filter((id) => id === idOf(6) || id === idOf(7))).toEqual([idOf(7), idOf(6)]);
    expect(await rows()).toHaveLength(52);
    await row(7).click();
    await detail().waitFor();
    expect(await detail().innerText()).toMatch(/ended \d\d:\d\d:\d\d/);
    expect(await detail().getByRole('button').allInnerTexts()).toEqual(['Add comment']); // nothing else can be done with it any more
  });

  test('what somebody else says of an alarm that has ended is read there too', async () => {
    desk.ended = history(1);
    const id = desk.ended[0]?.id ?? '';
    page = await browser.newPage();
    await page.clock.install();
    seen = watch(page, server.url);
    await page.goto(`${server.url}#/alarms/history/${id}`);
    await detail().locator('.life').waitFor();
    await button('Add comment').click();
    const note = page.getByRole('textbox', { name: 'Comment' });
    await note.fill('half a sen');
    const said = await fetch(`${server.url}api/v1/alarms/${id}/comment`, { method: 'POST', body: JSON.stringify({ by: 'Bo Quist', note: 'elbow replaced' }) });
    expect(said.status).toBe(200);
    await page.clock.runFor(15_000);
    await detail().getByText('Bo Quist: elbow replaced').waitFor();
    expect(await note.inputValue()).toBe('half a sen'); // and who writes goes on
  });

  test('the figures stand against their benchmarks, and what is beyond them is marked', async () => {
    await open('#/alarms');
    const figure = (name: string) => page.getByRole('row', { name: new RegExp(`^${name}`) }).innerText();
    await page.getByRole('heading', { name: 'How well the alarms serve people' }).waitFor();
    expect((await figure('alarms an hour')).replace(/\s+/g, ' ')).toBe('alarms an hour 3.7 ▲ beyond the benchmark: 7.2 at most 6.0');
    expect(await figure('stand for over a day')).not.toContain('▲');
    desk.figures = { ...desk.figures, flood: true };
    await page.reload();
    await page.getByText('A flood of alarms').waitFor();
  });
});

describe('an alarm', () => {
  test('explains itself', async () => {
    await open(`#/alarms/active/${idOf(2)}`);
    await page.getByRole('img', { name: /psi/ }).first().waitFor();
    const text = await detail().innerText();
    for (const want of [
      'Vessel still holds pressure', 'Rowan', 'now: people are at risk', 'nobody has acknowledged it', 'Follows from Vent too slow',
      'After the release the vessel still holds pressure', 'A cover that is undone under pressure kills', 'silencer plugged',
      'Shut the air valve at the pot and at the source', 'Only the answer says whether this vessel may be thought without pressure',
      'This vent against the slowest healthy vent of this pot', 'What happened', 'raised',
    ]) expect(text).toContain(want);
    // The pot's own answer stands beside it, by the rules of the answer.
    expect(await detail().locator('[data-pot="rowan"] [data-word]').getAttribute('data-word')).toBe('pressurised');
    await page.getByRole('link', { name: 'Vent too slow' }).click();
    await expect.poll(() => detail().getAttribute('data-detail')).toBe(idOf(1));
    expect(await detail().innerText()).toMatch(/acknowledged by Ann Field, \d\d:\d\d:\d\d/);
  });

  test.each([
    [6, /^Index of the part against its limit: × 1.28, limit × 1.50; passes its limit about/, null],
    [5, /^Abrasive left: 18 % of the pot’s capacity, between 11 % and 26 %/, 'lasts 4 min of blasting, between 3 min and 6 min'],
    [7, /^Reading against its limit: target 100 psi, nozzle, computed 84 psi; limit 90 psi/, null],
    [8, null, 'follows 2.4 s late'],
    [9, null, 'about 3.2 kg of water since the last drain'],
    [3, null, 'nothing heard for 10 s when it was raised'],
    [4, null, 'There is no fresh reading of the vessel gauge.'],
  ])('%d is shown by what it has', async (n, picture, words) => {
    await open(`#/alarms/${idOf(n)}`);
    await detail().waitFor();
    if (picture !== null) expect(await page.getByRole('img', { name: picture }).count()).toBe(1);
    if (words !== null) await detail().locator('.shows').getByText(words).waitFor();
  });

  test('over the rating is drawn against the rating, in the unit of the viewer', async () => {
    server.alarms = [alarm({ n: 30, alarm: 'over-pressure', priority: 'critical', pot: 'alder' })];
    await open(`#/alarms/${idOf(30)}`);
    await page.getByRole('img', { name: /vessel 156 psi; rating 150 psi/ }).waitFor();
    await page.evaluate(() => localStorage.setItem('gritwatch.unit', 'bar'));
    await page.reload();
    await page.getByRole('img', { name: /vessel 10.76 bar; rating 10.34 bar/ }).waitFor();
  });

  test('of a kind that this page does not know is shown all the same', async () => {
    server.alarms = [alarm({ n: 31, alarm: 'hatch-open', priority: 'high', pot: 'alder' })];
    await open('#/alarms');
    await row(31).click();
    await detail().waitFor();
    expect(await detail().innerText()).toContain('hatch-open');
    await button('Acknowledge').waitFor();
  });

  test('that is not known is said to be gone, and the list leads on', async () => {
    await open('#/alarms/01JDX');
    await page.getByText('This alarm is not open any more').waitFor();
    await page.getByRole('link', { name: 'All alarms' }).click();
    await page.getByRole('heading', { name: 'How well the alarms serve people' }).waitFor();
  });
});

describe('what people do', () => {
  test('acknowledging needs a name, which the device remembers, and takes a comment', async () => {
    await open(`#/alarms/active/${idOf(5)}`);
    await button('Acknowledge').click();
    await page.locator('form').waitFor();
    await page.locator('form').evaluate((f) => ((f as HTMLFormElement).noValidate = true)); // the page's own words, not the browser's
    await page.keyboard.press('Enter');
    await page.getByText('Say who you are.').waitFor();
    expect(server.posted).toEqual([]);
    await page.getByLabel('Your name').fill('  Ann Field ');
    await page.getByLabel('Comment').fill('bags are coming');
    await page.keyboard.press('Enter');
    await page.getByText('Acknowledged.', { exact: true }).waitFor();
    expect(posted()).toEqual([[`${idOf(5)}/acknowledge`, { by: 'Ann Field', note: 'bags are coming' }]]);
    // It has left the list of the active ones, stays open beside it, and the keyboard is not lost.
    await expect.poll(rows).not.toContain(idOf(5));
    expect(await detail().getAttribute('data-state')).toBe('acknowledged');
    expect(await page.evaluate(() => document.activeElement?.hasAttribute('data-acts'))).toBe(true);
    await detail().getByText('acknowledged, Ann Field: bags are coming').waitFor();
    await page.goto(`${server.url}#/alarms/active/${idOf(6)}`);
    await button('Acknowledge').click();
    expect(await page.getByLabel('Your name').inputValue()).toBe('Ann Field');
    expect(await page.evaluate(() => document.activeElement?.getAttribute('name'))).toBe('note');
  });

  test('shelving needs an end; the shelf can be left before it', async () => {
    await open(`#/alarms/active/${idOf(5)}`);
    await button('Shelve').click();
    await page.getByLabel('Your name').fill('Ann Field');
    await page.getByRole('radio', { name: '15 min' }).check();
    await page.locator('form').getByRole('button', { name: 'Shelve' }).click();
    await page.getByText('Shelved.', { exact: true }).waitFor();
    expect(posted()).toEqual([[`${idOf(5)}/shelve`, { by: 'Ann Field', for_s: 900 }]]);
    await expect.poll(() => detail().innerText()).toMatch(/until \d\d:\d\d:\d\d, 1[45] min left/);
    await button('Bring back from the shelf').click();
    await page.locator('form').getByRole('button', { name: 'Bring back' }).click();
    await expect.poll(() => detail().getAttribute('data-state')).toBe('unacknowledged');
    expect(posted()[1]).toEqual([`${idOf(5)}/unshelve`, { by: 'Ann Field' }]);
  });

  test('taking out of service and resetting need a reason', async () => {
    server.alarms = [...standing(), alarm({ n: 21, alarm: 'vessel-held', priority: 'critical', pot: 'alder', state: 'latched-acknowledged', by: 'Bo Quist' })];
    await open(`#/alarms/active/${idOf(7)}`);
    await page.evaluate(() => localStorage.setItem('gritwatch.by', 'Ann Field'));
    await page.reload();
    await button('Take out of service').click();
    await page.locator('form').evaluate((f) => ((f as HTMLFormElement).noValidate = true));
    await page.keyboard.press('Enter');
    await page.getByText('Give a reason.').waitFor();
    expect(server.posted).toEqual([]);
    await page.getByLabel('Reason').fill('gauge away for repair');
    await page.keyboard.press('Enter');
    await expect.poll(() => detail().getAttribute('data-state')).toBe('out-of-service');
    await button('Bring back into service').click();
    await page.locator('form').getByRole('button', { name: 'Bring back' }).click();
    await expect.poll(() => detail().getAttribute('data-state')).toBe('unacknowledged');
    await page.goto(`${server.url}#/alarms/${idOf(21)}`);
    await button('Reset').click();
    await page.getByLabel('Reason').fill('gauge read, plug dropped');
    await page.locator('form').getByRole('button', { name: 'Reset' }).click();
    await expect.poll(() => detail().getAttribute('data-state')).toBe('ended');
    expect(posted().map(([what]) => what)).toEqual([`${idOf(7)}/take-out`, `${idOf(7)}/bring-back`, `${idOf(21)}/reset`]);
  });

  test('only what can be done is offered', async () => {
    await open(`#/alarms/active/${idOf(2)}`);
    await button('Acknowledge').waitFor();
    expect(await detail().getByRole('button').allInnerTexts()).toEqual(['Acknowledge', 'Add comment']); // nobody shelves a held vessel
    await page.goto(`${server.url}#/alarms/shelved/${idOf(4)}`);
    await expect.poll(() => detail().getAttribute('data-detail')).toBe(idOf(4));
    expect(await detail().getByRole('button').allInnerTexts()).toEqual(['Add comment']);
  });

  test('a comment is kept with its name and time, on an open alarm and on an ended one, and changes nothing', async () => {
    desk.ended = history(3);
    await open(`#/alarms/active/${idOf(5)}`);
    await button('Add comment').click();
    await page.locator('form').evaluate((f) => ((f as HTMLFormElement).noValidate = true));
    await page.getByLabel('Your name').fill('Ann Field');
    await page.keyboard.press('Enter');
    await page.getByText('Write what is to be kept.').waitFor();
    expect(server.posted).toEqual([]);
    await page.getByLabel('Comment', { exact: true }).fill('bags are coming');
    await page.keyboard.press('Enter');
    await page.getByText('Comment added.', { exact: true }).waitFor();
    await detail().locator('.life li', { hasText: /^\d\d:\d\d:\d\d\s*comment, Ann Field: bags are coming$/ }).waitFor();
    expect(await detail().getAttribute('data-state')).toBe('unacknowledged');
    expect(await rows()).toContain(idOf(5));
    // What somebody else writes is shown at once, though nothing else of the alarm changes.
    await fetch(`${server.url}api/v1/alarms/${idOf(5)}/comment`, { method: 'POST', body: JSON.stringify({ by: 'Bo Quist', note: 'two bags left' }) });
    await detail().locator('.life li', { hasText: 'comment, Bo Quist: two bags left' }).waitFor();
    server.posted.pop();
    await page.goto(`${server.url}#/alarms/history/${idOf(899)}`);
    await expect.poll(() => detail().getAttribute('data-state')).toBe('ended');
    expect(await detail().getByRole('button').allInnerTexts()).toEqual(['Add comment']);
    await button('Add comment').click();
    await page.getByLabel('Comment', { exact: true }).fill('nozzle changed');
    await page.keyboard.press('Enter');
    await detail().getByText('comment, Ann Field: nozzle changed').waitFor();
    expect(posted()).toEqual([[`${idOf(5)}/comment`, { by: 'Ann Field', note: 'bags are coming' }], [`${idOf(899)}/comment`, { by: 'Ann Field', note: 'nozzle changed' }]]);
  });

  test('a refusal is told in the server’s words, and an unreached server as what it is', async () => {
    desk.refuse = { status: 409, detail: 'cannot acknowledge pot-empty-soon of pot alder: somebody has done so already' };
    await open(`#/alarms/active/${idOf(5)}`);
    await button('Acknowledge').click();
    await page.getByLabel('Your name').fill('Ann Field');
    await page.keyboard.press('Enter');
    await page.getByRole('alert').getByText('The server refused: cannot acknowledge pot-empty-soon of pot alder: somebody has done so already').waitFor();
    expect(await page.getByLabel('Your name').inputValue()).toBe('Ann Field');
    await server.stop();
    await page.locator('form').getByRole('button', { name: 'Acknowledge' }).click();
    await page.getByRole('alert').getByText('The server did not answer. Look at the alarm before you do it again: it may have been done.').waitFor();
    await page.keyboard.press('Escape');
    await expect.poll(focused).toBe('Acknowledge');
  });

  test('everything goes by the keyboard, and it keeps its place when an alarm goes', async () => {
    await open('#/alarms');
    await row(2).waitFor();
    await row(2).focus();
    await page.keyboard.press('ArrowDown');
    expect(await focused()).toBe(idOf(5));
    await page.keyboard.press('End');
    expect(await focused()).toBe(idOf(7));
    await page.keyboard.press('ArrowUp');
    expect(await focused()).toBe(idOf(6));
    desk.end(idOf(6));
    await row(6).waitFor({ state: 'detached' });
    await expect.poll(focused).toBe(idOf(7)); // the one in its place
    await page.keyboard.press('Home');
    await page.keyboard.press('Enter');
    await expect.poll(focused).toBe('Vessel still holds pressure');
    for (let i = 0; i < 4 && (await focused()) !== 'Acknowledge'; i++) await page.keyboard.press('Tab');
    await page.keyboard.press('Enter');
    await expect.poll(() => page.evaluate(() => document.activeElement?.getAttribute('name'))).toBe('by');
    await page.keyboard.type('Ann Field');
    await page.keyboard.press('Tab');
    await page.keyboard.type('on my way');
    await page.keyboard.press('Enter');
    await expect.poll(() => detail().getAttribute('data-state')).toBe('acknowledged');
    expect(posted()).toEqual([[`${idOf(2)}/acknowledge`, { by: 'Ann Field', note: 'on my way' }]]);
    // The whole pot's alarms may end under the keyboard: it stays with the list.
    await page.goto(`${server.url}#/alarms`);
    await row(5).focus();
    server.alarms = [];
    await expect.poll(focused).toBe('active');
  });
});

describe('the sound', () => {
  test('is blocked until the page is touched, which it says; mutes end by themselves, and a new alarm breaks them', async () => {
    page = await browser.newPage({ viewport: DESK });
    await page.clock.install();
    seen = watch(page, server.url);
    // The tester's own looks count as touches: the page says by itself what it shows before the first.
    await page.addInitScript(() => {
      new MutationObserver(() => {
        const dock = document.querySelector<HTMLElement>('.loud[data-sound]');
        if (dock !== null) console.info(`sound: ${dock.dataset['sound']}, ${dock.textContent}`);
      }).observe(document, { subtree: true, childList: true, attributes: true });
    });
    const first = page.waitForEvent('console', (m) => m.text().startsWith('sound: '));
    await page.goto(server.url);
    expect((await first).text()).toMatch(/^sound: blocked, .*The browser keeps this page silent until it is touched\./);
    expect(await bar()).toBe('blocked');
    await button('Turn alarm sound on').click();
    await expect.poll(bar).toBe('sounding');
    await button('Mute for 2 min').focus();
    await page.keyboard.press('Enter');
    await expect.poll(bar).toBe('muted');
    await expect.poll(focused).toBe('Sound now'); // the keyboard is not lost with the button
    await page.getByText(/Muted, sounds again in (1\d\d s|2 min)/).waitFor();
    await page.clock.runFor(125_000);
    await expect.poll(bar).toBe('sounding');
    await button('Mute for 2 min').click();
    await expect.poll(bar).toBe('muted');
    desk.raise(alarm({ n: 20, alarm: 'over-pressure', priority: 'critical', pot: 'birch', ago: 0 }));
    await expect.poll(bar).toBe('sounding');
    await server.stop(); // a lost connection silences nothing
    await page.getByText('Connection to the server lost.').waitFor();
    expect(await bar()).toBe('sounding');
    await server.start();
    server.alarms = standing().map((a) => ({ ...a, loud: false }));
    await expect.poll(() => page.locator('[data-sound]').count()).toBe(0);
  });

  test('is made: the loud alarm’s notes leave the page, and a mute ends them', async () => {
    page = await browser.newPage({ viewport: DESK });
    seen = watch(page, server.url);
    // An ear between the page and the loudspeaker.
    await page.addInitScript(() => {
      const ears: AnalyserNode[] = [];
      const connect = AudioNode.prototype.connect as (this: AudioNode, to: AudioNode) => AudioNode;
      AudioNode.prototype.connect = function (this: AudioNode, to: AudioNode) {
        if (!(to instanceof AudioDestinationNode)) return connect.call(this, to);
        const ear = new AnalyserNode(to.context, { fftSize: 32768 });
        ears.push(ear);
        connect.call(this, ear);
        return connect.call(ear, to);
      } as typeof AudioNode.prototype.connect;
      (window as unknown as { heard: () => number }).heard = () => {
        const samples = new Float32Array(32768);
        return Math.max(0, ...ears.map((e) => (e.getFloatTimeDomainData(samples), Math.max(...samples.map(Math.abs)))));
      };
    });
    // Nothing sounds yet: with an alarm the sound could come on by itself, for the tester's looks count as touches.
    server.alarms = [];
    await page.goto(server.url);
    await button('Turn alarm sound on').click();
    await page.locator('[data-sound]').waitFor({ state: 'detached' });
    desk.raise(alarm({ n: 20, alarm: 'over-pressure', priority: 'critical', pot: 'birch', ago: 0 }));
    const heard = () => page.evaluate(() => (window as unknown as { heard: () => number }).heard());
    await expect.poll(heard).toBeGreaterThan(0.3);
    await button('Mute for 2 min').click();
    await expect.poll(heard).toBe(0);
  });
});

test('the first touch of the page goes where it was meant to, and so does the next when an alarm begins to sound', async () => {
  server.alarms = [];
  await open('#/alarms', { viewport: DESK });
  await page.getByText('The browser keeps this page silent').waitFor();
  const before = await page.locator('main').boundingBox();
  const at = await page.getByRole('link', { name: /^History/ }).boundingBox();
  await page.mouse.move((at?.x ?? 0) + 10, (at?.y ?? 0) + 10);
  await page.mouse.down();
  await page.waitForTimeout(400); // a finger is slow
  await page.mouse.up();
  await expect.poll(() => page.url()).toContain('#/alarms/history');
  await page.getByText('The browser keeps this page silent').waitFor({ state: 'detached' });
  desk.raise(alarm({ n: 20, alarm: 'over-pressure', priority: 'critical', pot: 'birch', ago: 0 }));
  await expect.poll(bar).toBe('sounding');
  expect(await page.locator('main').boundingBox()).toMatchObject({ x: before?.x, y: before?.y });
});

describe('a page that was left open', () => {
  test('says that the server was renewed, and reloads itself', async () => {
    await open('#/alarms/acknowledged');
    await row(1).waitFor();
    await page.evaluate(() => ((window as unknown as { old: boolean }).old = true));
    await server.stop();
    server.build = '0123456789abcdef';
    await server.start();
    await page.getByText('The server was renewed; this page is of an older version.').waitFor();
    await expect.poll(() => page.evaluate(() => (window as unknown as { old?: boolean }).old)).toBeUndefined();
    expect(page.url()).toContain('#/alarms/acknowledged');
    await row(1).waitFor();
  });

  test('waits while somebody writes in it', async () => {
    await open(`#/alarms/active/${idOf(5)}`);
    await button('Acknowledge').click();
    await page.getByLabel('Your name').fill('Ann');
    await server.stop();
    server.build = '0123456789abcdef';
    await server.start();
    await page.getByText('It reloads when you are done').waitFor();
    expect(await page.getByLabel('Your name').inputValue()).toBe('Ann');
    await button('Cancel').click();
    await page.getByText('The server was renewed').waitFor({ state: 'detached' });
  });

  test('says so where the newer server sends what it cannot read', async () => {
    await open('#/alarms');
    await row(2).waitFor();
    server.build = '0123456789abcdef';
    server.mangle = (text) => text.replace('"pots":[', '"pots":7,"vessels":[');
    await page.getByText('The server was renewed').waitFor();
    server.mangle = (text) => text;
  });
});

describe('without the server', () => {
  test('the list says how old it is, the answer beside an alarm is NOT PROVEN, and the list comes back', async () => {
    await open(`#/alarms/active/${idOf(5)}`);
    await detail().waitFor();
    await server.stop();
    await page.getByText(/Not live: this list is [\d.]+ s old/).waitFor();
    await expect.poll(() => detail().locator('[data-word]').getAttribute('data-word')).toBe('not-proven');
    await expect.poll(() => page.locator('[data-alarms]').innerText()).toContain('alarms as of');
    expect(await rows()).toContain(idOf(2)); // what stood is not forgotten
    server.alarms = standing().filter((a) => a.pot !== 'rowan');
    await server.start();
    await expect.poll(rows).not.toContain(idOf(2));
    expect(await page.getByText(/Not live/).count()).toBe(0);
  });

  test('ages are by the server’s clock, not the tablet’s', async () => {
    server.clockMs = 3_600_000;
    server.alarms = [{ ...alarm({ n: 40, alarm: 'pot-empty', priority: 'high', pot: 'alder' }), raised: new Date(Date.now() + 3_600_000 - 65_000).toISOString() }];
    await open('#/alarms');
    await expect.poll(() => row(40).innerText()).toMatch(/raised (6[5-9]|[7-9]\d|1[01]\d) s ago/);
  });

  test('a part of the alarms that cannot be read is told', async () => {
    server.alarms = [...standing(), { ...alarm({ n: 41, alarm: 'pot-empty', priority: 'high', pot: 'alder' }), priority: 'urgent' as never }];
    await open('#/alarms');
    await page.getByText('1 of the open alarms could not be read by this page.').waitFor();
    expect(await rows()).toHaveLength(4);
  });
});

test('an alarm on paper has its instruction and no word in the present tense', async () => {
  await open(`#/alarms/active/${idOf(5)}`);
  await page.getByText('Tell the operator when to release.').waitFor();
  await page.emulateMedia({ media: 'print' });
  const text = await page.locator('body').innerText();
  for (const want of ['Empty soon', 'SIMULATED', 'printed at server time', 'see the pot', 'Tell the operator when to release.', 'Only the answer says']) expect(text).toContain(want);
  expect(text).not.toMatch(/VENTED|PRESSURISED|NOT PROVEN/);
  expect(await page.getByRole('button').filter({ visible: true }).count()).toBe(0);
});

test('the head of the page keeps its height where all priorities are counted', async () => {
  server.alarms = priorities.flatMap((priority, p) => Array.from({ length: 14 }, (_, i) => alarm({ n: 100 + 20 * p + i, alarm: 'nozzle-low', priority, pot: 'birch' })));
  await open('#/');
  for (const [width, most] of [
    [1280, 58],
    [1024, 58],
    [820, 106],
  ] as const) {
    await page.setViewportSize({ width, height: 800 });
    await laidOut(page);
    const head = await page.locator('header').first().evaluate((el) => ({ height: el.getBoundingClientRect().height, parts: [...el.children].map((c) => c.getBoundingClientRect().toJSON() as DOMRect), cut: [...el.children].filter((c) => c.scrollWidth > c.clientWidth + 1).length }));
    expect(head.height, `at ${width}`).toBeLessThanOrEqual(most);
    expect(head.cut, `at ${width}`).toBe(0);
    for (const [i, a] of head.parts.entries())
      for (const b of head.parts.slice(i + 1)) expect(a.right <= b.left + 0.5 || b.right <= a.left + 0.5 || a.bottom <= b.top + 0.5 || b.bottom <= a.top + 0.5, `parts lie over each other at ${width}`).toBe(true);
  }
});

test('on a phone what rings leaves three quarters of the screen, the answer among them, and what is to be touched is large', async () => {
  const ringing = (count: number) => Array.from({ length: count }, (_, i) => alarm({ n: 300 + i, alarm: i % 2 === 0 ? 'vessel-held' : 'vessel-unknown', priority: 'critical', pot: 'rowan' }));
  const height = 664; // of a usual phone, less what its browser takes
  server.alarms = ringing(2);
  await open('#/pot/rowan', { viewport: { width: 390, height } });
  for (const [count, muted] of [
    [2, false],
    [2, true],
    [9, true],
  ] as const) {
    server.alarms = ringing(count);
    const dock = page.locator('.dock.loud');
    if (muted && count === 2) {
      await page.mouse.click(4, 300); // the first touch of the page turns its sound on
      await dock.getByRole('button', { name: /^Mute/ }).click();
    }
    if (count > 2) await dock.getByText(`and ${count - 1} more`).waitFor();
    else await expect.poll(() => dock.getByRole('listitem').count()).toBe(count);
    const top = (await dock.boundingBox())?.y ?? 0;
    expect(height - top, `${count} alarms`).toBeLessThanOrEqual(height / 4);
    const answer = await page.locator('[data-word]').first().boundingBox();
    expect((answer?.y ?? height) + (answer?.height ?? height), 'the end of the answer').toBeLessThanOrEqual(top);
    for (const target of await dock.locator('a, button').filter({ visible: true }).all()) {
      const box = await target.boundingBox();
      expect(Math.min(box?.width ?? 0, box?.height ?? 0), await target.innerText()).toBeGreaterThanOrEqual(44);
    }
    expect(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth)).toBe(0);
  }
});

test('on a tablet and a desk what rings takes one line, whether the page may sound or not', async () => {
  server.alarms = Array.from({ length: 9 }, (_, i) => alarm({ n: 300 + i, alarm: 'vessel-unknown', priority: 'critical', pot: 'rowan' }));
  page = await browser.newPage({ viewport: { width: 820, height: 1180 } });
  seen = watch(page, server.url);
  // The tester's looks count as touches, after which a browser lets the sound come on by itself: here only a click is one.
  await page.addInitScript(() => {
    let touched = false;
    document.addEventListener('click', () => (touched = true), true);
    const state = Object.getOwnPropertyDescriptor(BaseAudioContext.prototype, 'state')?.get;
    Object.defineProperty(AudioContext.prototype, 'state', {
      get(this: AudioContext) {
        return touched ? state?.call(this) : 'suspended';
      },
    });
  });
  await page.goto(server.url);
  const dock = page.locator('.dock.loud');
  for (const press of [null, 'Turn alarm sound on', 'Mute for 2 min']) {
    if (press !== null) await button(press).click();
    for (const [width, rest] of [
      [820, 'and 8 more'],
      [1280, 'and 7 more'],
    ] as const) {
      await page.setViewportSize({ width, height: 800 });
      await dock.getByText(rest).waitFor();
      expect((await dock.boundingBox())?.height, `${width} after ${press}`).toBeLessThanOrEqual(60);
    }
  }
});

test('nothing overflows at any size, and targets are 48 px', async () => {
  server.faults = [`cycles and alarms are not stored: /${'data/'.repeat(30)}records.db is locked`];
  desk.ended = history(8);
  await open('#/alarms');
  const parts = '.view *, .top *';
  for (const [hash, shown] of views) {
    await page.goto(server.url + hash);
    await page.locator(shown).first().waitFor();
    expect(await unfit(page, parts), hash).toEqual([]);
  }
  await page.goto(`${server.url}#/alarms/active/${idOf(5)}`);
  await button('Shelve').click();
  await page.locator('form').waitFor();
  expect(await unfit(page, parts), 'a form').toEqual([]);
});

test.each([
  ['light', 1280],
  ['dark', 390],
] as const)('axe finds nothing: %s, %d wide', async (colorScheme, width) => {
  desk.ended = history(8);
  await open('#/alarms', { viewport: { width, height: 900 }, colorScheme, bypassCSP: true });
  const other = colorScheme === 'light' ? 'dark' : 'light';
  for (const [hash, shown] of views) {
    await page.goto(server.url + hash);
    await page.locator(shown).first().waitFor();
    expect(await violations(page), hash).toEqual([]);
    await page.emulateMedia({ colorScheme: other });
    expect(await violations(page, true), `${hash} ${other}`).toEqual([]);
    await page.emulateMedia({ colorScheme });
  }
  await page.goto(`${server.url}#/alarms/active/${idOf(6)}`);
  await button('Shelve').click();
  await page.locator('form').waitFor();
  expect(await violations(page), 'a form').toEqual([]);
  await server.stop();
  await page.getByText('Connection to the server lost.').waitFor();
  expect(await violations(page), 'lost').toEqual([]);
});

test('every kind’s evidence is drawn or said', async () => {
  const kinds = ['vent-slow', 'hose-restricted', 'drain-due', 'config-doubt', 'supply-low', 'nozzle-low', 'over-pressure', 'supply-below-vessel', 'stop-slow', 'press-overlong', 'pressure-creep', 'vessel-unknown', 'pot-empty-soon', 'agent-silent', 'vessel-held'];
  server.alarms = kinds.map((kind, i) => alarm({ n: 50 + i, alarm: kind, priority: 'medium', pot: 'alder' }));
  await open('#/alarms');
  const shown: Record<string, string> = {};
  const pictures: Record<string, string> = {};
  for (const [i, kind] of kinds.entries()) {
    await page.goto(`${server.url}#/alarms/active/${idOf(50 + i)}`);
    await expect.poll(() => detail().getAttribute('data-detail')).toBe(idOf(50 + i));
    await detail().getByText('What happened').waitFor();
    shown[kind] = await detail().locator('.shows').innerText();
    const drawn = await detail().locator('.shows [role="img"]').all();
    pictures[kind] = (await Promise.all(drawn.map((p) => p.getAttribute('aria-label')))).join('; ');
  }
  expect(shown['vent-slow']).toContain('falls by 11 % of its pressure a second; the slowest healthy vent by 42 %');
  expect(shown['hose-restricted']).toContain('limit');
  expect(shown['drain-due']).toContain('about 3.2 kg of water since the last drain');
  expect(shown['drain-due']).toContain('it is to be drained at 3.0 kg');
  expect(pictures['supply-low']).toBe('Reading against its limit: supply while it was healthy 120 psi, supply 108 psi; limit 110 psi');
  expect(pictures['nozzle-low']).toBe('Reading against its limit: target 100 psi, nozzle, computed 84 psi; limit 90 psi');
  expect(pictures['over-pressure']).toBe('Reading against its limit: vessel 156 psi; rating 150 psi');
  expect(pictures['supply-below-vessel']).toBe('Reading against its limit: supply 80 psi, vessel 83 psi; limit 82 psi');
  expect(pictures['pressure-creep']).toBe('Reading against its limit: at its lowest 0.2 psi, when it was found 3.4 psi; limit 3.0 psi');
  expect(pictures['stop-slow']).toBe('Nozzle pressure since the release: 92 psi after 5.0 s; Reading against its limit: at the release 97 psi, when it was found 92 psi; limit 32 psi');
  expect(shown['stop-slow']).toContain('The nozzle since the release');
  expect(shown['stop-slow']).toContain('still 92 psi 5.1 s after the release');
  expect(shown['stop-slow']).toContain('a blast is under 32 psi after 5 s');
  expect(shown['stop-slow']).not.toContain('healthy vent');
  expect(shown['press-overlong']).toMatch(/pressed since .*, for 45 min when it was found; the limit is 45 min/);
  expect(shown['vessel-unknown']).toContain('not known for 15 s when it was found; the limit is 15 s');
  expect(shown['vessel-unknown']).toContain('the vessel’s gauge: stuck');
  expect(shown['pot-empty-soon']).toContain('it is told under 30 % where less than 8 min of blasting are left');
  expect(shown['agent-silent']).toContain('the limit is 10 s');
  expect(shown['config-doubt']).toContain('Nothing was recorded that could be drawn.');
  expect(evidenceOf('config-doubt')).toEqual({});
});

test('a pot’s strip shows the alarm that waits for somebody before the one that led to it', async () => {
  await open('#/');
  const rowan = page.locator('article[data-pot="rowan"]');
  await rowan.getByText('Vessel still holds pressure').waitFor();
  expect(await rowan.innerText()).toContain('and 1 more');
  expect(await rowan.innerText()).not.toContain('Vent too slow');
  await rowan.getByRole('link', { name: /Vessel still holds pressure/ }).click();
  await expect.poll(() => detail().getAttribute('data-detail')).toBe(idOf(2));
});
