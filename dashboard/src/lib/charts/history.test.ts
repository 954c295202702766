import { describe, expect, test } from 'vitest';
import { pot, PSI } from '../../../tests/e2e/fixtures';
import type { History } from '../protocol/types.gen';
import { bounded, columns, covers, drawn, extent, liveOf, LONGEST_MS, lonely, markSteps, panned, SHORTEST_MS, spans, step, Tail, wanted, zoomed } from './history';

const now = Date.parse('2026-11-24T14:00:00Z');
const MIN = 60_000;

describe('the step', () => {
  test.each([
    [5 * MIN, 1200, 0.5],
    [5 * MIN, 300, 2],
    [60 * MIN, 1200, 10],
    [24 * 60 * MIN, 800, 300],
    [7 * 24 * 60 * MIN, 2000, 900],
  ])('of %d ms over %d pixels is %d s', (ms, width, want) => expect(step(ms, width)).toBe(want));

  test('never makes more steps than the server gives', () => {
    for (const ms of [SHORTEST_MS, 61_000, 3_600_000, LONGEST_MS]) {
      for (const width of [0, 320, 1200, 100_000]) expect((2 * ms) / 1000 / step(ms, width)).toBeLessThanOrEqual(2000);
    }
  });
});

test('a phone has at least two marks of time in every length that can be chosen', () => {
  const [drawing, room] = [215, 64]; // CSS pixels of the drawing, and of one mark
  for (const { id, ms } of spans) {
    const step = markSteps.find((s) => (s * 1000 * drawing) / ms >= room) ?? Infinity;
    expect(ms / 1000 / step, id).toBeGreaterThanOrEqual(2);
  }
});

describe('what is asked for', () => {
  test('is half a view more on either side, on whole steps, and not beyond now', () => {
    const got = wanted({ from: now - 5 * MIN, to: now }, 2, now);
    expect(got).toEqual({ from: now - 7.5 * MIN, to: now });
    const past = wanted({ from: now - 25 * MIN + 1, to: now - 20 * MIN + 1 }, 2, now);
    expect(past.from % 2000).toBe(0);
    expect(past.to % 2000).toBe(0);
    expect(past.from).toBeLessThanOrEqual(now - 27.5 * MIN + 1);
    expect(past.to).toBeGreaterThanOrEqual(now - 17.5 * MIN + 1);
  });
  test('serves a view as long as it holds it at its step', () => {
    const have = { from: now - 10 * MIN, to: now };
    expect(covers(have, 2, { from: now - 9 * MIN, to: now - MIN }, 2, now)).toBe(true);
    expect(covers(have, 2, { from: now - 11 * MIN, to: now - MIN }, 2, now)).toBe(false);
    expect(covers(have, 2, { from: now - 9 * MIN, to: now - MIN }, 1, now)).toBe(false);
  });
});

describe('a view', () => {
  const view = { from: now - 10 * MIN, to: now - 5 * MIN };
  test('pans by its own length, but not beyond now', () => {
    expect(panned(view, -1, now)).toEqual({ from: now - 15 * MIN, to: now - 10 * MIN });
    expect(panned(view, 3, now)).toEqual({ from: now - 5 * MIN, to: now });
  });
  test('zooms around the place under the finger', () => {
    expect(zoomed(view, 0.5, 0.2, now)).toEqual({ from: now - 9.5 * MIN, to: now - 7 * MIN });
    expect(zoomed(view, 2, 1, now)).toEqual({ from: now - 15 * MIN, to: now - 5 * MIN });
  });
  test('there and back is where it was', () => {
    expect(zoomed(zoomed(view, 0.5, 0.3, now), 2, 0.3, now)).toEqual(view);
    expect(panned(panned(view, -0.4, now), 0.4, now)).toEqual(view);
  });
  test('stays within lengths and times that exist', () => {
    expect(zoomed(view, 1e-9, 0.5, now).to - zoomed(view, 1e-9, 0.5, now).from).toBe(SHORTEST_MS);
    expect(zoomed(view, 1e9, 0.5, now).to - zoomed(view, 1e9, 0.5, now).from).toBe(LONGEST_MS);
    expect(bounded({ from: 0, to: MIN }, now).from).toBeGreaterThan(now - 401 * 24 * 60 * MIN);
  });
});

