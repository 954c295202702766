import { describe, expect, test } from 'vitest';
import { many, pot, six } from '../../../tests/e2e/fixtures';
import { codes } from '../protocol/types.gen';
import { asks, byName, MOVES, REORDER_MS, SteadyOrder, toward, urgency } from './order';
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

describe('a change of many', () => {
  const fifty = Array.from({ length: 50 }, (_, i) => `pot-${i}`);
  const all = (urgent: (i: number) => Urgency) => fifty.map((name, i) => ({ name, urgency: urgent(i) }));

  test('goes in steps of a look each, the most urgent first, then holds still', () => {
    const o = new SteadyOrder();
    o.update(all(() => 3), 0, false);
    const worse = all((i) => (i >= 20 ? 1 : i >= 10 ? 3 : 2));
    let t = REORDER_MS;
    const first = o.update(worse, t, false);
    expect(first.slice(0, MOVES)).not.toEqual(fifty.slice(0, MOVES));
    expect(first).toHaveLength(50);
    expect(o.update(worse, (t += 200), true)).toBe(first); // a finger stops it
    let last = first;
    for (let i = 0; i < 5; i++) last = o.update(worse, (t += 200), false);
    expect(last).toEqual([...fifty.slice(20), ...fifty.slice(0, 10), ...fifty.slice(10, 20)]);
    expect(o.update(all(() => 3), t + 1000, false)).toBe(last);
  });

  test('leads to where it began to lead, and what changed meanwhile waits', () => {
    const o = new SteadyOrder();
    o.update(all(() => 3), 0, false);
    const odd = all((i) => (i % 2 === 1 ? 1 : 3));
    let names = o.update(odd, REORDER_MS, false);
    const other = all((i) => (i % 2 === 1 ? 1 : i === 40 ? 0 : 3));
    for (let t = REORDER_MS + 200; t < REORDER_MS + 2000; t += 200) names = o.update(other, t, false);
    expect(names.indexOf('pot-40')).toBeGreaterThan(24);
    expect(o.update(other, 3 * REORDER_MS, false)[0]).toBe('pot-40');
  });

  test('with a pot that is new or gone names each once', () => {
    const o = new SteadyOrder();
    o.update(all(() => 3), 0, false);
    const worse = all((i) => (i % 2 === 1 ? 1 : 3));
    o.update(worse, REORDER_MS, false);
    const without = worse.filter((e) => e.name !== 'pot-7');
    const names = o.update([...without, { name: 'oak', urgency: 2 }], REORDER_MS + 200, false);
    expect([...names].toSorted(byName)).toEqual(['oak', ...fifty.filter((n) => n !== 'pot-7')].toSorted(byName));
  });

  test('gets there with as few moves as can be, each name once, from any order to any other', () => {
    let seed = 7; // a generator with a full period: Park and Miller, CACM 31 (1988) 1192
    const random = () => (seed = (seed * 16_807) % 2_147_483_647) / 2_147_483_647;
    const shuffled = () => fifty.map((n) => [random(), n] as const).toSorted(([a], [b]) => a - b).map(([, n]) => n);
    for (let i = 0; i < 200; i++) {
      const target = shuffled();
      const wrong = 1 + Math.floor(random() * 30);
      const moved = new Set(shuffled().slice(0, wrong));
      // So many are taken out and put in elsewhere: no more are wrong.
      let names: readonly string[] = target.filter((n) => !moved.has(n));
      for (const n of moved) names = names.toSpliced(Math.floor(random() * (names.length + 1)), 0, n);
      let steps = 0;
      while (names.some((n, k) => n !== target[k])) {
        names = toward(names, target, 7);
        expect(new Set(names).size).toBe(50);
        steps++;
      }
      expect(steps).toBeLessThanOrEqual(Math.ceil(wrong / 7));
    }
  });
});
