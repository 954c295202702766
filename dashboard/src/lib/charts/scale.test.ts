import { expect, test } from 'vitest';
import { area, line, scale, ticks } from './scale';

test('a scale takes its ends to the ends, and does not divide by nothing', () => {
  const s = scale(10, 20, 100, 0);
  expect([s(10), s(15), s(20)]).toEqual([100, 50, 0]);
  expect(scale(5, 5, 0, 8)(5)).toBe(4);
});

test.each([
  [0, 100, 5, [0, 20, 40, 60, 80, 100]],
  [84, 113, 6, [85, 90, 95, 100, 105, 110]],
  [0, 1, 4, [0, 0.5, 1]],
  [-20, 12, 6, [-20, -10, 0, 10]],
  [0, 0.35, 5, [0, 0.1, 0.2, 0.3]],
] as const)('marks from %d to %d, at most %d or one more', (lo, hi, count, want) => {
  expect(ticks(lo, hi, count)).toEqual(want);
});

test('no marks without a range', () => {
  expect(ticks(3, 3, 5)).toEqual([]);
  expect(ticks(Number.NaN, 3, 5)).toEqual([]);
});

test('paths', () => {
  expect(line([[0, 1], [2.04, 3.06]])).toBe('M0 1L2 3.1');
  expect(line([[0, 1]])).toBe('');
  expect(area([[0, 0], [1, 0], [1, 1]])).toBe('M0 0L1 0L1 1Z');
  expect(area([[0, 0], [1, 0]])).toBe('');
});
