import { expect, test } from 'vitest';
import { cyclesOf, historyOf } from '../../../tests/e2e/potfixtures';
import type { Got } from '../net/stored';
import type { Cycles, History } from '../protocol/types.gen';
import { CyclePages, PAGE } from './cycles.svelte';
import { PastVent } from './vent.svelte';

function pages(): { readonly pages: CyclePages; readonly asked: (string | null)[]; readonly state: { broken: boolean } } {
  const asked: (string | null)[] = [];
  const state = { broken: false };
  const stored = {
    cycles: (_pot: string, limit: number, after: string | null): Promise<Got<Cycles>> => {
      asked.push(after);
      if (state.broken) return Promise.resolve({ ok: false, problem: 'too many others read' });
      const url = new URL(`http://x/?limit=${limit}${after === null ? '' : `&after=${after}`}`);
      return Promise.resolve({ ok: true, value: cyclesOf({ method: 'GET', url, body: null }).body as Cycles });
    },
  };
  return { pages: new CyclePages('alder', stored), asked, state };
}

test('pages go back to the oldest and forth again', async () => {
  const { pages: p, asked } = pages();
  await p.show(0);
  expect(p.list).toHaveLength(PAGE);
  expect(p.older).toBe(true);
  await p.show(1);
  await p.show(2);
  expect([p.page, p.list?.length, p.older]).toEqual([2, 20 - 2 * PAGE, false]);
  await p.show(1);
  expect([p.page, p.list?.length, p.older]).toEqual([1, PAGE, true]);
  expect(asked).toEqual([null, String(PAGE), String(2 * PAGE), String(PAGE)]);
});

test('a page that was not reached is not asked for', async () => {
  const { pages: p, asked } = pages();
  await p.show(3);
  expect(asked).toEqual([]);
  expect(p.list).toBeNull();
});

test('only the newest page is renewed', async () => {
  const { pages: p, asked } = pages();
  await p.renew();
  await p.show(1);
  await p.renew();
  expect(asked).toHaveLength(2);
  expect(p.page).toBe(1);
});

test('a refusal is said, and what was there stays', async () => {
  const { pages: p, state } = pages();
  await p.show(0);
  state.broken = true;
  await p.show(1);
  expect(p.problem).toBe('too many others read');
  expect(p.page).toBe(0);
  expect(p.list).toHaveLength(PAGE);
});

test('a recorded vent: the newest by itself, any other by choice, which the newest does not replace', async () => {
  const { pages: p } = pages();
  await p.show(0);
  const [newest, other] = p.list ?? [];
  if (newest === undefined || other === undefined) throw new Error('no cycles');
  const asked: string[] = [];
  const past = new PastVent('alder', {
    history: (_pot, from, to, step, _signal, points): Promise<Got<History>> => {
      asked.push(points ?? '');
      const url = new URL(`http://x/?from=${new Date(from).toISOString()}&to=${new Date(to).toISOString()}&step=${step}&points=vessel`);
      return Promise.resolve({ ok: true, value: historyOf({ method: 'GET', url, body: null }, 0, 0).body as History });
    },
  });
  await past.show(newest, false);
  expect(past.trace?.t_s[0]).toBeCloseTo(0.1, 9);
  expect(past.trace?.p_pa[0]).toBeGreaterThan(500_000);
  expect(past.trace?.p_pa.at(-1)).toBeLessThan(7000);
  await past.show(newest, false);
  expect(asked).toEqual(['vessel']);
  await past.show(other, true);
  await past.show(newest, false);
  expect([past.chosen, past.cycle?.release]).toEqual([true, other.release]);
  past.clear();
  expect([past.chosen, past.cycle, past.trace]).toEqual([false, null, null]);
});

test('of a vent that did not end all is shown, and nothing of the press behind it', async () => {
  const { pages: p } = pages();
  await p.show(0);
  const asked: number[] = [];
  const past = new PastVent('alder', {
    history: (_pot, from, to): Promise<Got<History>> => {
      asked.push((to - from) / 1000);
      return Promise.resolve({ ok: false, problem: 'x' });
    },
  });
  for (const cycle of p.list?.slice(1, 3) ?? []) await past.show(cycle, true);
  expect(asked).toEqual([15, 12]); // the first is long over, the other was pressed again after 12 s
});
