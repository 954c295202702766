import { describe, expect, test } from 'vitest';
import { many, pot, six } from '../../../tests/e2e/fixtures';
import { codes } from '../protocol/types.gen';
import { asks, byName, REORDER_MS, SteadyOrder, urgency } from './order';
import type { Urgency } from './order';

test('who needs someone', () => {
  const got = Object.fromEntries(six().map((p) => [p.name, urgency(p)]));
  expect(got).toEqual({ alder: 3, birch: 3, cedar: 3, hazel: 1, maple: 3, rowan: 0 });
  expect(urgency(pot({ name: 'oak', state: 'at-rest', word: 'not-proven', because: ['sensor-fault'] }))).toBe(1);
  expect(urgency(pot({ name: 'oak', state: 'at-rest', word: 'pressurised', because: ['over-limit', 'second-agent'] }))).toBe(1);
});

test('alarms and an end that is near', () => {
  const quiet = pot({ name: 'oak', state: 'blasting', word: 'pressurised', because: ['over-limit'] });
  expect(urgency(quiet)).toBe(3);
  expect(urgency(quiet, 'critical')).toBe(0);
  expect(urgency(quiet, 'high')).toBe(1);
  expect(urgency(quiet, 'medium')).toBe(2);
  expect(urgency(quiet, 'low')).toBe(2);
  expect(urgency({ ...quiet, empty_s: { p10: 300, p50: 359, p90: 500 } })).toBe(2);
  expect(urgency({ ...quiet, empty_s: { p10: 300, p50: 360, p90: 500 } })).toBe(3);
  expect(urgency(pot({ name: 'oak', state: 'held', word: 'pressurised', because: ['over-limit'] }), 'low')).toBe(0);
});

test('a code that the page does not know asks for someone', () => {
  expect(asks('moonlight')).toBe(true);
  expect(codes.filter((c) => !asks(c))).toContain('settling');
  for (const code of ['sensor-fault', 'gauge-does-not-follow', 'second-session', 'agent-silent', 'config-differs']) expect(asks(code)).toBe(true);
});

test('names in the order of people', () => {
  expect(['pot-10', 'pot-2', 'alder'].toSorted(byName)).toEqual(['alder', 'pot-2', 'pot-10']);
});

const entries = (s: string): { name: string; urgency: Urgency }[] =>
  s.split(' ').map((e) => ({ name: e.slice(0, -1), urgency: Number(e.slice(-1)) as Urgency }));

describe('the order', () => {
  test('puts the most urgent first, then names', () => {
    expect(new SteadyOrder().update(entries('c2 a2 b1 d0'), 0, false)).toEqual(['d', 'b', 'a', 'c']);
  });

  test('holds still between moves', () => {
    const o = new SteadyOrder();
    o.update(entries('a2 b2'), 0, false);
    expect(o.update(entries('a2 b1'), REORDER_MS - 1, false)).toEqual(['a', 'b']);
    expect(o.update(entries('a2 b1'), REORDER_MS, false)).toEqual(['b', 'a']);
    expect(o.update(entries('a0 b1'), REORDER_MS + 1, false)).toEqual(['b', 'a']);
    expect(o.update(entries('a0 b1'), 2 * REORDER_MS, false)).toEqual(['a', 'b']);
  });

  test('never moves while a pointer is down', () => {
    const o = new SteadyOrder();
    o.update(entries('a2 b2'), 0, false);
    expect(o.update(entries('a2 b0'), 60_000, true)).toEqual(['a', 'b']);
    expect(o.update(entries('a2 b0'), 60_001, false)).toEqual(['b', 'a']);
  });

  test('takes new pots and drops gone ones at once, without moving the rest', () => {
    const o = new SteadyOrder();
    o.update(entries('b2 c2'), 0, false);
    expect(o.update(entries('a0 b2 c2'), 10, false)).toEqual(['b', 'c', 'a']);
    expect(o.update(entries('a0 c2'), 20, false)).toEqual(['c', 'a']);
    expect(o.update(entries('a0 c2'), REORDER_MS, false)).toEqual(['a', 'c']);
  });

  test('is the same list while nothing changes', () => {
    const o = new SteadyOrder();
    const all = many(200).map((p) => ({ name: p.name, urgency: urgency(p) }));
    const first = o.update(all, 0, false);
    expect(first).toHaveLength(200);
    expect(o.update(all, 60_000, false)).toBe(first);
  });
});

test('the order that is wanted is kept, and a change afterwards still moves', () => {
  const o = new SteadyOrder();
  const first = o.update(entries('b2 a2'), 0, false);
  expect(o.update(entries('b2 a2'), 100, false)).toBe(first);
  expect(o.update(entries('b0 a2'), 5000, true)).toEqual(['a', 'b']);
  expect(o.update(entries('b0 a2'), 5001, false)).toEqual(['b', 'a']);
  expect(o.update(entries('b2 a2'), 10_002, false)).toEqual(['a', 'b']);
});
