// Whether a page suits whoever uses it: what axe finds, what does not fit, and targets that a glove would miss.
import { createRequire } from 'node:module';
import type { Page } from 'playwright-core';
import { expect } from 'vitest';

const axePath = createRequire(import.meta.url).resolve('axe-core/axe.min.js');

/** From a narrow phone to a wall screen, CSS pixels. */
export const sizes = [
  { width: 320, height: 700 },
  { width: 390, height: 844 },
  { width: 768, height: 1024 },
  { width: 820, height: 1180 },
  { width: 1280, height: 800 },
  { width: 2560, height: 1440 },
] as const;

interface Violation {
  readonly id: string;
  readonly nodes: readonly { readonly html: string; readonly failureSummary: string }[];
}

/** What axe finds against WCAG 2.2 AA and good practice; inks: in the colours alone. The page must have been opened with bypassCSP. */
export async function violations(page: Page, inks = false): Promise<string[]> {
  if (await page.evaluate(() => !('axe' in window))) await page.addScriptTag({ path: axePath });
  const found = await page.evaluate(async (inks) => {
    const axe = (window as unknown as { axe: { run: (at: Document, o: object) => Promise<{ violations: Violation[]; passes: { nodes: unknown[] }[] }> } }).axe;
    const r = await axe.run(document, { runOnly: inks ? { type: 'rule', values: ['color-contrast'] } : ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] });
    return { violations: r.violations, passes: r.passes.reduce((n, p) => n + p.nodes.length, 0) };
  }, inks);
  expect(found.passes).toBeGreaterThan(10);
  return found.violations.flatMap((v) => v.nodes.map((n) => `${v.id}: ${n.html.slice(0, 160)} ${n.failureSummary}`));
}

/** Waits until what has been changed is laid out. */
export function laidOut(page: Page): Promise<unknown> {
  return page.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))));
}

/** At each size: targets under 48 px, what of a selector is cut, and a page that is wider than the window. */
export async function unfit(page: Page, selector: string): Promise<string[]> {
  const found: string[] = [];
  for (const size of sizes) {
    await page.setViewportSize(size);
    await laidOut(page);
    found.push(
      ...(await page.evaluate((selector) => {
        const small = [...document.querySelectorAll<HTMLElement>('button, a:not(.skip), input, select, label.time')]
          .map((el) => ({ text: el.textContent ?? '', box: el.getBoundingClientRect() }))
          .filter(({ box }) => box.width > 0 && (box.height < 47.5 || box.width < 47.5))
          .map(({ text, box }) => `${text} ${box.width}x${box.height}`);
        const cut = [...document.querySelectorAll<HTMLElement>(selector)]
          .filter((el) => el.clientWidth > 0 && !el.classList.contains('unseen') && !(el instanceof SVGElement) && el.scrollWidth > el.clientWidth + 1 && getComputedStyle(el).display !== 'inline')
          .map((el) => `${el.className} ${el.textContent?.trim().slice(0, 40)} ${el.scrollWidth}>${el.clientWidth}`);
        const over = document.documentElement.scrollWidth - window.innerWidth;
        return [...small, ...cut, ...(over > 0 ? [`${over} too wide`] : [])].map((what) => `${window.innerWidth}: ${what}`);
      }, selector)),
    );
  }
  return found;
}
