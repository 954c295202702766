// The alarms of a running server: GRITWATCH_URL=http://127.0.0.1:8080/ GRITWATCH_HELD=rowan npm run stack -- alarms.stack,
// where the vent of that pot is going to stall. One person, one page: it rings, is read, acknowledged, and stays so.
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { displayName } from '../../src/lib/units/format';
import { launch, record, watch, words } from './harness';

let browser: Browser;
beforeAll(async () => {
  browser = await launch();
});
afterAll(() => browser.close());

test('a vent stalls, and somebody acknowledges it at the page', async () => {
  const url = process.env['GRITWATCH_URL'];
  const pot = process.env['GRITWATCH_HELD'];
  if (url === undefined || pot === undefined) throw new Error('set GRITWATCH_URL to a running server, and GRITWATCH_HELD to the pot whose vent stalls');
  const page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
  const seen = watch(page, url);
  await record(page);
  await page.goto(url);
  const detail = page.locator('[data-detail]');
  const bar = page.locator('[data-sound]');
  try {
    await page.mouse.click(4, 400); // the first touch of the page turns its sound on
    await expect.poll(() => page.getByRole('button', { name: 'Turn alarm sound on' }).count()).toBe(0);
    // It rings on the Site view, named, with its pot first.
    const ringing = page.getByRole('link', { name: new RegExp(`^${displayName(pot)}: `) }).first();
    await ringing.waitFor({ timeout: 90_000 });
    expect(await bar.getAttribute('data-sound')).toBe('sounding');
    await expect.poll(() => page.locator('[data-alarms]').innerText()).toMatch(/[1-9] critical, [1-9] new/);
    await expect.poll(() => page.locator('article[data-pot]').first().getAttribute('data-pot')).toBe(pot);

    // vessel-held comes last, from the vent that was too slow: both are there, the cause first.
    await page.goto(`${url}#/alarms`);
    const held = page.locator('[data-alarm]', { hasText: 'Vessel still holds pressure' }).first();
    await held.waitFor({ timeout: 60_000 });
    const id = (await held.getAttribute('data-alarm')) ?? '';
    await held.click();
    await page.getByRole('img', { name: /psi/ }).first().waitFor();
    const text = await detail.innerText();
    expect(text).toContain('This vent against the slowest healthy vent of this pot');
    expect(text).toContain('Shut the air valve at the pot and at the source');
    expect(text).toContain('Only the answer says');
    expect(await detail.getByRole('button').allInnerTexts()).toEqual(['Acknowledge', 'Add comment']);

    // Nobody shelves it, by whatever way.
    const refused = await page.evaluate(async (id) => {
      const r = await fetch(`/api/v1/alarms/${id}/shelve`, { method: 'POST', headers: { 'content-type': 'application/json' }, body: JSON.stringify({ by: 'Ann Field', for_s: 600 }) });
      return { status: r.status, ...((await r.json()) as { detail: string }) };
    }, id);
    expect(refused).toMatchObject({ status: 409, detail: expect.stringContaining('stay in sight') });

    await page.getByRole('button', { name: 'Acknowledge' }).click();
    await page.getByLabel('Your name').fill('Ann Field');
    await page.getByLabel('Comment').fill('standing at the pot');
    await page.keyboard.press('Enter');
    await page.getByText('Acknowledged.', { exact: true }).waitFor();
    await expect.poll(() => detail.getAttribute('data-state')).toMatch(/acknowledged$/);
    await detail.getByText('acknowledged, Ann Field: standing at the pot').waitFor();
    await expect.poll(() => page.locator('[data-alarm]').evaluateAll((els) => els.map((e) => e.getAttribute('data-alarm')))).not.toContain(id);

    // It is so for a page that is opened now, and the answer beside it is what it was.
    await page.reload();
    await detail.getByText('acknowledged, Ann Field: standing at the pot').waitFor();
    expect(await detail.locator(`[data-pot="${pot}"] [data-word]`).getAttribute('data-word')).not.toBe('vented');

    // The pot's own view has it too, with its vent.
    await page.goto(`${url}#/pot/${pot}`);
    await page.locator('[data-pot-alarms]').first().waitFor();
    expect(await page.locator('[data-pot-alarms]').first().innerText()).toContain('Vessel still holds pressure');
    expect((await words(page, pot)).map((w) => w.word)).not.toContain('VENTED');

    await page.goto(`${url}#/alarms`);
    await page.getByRole('row', { name: /alarms an hour/ }).waitFor();
    await page.goto(`${url}#/alarms/history`);
    await page.locator('[data-list="history"]').waitFor();
    expect(seen.foreign).toEqual([]);
    // The refusal above is an error to the browser.
    expect(seen.errors.filter((e) => !/409/.test(e))).toEqual([]);
  } finally {
    await page.close();
  }
});
