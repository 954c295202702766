import { expect, test } from 'vitest';
import { range } from './range';
import { wearBar } from './wear';

test('minutes are whole, and the range never looks surer than it is', () => {
  expect(range({ p10: 559, p50: 689, p90: 841 })).toMatchObject({ p10: 9, p50: 11, p90: 15, soon: false });
});

test('soon is under six minutes', () => {
  expect(range({ p10: 100, p50: 359, p90: 600 }).soon).toBe(true);
  expect(range({ p10: 100, p50: 360, p90: 600 }).soon).toBe(false);
});

test('the bar holds what is longer than itself', () => {
  const r = range({ p10: -5, p50: 1200, p90: 1e6 });
  expect([r.from, r.mid, r.to]).toEqual([0, 0.5, 1]);
});

test('wear stands between its baseline and its limit', () => {
  const b = wearBar({ index: 1.15, sd: 0.03 }, 1.3);
  expect(b.limit).not.toBeNull();
  expect(b.base).toBeLessThan(b.from);
  expect(b.from).toBeLessThan(b.at);
  expect(b.at).toBeLessThan(b.to);
  expect(b.to).toBeLessThan(b.limit ?? 0);
  // Half the way to the limit is half the way in the drawing.
  expect(b.at - b.base).toBeCloseTo(((b.limit ?? 0) - b.base) / 2, 9);
});

test('what an index is off by is drawn as it is said: in four of five cases no more', () => {
  const b = wearBar({ index: 1.15, sd: 0.03 }, 1.3);
  // The 90th percentile of a normal distribution lies 1.2816 deviations over its middle.
  expect((b.to - b.from) / (b.at - b.base)).toBeCloseTo((2 * 1.2816 * 0.03) / 0.15, 6);
});

test('a limit under one lies on the other side', () => {
  const b = wearBar({ index: 0.93, sd: 0.01 }, 0.9);
  expect(b.limit).toBeLessThan(b.from);
  expect(b.at).toBeLessThan(b.base);
});

test.each([[3, 0.2, 1.3], [0.93, 0.01, 0.9], [0.1, 0.05, 0.9], [1, 0, undefined], [2, 0.1, undefined]] as const)('all of it is within the drawing: %d ± %d, limit %s', (index, sd, limit) => {
  const b = wearBar({ index, sd }, limit);
  for (const v of [b.base, b.at, b.from, b.to, b.limit ?? 0]) {
    expect(v).toBeGreaterThanOrEqual(-1e-9);
    expect(v).toBeLessThanOrEqual(1 + 1e-9);
  }
});
