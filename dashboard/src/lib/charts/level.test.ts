import { describe, expect, test } from 'vitest';
import { pot } from '../../../tests/e2e/fixtures';
import type { Cycle } from '../protocol/types.gen';
import { LevelMemory, levelOf, levelPicture, ofCycle } from './level';

const box = { width: 400, height: 200, left: 0, right: 400, top: 0, bottom: 100 };
const level = { at: 0, share: 0.5, low: 0.4, high: 0.6 };
const numbers = (d: string) => [...d.matchAll(/-?\d+(?:\.\d+)?/g)].map(Number);

describe('the cone', () => {
  // Ten minutes before now and twenty after it are drawn.
  const past = [{ ...level, at: -600_000, share: 0.9, low: 0.8, high: 1 }];
  const p = levelPicture(past, level, { p10: 600, p50: 900, p90: 1200 / 1.1 }, 0, box);
  const x = (min: number) => ((min + 10) / 30) * 400;

  test('opens from the band at present to the quantiles on the ground', () => {
    expect(numbers(p.cone)).toEqual([x(0), 40, x(1200 / 1.1 / 60), 100, x(10), 100, x(0), 60].map((v) => Math.round(v * 10) / 10));
  });
  test('has its middle from the level to the median', () => {
    expect(numbers(p.middle)).toEqual([x(0), 50, x(15), 100].map((v) => Math.round(v * 10) / 10));
  });
  test('follows on what was', () => expect(numbers(p.past)).toEqual([0, 10, Math.round(x(0) * 10) / 10, 50]));
  test('marks now and the range of the end', () => {
    expect(p.nowX).toBeCloseTo(x(0), 6);
    expect(p.empty).toMatchObject({ from: x(10), mid: x(15) });
  });
});

test('without a forecast there is no cone, without a level nothing but the axes', () => {
  const p = levelPicture([], level, undefined, 0, box);
  expect(p).toMatchObject({ cone: '', middle: '', empty: null });
  expect(p.now?.y).toBe(50);
  expect(levelPicture([], null, { p10: 1, p50: 2, p90: 3 }, 0, box)).toMatchObject({ cone: '', now: null, past: '' });
});

test('a forecast beyond the drawing is cut off at its edge, above the ground', () => {
  const p = levelPicture([], level, { p10: 3600, p50: 7200, p90: 100_000 }, 0, box);
  const [, , x, y] = numbers(p.cone);
  expect(x).toBe(400);
  expect(y).toBeLessThan(100);
});

test('what an estimate says of the level', () => {
  const base = pot({ name: 'oak', state: 'blasting', word: 'pressurised', because: ['over-limit'] });
  expect(levelOf(base, 5)).toBeNull();
  expect(levelOf({ ...base, level_share: 0.3 }, 5)).toEqual({ at: 5, share: 0.3, low: 0.3, high: 0.3 });
  expect(levelOf({ ...base, level_share: 0.3, level_low: 0.2, level_high: 0.5 }, 5)).toEqual({ at: 5, share: 0.3, low: 0.2, high: 0.5 });
});

test('memory keeps one level in five seconds, for twenty minutes', () => {
  const m = new LevelMemory();
  for (let at = 0; at <= 30 * 60_000; at += 1000) m.add({ ...level, at });
  expect(m.list.length).toBe(241);
  expect(m.list[0]?.at).toBe(10 * 60_000);
  expect(m.add({ ...level, at: 30 * 60_000 + 10 })).toBe(false);
});

test('a recorded cycle tells the level at its press, its release and its end, with its range', () => {
  const at = (s: number) => new Date(s * 1000).toISOString();
  const cycle: Cycle = { kind: 'cycle', pot: 'oak', press: at(0), release: at(300), t: at(312), blast_s: 300, inferred: false, vent: { p0_pa: 7e5 }, late: false, incomplete: false };
  expect(ofCycle(cycle)).toEqual([]);
  const told = ofCycle({ ...cycle, contents: { before: 0.8, left: 0.5, low: 0.4, high: 0.65 } });
  expect(told.map((l) => [l.at, l.begins ?? false])).toEqual([[0, true], [300_000, false], [312_000, false]]);
  [[0.8, 0.7, 0.95], [0.5, 0.4, 0.65], [0.5, 0.4, 0.65]].forEach(([share, low, high], i) => {
    expect(told[i]?.share).toBeCloseTo(share ?? 0, 9);
    expect(told[i]?.low).toBeCloseTo(low ?? 0, 9);
    expect(told[i]?.high).toBeCloseTo(high ?? 0, 9);
  });
});

test('as much of the past is drawn as is asked for, and long times are hours', () => {
  const past = Array.from({ length: 49 }, (_, i) => ({ ...level, at: (i - 48) * 600_000 }));
  const of = (minutes: number) => levelPicture(past, level, { p10: 600, p50: 900, p90: 1200 / 1.1 }, 0, box, minutes);
  expect([of(20).nowX, of(120).nowX, of(480).nowX].map((x) => Math.round(x))).toEqual([200, 343, 384]); // 20 min of forecast follow
  expect([of(20).hours, of(120).hours, of(480).hours]).toEqual([false, false, true]);
  expect(of(480).times.every((t) => Number.isInteger(t.value / 60))).toBe(true);
  expect(numbers(of(480).past)).toHaveLength(2 * 50);
  expect(numbers(of(20).past)).toHaveLength(2 * 4);
});