/** A history of 10 steps of 1 s: readings in those that have a number, which is their mean in psi. */
function stored(psi: readonly (number | null)[], more: Partial<History> = {}): History {
  const v = (d: number) => psi.map((p) => (p === null ? null : (p + d) * PSI));
  return {
    name: 'alder',
    site: 'harrow-quay',
    from: new Date(now - 10_000).toISOString(),
    to: new Date(now).toISOString(),
    step_s: 1,
    steps: psi.length,
    epochs: [],
    traces: [{ point: 'vessel', good: { n: psi.map((p) => (p === null ? 0 : 10)), min_pa: v(-1), max_pa: v(1), mean_pa: v(0) } }],
    server_t: new Date(now).toISOString(),
    ...more,
  };
}

describe('columns', () => {
  test('a gap is a gap: no value, and its stretch is told', () => {
    const c = columns(stored([100, 101, null, null, 99, 98, 97, 96, 95, 94]), [], ['vessel'], 'psi');
    expect(c.series[0]?.mean.map((v) => (v === null ? null : Math.round(v)))).toEqual([100, 101, null, null, 99, 98, 97, 96, 95, 94]);
    expect(c.series[0]?.min[0]).toBeCloseTo(99, 6);
    expect(c.series[0]?.max[0]).toBeCloseTo(101, 6);
    expect(c.gaps).toEqual([[now / 1000 - 8, now / 1000 - 6]]);
    expect(c.t[0]).toBe(now / 1000 - 9.5);
  });

  test('what comes after the newest stored reading is no gap yet, but is one when it is past', () => {
    const psi = [100, 101, 102, 103, 104, 105, 106, null, null, null];
    expect(columns(stored(psi), [], ['vessel'], 'psi').gaps).toEqual([]);
    const later = stored(psi, { server_t: new Date(now + 60_000).toISOString() });
    expect(columns(later, [], ['vessel'], 'psi').gaps).toEqual([[now / 1000 - 3, now / 1000]]);
  });

  test('live readings follow on the stored ones, none twice', () => {
    const tail = [-3500, -2500, -2300, -100].map((ms, i) => ({ at: now + ms, pa: { vessel: (50 + i) * PSI } }));
    const c = columns(stored([100, 101, 102, 103, 104, 105, 106, null, null, null]), tail, ['vessel'], 'psi');
    expect(c.t.slice(7)).toEqual([now / 1000 - 2.5, now / 1000 - 2.3, now / 1000 - 0.1]);
    expect(c.series[0]?.mean.slice(7).map((v) => Math.round(v ?? 0))).toEqual([51, 52, 53]);
    expect([...c.t].sort((a, b) => a - b)).toEqual(c.t);
  });

  test('what is live does not wait for the end of a step that was fetched before it was over', () => {
    // Steps of a minute, the last of which had gone on for 12 s.
    const h = stored([100, 101, 102], { step_s: 60, from: new Date(now - 132_000).toISOString(), to: new Date(now + 48_000).toISOString() });
    const tail = [-400, -200, 0, 200, 400].map((ms, i) => ({ at: now + ms, pa: { vessel: (50 + i) * PSI } }));
    const c = columns(h, tail, ['vessel'], 'psi');
    expect(c.t).toEqual([-102, -42, -6, 0, 0.2, 0.4].map((s) => now / 1000 + s));
    expect(c.series[0]?.mean.map((v) => Math.round(v ?? 0))).toEqual([100, 101, 102, 52, 53, 54]);
    // An agent's clock may be ahead of the server's: the order of time holds.
    const ahead = columns({ ...h, server_t: new Date(now - 20_000).toISOString() }, tail, ['vessel'], 'psi').t;
    expect(ahead).toEqual([...new Set(ahead)].toSorted((a, b) => a - b));
  });

  test('a stretch without frames is a gap too', () => {
    const tail = [0, 200, 9000].map((ms) => ({ at: now + ms, pa: { vessel: PSI } }));
    const c = columns(null, tail, ['vessel'], 'psi');
    expect(c.series[0]?.mean.map((v) => v === null)).toEqual([false, false, true, false]);
    const after = columns(stored([1, 2, 3, 4, 5, 6, 7, 8, 9, 10]), [{ at: now + 30_000, pa: { vessel: PSI } }], ['vessel'], 'psi');
    expect(after.series[0]?.mean.slice(-2).map((v) => v === null)).toEqual([true, false]);
  });

  test('a gauge without reply or out of range is no gap of all: it is told apart', () => {
    const h = stored([100, null, null, 101, 101, 101, 101, 101, 101, 101]);
    const t = h.traces[0];
    if (t === undefined) throw new Error('no trace');
    const c = columns({ ...h, traces: [{ ...t, no_reply: [0, 10, 0, 0, 0, 0, 0, 0, 0, 0] }] }, [], ['vessel'], 'psi');
    expect(c.bad).toEqual([[now / 1000 - 9, now / 1000 - 8]]);
    expect(c.gaps).toEqual([[now / 1000 - 8, now / 1000 - 7]]);
  });

  test('a handle that is a switch gives no pressure', () => {
    const h = stored([1, 1, 1, 1, 1, 1, 1, 1, 1, 1]);
    const c = columns({ ...h, traces: [...h.traces, { point: 'control', good: { n: Array(10).fill(10) as number[], pressed_share: Array(10).fill(0.5) as number[] } }] }, [], ['vessel', 'control'], 'psi');
    expect(c.pressed).toEqual(Array(10).fill(0.5));
    expect(c.series[1]?.mean.every((v) => v === null)).toBe(true);
  });

  test('units', () => {
    expect(columns(stored([100, 1, 1, 1, 1, 1, 1, 1, 1, 1]), [], ['vessel'], 'bar').series[0]?.mean[0]).toBeCloseTo(6.894757, 5);
  });
});

