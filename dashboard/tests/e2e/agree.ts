// The page and the API of one server must agree. Used on a scripted server and on a real one.
import { expect } from 'vitest';
import type { Browser } from 'playwright-core';
import { record, watch, words } from './harness';

interface Said {
  readonly at: number;
  readonly words: ReadonlyMap<string, string>;
}

/** R10's 3 s, and what two looks a quarter of a second apart can miss. */
const SLACK_MS = 3000 + 500;

async function ask(base: string): Promise<Said> {
  const response = await fetch(new URL('/api/v1/pots', base));
  expect(response.status).toBe(200);
  const body = (await response.json()) as { pots: { name: string; answer: { word: string } }[] };
  return { at: Date.now(), words: new Map(body.pots.map((p) => [p.name, p.answer.word])) };
}

export interface Agreement {
  readonly pots: number;
  /** Pots that the page showed as VENTED at some time. */
  readonly vented: number;
}

/**
 * Watches page and API side by side for ms. Every pot of the API stands on the page; the page shows VENTED only
 * while the API said vented within the last seconds; it asks no other host and reports no error.
 */
export async function agree(browser: Browser, base: string, ms: number): Promise<Agreement> {
  const page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
  try {
    const seen = watch(page, base);
    await record(page);
    await page.goto(base);
    const origin = await page.evaluate(() => Date.now() - performance.now());
    await page.locator('[data-pot]').first().waitFor();
    const said: Said[] = [await ask(base)];
    for (const end = Date.now() + ms; Date.now() < end; ) {
      await page.waitForTimeout(250);
      said.push(await ask(base));
    }
    const names = [...(said.at(-1)?.words.keys() ?? [])];
    const onPage = await page.locator('[data-pot]').evaluateAll((els) => els.map((e) => e.getAttribute('data-pot')));
    expect(onPage.toSorted()).toEqual(names.toSorted());
    const first = said[0]?.at ?? 0;
    let vented = 0;
    for (const name of names) {
      const log = await words(page, name);
      if (log.some((w) => w.word === 'VENTED')) vented++;
      log.forEach((w, i) => {
        if (w.word !== 'VENTED') return;
        const from = origin + w.t;
        const to = origin + (log[i + 1]?.t ?? (said.at(-1)?.at ?? 0) - origin);
        // At every look of the API while the page said so, and at its end, the API had said so shortly before.
        for (const at of [...said.map((s) => s.at).filter((t) => t >= from && t <= to), to]) {
          const recent = said.filter((s) => s.at > at - SLACK_MS && s.at < at + 500);
          if (at - SLACK_MS < first || recent.length === 0) continue; // a machine that was busy let nobody look
          expect(recent.map((s) => s.words.get(name)), `${name} VENTED on the page`).toContain('vented');
        }
      });
    }
    expect(seen).toEqual({ foreign: [], errors: [] });
    return { pots: names.length, vented };
  } finally {
    await page.close();
  }
}
