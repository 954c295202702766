import { describe, expect, test } from 'vitest';
import type { Pot } from '../protocol/types.gen';
import { above, judgedFor, slowest, upToNow, ventPicture } from './vent';

const box = { width: 400, height: 240, left: 40, right: 390, top: 10, bottom: 200 };
const envelope = { from_s: 1.5, p0_pa: 700_000, rate_per_s: 0.3, down_to_pa: 20_000 };

describe('the slowest healthy vent', () => {
  test('holds until the exhaust is open, then halves its absolute pressure every ln 2 / rate', () => {
    expect(slowest(envelope, 0)).toBe(700_000);
    expect(slowest(envelope, 1.5)).toBe(700_000);
    const half = Math.LN2 / 0.3;
    expect((slowest(envelope, 1.5 + half) ?? 0) + 101_325).toBeCloseTo((700_000 + 101_325) / 2, 0);
    expect((slowest(envelope, 1.5 + 2 * half) ?? 0) + 101_325).toBeCloseTo((700_000 + 101_325) / 4, 0);
  });

  test('is judged until it is down, and no longer', () => {
    const end = judgedFor(envelope) ?? 0;
    expect(slowest(envelope, end - 1e-6)).toBeCloseTo(20_000, 0);
    expect(slowest(envelope, end + 0.01)).toBeNull();
    expect(judgedFor({ ...envelope, rate_per_s: 0 })).toBeNull();
    expect(judgedFor({ ...envelope, p0_pa: 10_000 })).toBeNull();
  });
});

test('falls slower towards its end, where that is told', () => {
  const tailed = { ...envelope, tail_pa: 200_000, tail_rate_per_s: 0.24 };
  const knee = judgedFor({ ...envelope, down_to_pa: 200_000 }) ?? 0;
  expect(slowest(tailed, knee - 1)).toBe(slowest(envelope, knee - 1));
  expect(slowest(tailed, knee)).toBeCloseTo(200_000, 3);
  const half = Math.LN2 / 0.24;
  expect((slowest(tailed, knee + half) ?? 0) + 101_325).toBeCloseTo((200_000 + 101_325) / 2, 3);
  // ln(301325 / 121325) more of the fall, which takes a quarter longer.
  expect((judgedFor(tailed) ?? 0) - knee).toBeCloseTo(((judgedFor(envelope) ?? 0) - knee) * 1.25, 9);
  expect(judgedFor({ ...tailed, tail_pa: 10_000 })).toBe(judgedFor(envelope));
});

test('falls over the air of its place, as at 5000 ft', () => {
  const high = { ...envelope, ambient_pa: 84_307, down_to_pa: 1.2 * 84_307 }; // US Standard Atmosphere 1976, at 1524 m
  const half = Math.LN2 / 0.3;
  expect((slowest(high, 1.5 + half) ?? 0) + 84_307).toBeCloseTo((700_000 + 84_307) / 2, 0);
  expect(judgedFor(high)).toBeCloseTo(1.5 + Math.log((700_000 + 84_307) / (2.2 * 84_307)) / 0.3, 9);
  // Over the sea's air the same vent would be judged by some 8 kPa less.
  expect((slowest(high, 1.5 + half) ?? 0) - (slowest(envelope, 1.5 + half) ?? 0)).toBeCloseTo((101_325 - 84_307) / 2, 0);
});

describe('a trace is above', () => {
  const trace = (...p: [number, number][]) => ({ t_s: p.map(([t]) => t), p_pa: p.map(([, v]) => v) });
  test.each([
    ['inside', trace([0, 700_000], [3, 300_000]), false],
    ['over it', trace([0, 700_000], [4, 600_000]), true],
    ['stalled after it was judged', trace([0, 700_000], [4, 262_000], [30, 262_000]), true],
    ['down, then warmed up and risen again', trace([0, 700_000], [4, 12_000], [30, 30_000]), false],
    ['empty', trace(), null],
  ] as const)('%s', (_, t, want) => expect(above(t, envelope)).toBe(want));
  test('only where there is a healthy vent to tell by', () => expect(above(trace([9, 600_000]), { ...envelope, rate_per_s: 0 })).toBeNull());
});

describe('a trace up to now', () => {
  const vent = { released: '2026-05-04T06:00:00.000Z', trace: { t_s: [0, 4, 8], p_pa: [700_000, 300_000, 262_000] }, over: true };
  const at = (s: number) => new Date(Date.parse(vent.released) + s * 1000).toISOString();
  const pot = (t: string | undefined, vessel?: number) => ({ ...(t !== undefined && { t }), pressure_pa: { ...(vessel !== undefined && { vessel }) }, vent }) as unknown as Pot;
  test.each([
    ['after its last reading', at(15), 15],
    ['at its last reading', at(8), 8],
    ['by another clock, ahead', at(188), 8],
    ['by another clock, behind', at(-60), 8],
    ['at no instant', undefined, 8],
  ] as const)('ends with the newest reading %s', (_, t, s) =>
    expect(upToNow(pot(t, 255_000))).toEqual({ t_s: [0, 4, 8, s], p_pa: [700_000, 300_000, 262_000, 255_000] }));
  test('is none without a reading now, without a vent, or without two readings of it', () => {
    expect(upToNow(pot(at(9)))).toBeNull();
    const { vent: _, ...none } = pot(at(9), 255_000);
    expect(upToNow(none)).toBeNull();
    expect(upToNow({ ...pot(at(9), 255_000), vent: { ...vent, trace: { t_s: [0], p_pa: [700_000] } } })).toBeNull();
  });
});

describe('the picture', () => {
  const t_s = Array.from({ length: 31 }, (_, i) => i / 10);
  const p_pa = t_s.map((t) => 700_000 * Math.exp(-0.5 * t));
  const p = ventPicture({ t_s, p_pa }, envelope, box, 6894.757);

  test('ends at the newest reading, within its box', () => {
    expect(p.last).toMatchObject({ s: 3, pa: p_pa.at(-1) });
    expect(p.last?.x).toBeGreaterThan(box.left);
    expect(p.last?.x).toBeLessThan(box.right);
    expect(p.last?.y).toBeGreaterThan(box.top);
    expect(p.last?.y).toBeLessThan(box.bottom);
  });
  test('has a band that begins at the release and ends where a healthy vent is judged no longer', () => {
    expect(p.band.startsWith('M40 ')).toBe(true);
    expect(p.band.endsWith('L40 200Z')).toBe(true);
    expect(p.due?.s).toBeCloseTo(judgedFor(envelope) ?? 0, 9);
    expect(p.edge).not.toBe('');
  });
  test('marks round units', () => expect(p.pressures.map((m) => m.value)).toEqual([0, 50, 100]));
  test('draws no band where nothing is known, and no line of one reading', () => {
    const q = ventPicture({ t_s: [0], p_pa: [5000] }, undefined, box, 1e5);
    expect(q).toMatchObject({ band: '', edge: '', trace: '', due: null });
    expect(q.last?.x).toBe(40);
  });
  test('keeps a reading below zero on the ground', () => {
    expect(ventPicture({ t_s: [0, 1], p_pa: [5000, -900] }, undefined, box, 1e5).last?.y).toBe(box.bottom);
  });
  test('takes lists of unlike length', () => {
    expect(ventPicture({ t_s: [0, 1, 2], p_pa: [5000, 900] }, undefined, box, 1e5).last).toMatchObject({ s: 1, pa: 900 });
  });
});