test('least and greatest of what is in sight', () => {
  const c = columns(stored([100, 101, null, null, 90, 98, 97, 96, 95, 94]), [], ['vessel'], 'psi');
  const s = c.series[0];
  if (s === undefined) throw new Error('no series');
  const e = extent(c.t, s, now / 1000 - 7, now / 1000 - 5);
  expect(e?.min).toBeCloseTo(89, 6);
  expect(e?.max).toBeCloseTo(91, 6);
  expect(extent(c.t, s, now / 1000 - 7.8, now / 1000 - 6.2)).toBeNull();
});

test('values that stand alone are found', () => {
  expect(lonely([1, null, 2, null, 3, 4, null, 5], 0, 7)).toEqual([0, 2, 7]);
  expect(lonely([1, null, 2, null, 3, 4, null, 5], 1, 5)).toEqual([2]);
});

test('the tail takes each instant once, and does not grow for ever', () => {
  const tail = new Tail();
  const live = liveOf(pot({ name: 'oak', state: 'blasting', word: 'pressurised', because: ['over-limit'], psi: [1, 2, 3] }));
  if (live === null) throw new Error('no instant');
  expect(tail.add(live)).toBe(true);
  expect(tail.add(live)).toBe(false);
  for (let i = 1; i < 5000; i++) tail.add({ ...live, at: live.at + i });
  expect(tail.list.length).toBeLessThanOrEqual(2000);
  expect(tail.list.at(-1)?.at).toBe(live.at + 4999);
});

test('points are drawn in the order of the air', () => expect(drawn(['control', 'vessel', 'supply'])).toEqual(['supply', 'vessel', 'control']));
