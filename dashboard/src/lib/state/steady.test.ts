import { expect, test } from 'vitest';
import { REORDER_MS } from './order';
import { SteadyList } from './steady';

test('moves rarely, and never under a finger', () => {
  const s = new SteadyList();
  expect(s.update(['a', 'b', 'c'], 0, false)).toEqual(['a', 'b', 'c']);
  expect(s.update(['c', 'a', 'b'], 1000, false)).toEqual(['a', 'b', 'c']);
  expect(s.update(['c', 'a', 'b'], REORDER_MS, true)).toEqual(['a', 'b', 'c']);
  expect(s.update(['c', 'a', 'b'], REORDER_MS + 200, false)).toEqual(['c', 'a', 'b']);
});

test('a new one is shown at once at the end, and moves to its place later', () => {
  const s = new SteadyList();
  s.update(['a', 'b'], 0, false);
  expect(s.update(['new', 'a', 'b'], 500, false)).toEqual(['a', 'b', 'new']);
  expect(s.update(['new', 'a', 'b'], REORDER_MS, false)).toEqual(['new', 'a', 'b']);
});

test('a gone one vanishes at once, but not from under a finger', () => {
  const s = new SteadyList();
  s.update(['a', 'b', 'c'], 0, false);
  expect(s.update(['b', 'c'], 500, true)).toEqual(['a', 'b', 'c']);
  expect(s.update(['b', 'c'], 700, false)).toEqual(['b', 'c']);
});

test('the same list is the same object', () => {
  const s = new SteadyList();
  const first = s.update(['a'], 0, false);
  expect(s.update(['a'], 10_000, false)).toBe(first);
});
