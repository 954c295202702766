import { describe, expect, test } from 'vitest';
import { limitPicture, trendPicture } from './limit';

const box = { width: 400, height: 200, left: 0, right: 400, top: 0, bottom: 200 };

describe('a figure against its limit', () => {
  test('is drawn to scale from nothing', () => {
    const p = limitPicture([{ value: 50 }, { value: 100 }], 75, box, 1);
    const [a, b] = p.bars;
    expect((b?.width ?? 0) / (a?.width ?? 1)).toBeCloseTo(2, 9);
    expect(p.limit / (b?.width ?? 1)).toBeCloseTo(0.75, 9);
    expect(b?.width).toBeLessThan(400);
    expect(p.marks[0]).toEqual({ at: 0, value: 0 });
    for (const m of p.marks) expect(m.at / (b?.width ?? 1)).toBeCloseTo(m.value / 100, 9);
  });

  test('shows two standard deviations each way', () => {
    const p = limitPicture([{ value: 10, sd: 1 }], 8, box, 1);
    const bar = p.bars[0];
    expect(((bar?.high ?? 0) - (bar?.low ?? 0)) / (bar?.width ?? 1)).toBeCloseTo(0.4, 9);
  });

  test('a reading under nothing has no length', () => {
    expect(limitPicture([{ value: -3 }], 8, box, 1).bars[0]?.width).toBe(0);
  });
});

describe('a trend', () => {
  const day = 86_400_000;
  test('rises to its limit at the median date, in the cone of the others', () => {
    const p = trendPicture(0, 1.2, 0.02, 1.5, { p10: 2 * day, p50: 4 * day, p90: 8 * day }, box);
    expect(p.limit).toBeLessThan(p.now.y);
    expect(p.now.y).toBeLessThan(p.healthy);
    expect(p.way).toBe(`M0 ${Math.round(p.now.y * 10) / 10}L200 ${Math.round(p.limit * 10) / 10}`);
    expect(p.cone).toContain('L100 ');
    expect(p.cone).toContain('L400 ');
    expect(p.dates.map((d) => d.at)).toEqual([0, 4 * day]);
  });

  test('of what falls, as an exhaust, goes down to its limit', () => {
    const p = trendPicture(0, 0.8, 0.02, 0.6, { p10: day, p50: 2 * day, p90: 3 * day }, box);
    expect(p.limit).toBeGreaterThan(p.now.y);
    expect(p.healthy).toBeLessThan(p.now.y);
  });

  test('keeps its uncertainty within the drawing, beyond the limit too', () => {
    const { now } = trendPicture(0, 1.45, 0.2, 1.5, null, box);
    expect(Math.min(now.low, now.high)).toBeGreaterThan(0);
    expect(Math.max(now.low, now.high)).toBeLessThan(200);
  });

  test('without a date has no cone; with one that is past it begins now', () => {
    expect(trendPicture(0, 1.6, 0, 1.5, null, box)).toMatchObject({ way: null, cone: null, dates: [] });
    expect(trendPicture(10 * day, 1.6, 0, 1.5, { p10: 0, p50: day, p90: 2 * day }, box).cone).not.toContain('-');
  });
});
