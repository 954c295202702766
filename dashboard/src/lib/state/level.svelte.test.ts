import { expect, test } from 'vitest';
import { LevelMemory } from '../charts/level';
import type { Got, Stored } from '../net/stored';
import type { Cycle, Cycles } from '../protocol/types.gen';
import { LevelPast } from './level.svelte';

const MIN = 60_000;
const iso = (ms: number) => new Date(ms).toISOString();

/** A blast of four minutes that takes a tenth of what the vessel can hold. */
const cycle = (press: number, before: number): Cycle => ({
  kind: 'cycle', pot: 'oak', press: iso(press), release: iso(press + 4 * MIN), t: iso(press + 4.2 * MIN), blast_s: 240, inferred: false,
  vent: { p0_pa: 7e5 }, late: false, incomplete: false, contents: { before, left: before - 0.1, low: before - 0.2, high: before },
});

/** Records that answer with the cycles from the instant asked for on, and what they were asked. */
function records(all: Cycle[], now: number): { readonly stored: Pick<Stored, 'since'>; readonly asked: number[]; broken: boolean } {
  const out = {
    broken: false,
    asked: [] as number[],
    stored: {
      since: (_: string, from: number): Promise<Got<Cycles>> => {
        out.asked.push(from);
        if (out.broken) return Promise.resolve({ ok: false, problem: 'the disk is gone' });
        return Promise.resolve({ ok: true, value: { cycles: all.filter((c) => Date.parse(c.press) >= from).toReversed(), server_t: iso(now) } });
      },
    },
  };
  return out;
}

const shares = (p: LevelPast) => p.list.map((l) => [Math.round(l.at / MIN), Math.round(l.share * 100) / 100]);

test('the past is what was recorded, then what the page saw; a refill stands at the next press', async () => {
  const all = [cycle(0, 0.5), cycle(10 * MIN, 0.9)];
  const { stored } = records(all, 20 * MIN);
  const p = new LevelPast('oak', stored, new LevelMemory());
  await p.reach(0);
  expect(shares(p)).toEqual([[0, 0.5], [4, 0.4], [4, 0.4], [10, 0.4], [10, 0.9], [14, 0.8], [14, 0.8]]);
  p.add({ at: 12 * MIN, share: 0.85, low: 0.8, high: 0.9 });
  p.add({ at: 13 * MIN, share: 0.83, low: 0.8, high: 0.9 });
  expect(shares(p)).toEqual([[0, 0.5], [4, 0.4], [4, 0.4], [10, 0.4], [10, 0.9], [12, 0.85], [13, 0.83]]);
});

test('only what is new is asked for, and what lies further back once it is wanted', async () => {
  const all = [cycle(-300 * MIN, 0.6), cycle(0, 0.5), cycle(10 * MIN, 0.4)];
  const { stored, asked } = records(all, 20 * MIN);
  const p = new LevelPast('oak', stored, new LevelMemory());
  await p.reach(0);
  all.push(cycle(20 * MIN, 0.3));
  await p.reach(5 * MIN);
  expect(asked).toEqual([0, 10 * MIN]);
  expect(p.list.at(-1)?.share).toBeCloseTo(0.2, 9);
  expect(p.list.filter((l) => l.begins === true)).toHaveLength(3);
  await p.reach(-400 * MIN);
  expect(p.list.filter((l) => l.begins === true)).toHaveLength(4);
});

test('what cannot be had is told, and what was had stays', async () => {
  const r = records([cycle(0, 0.5)], 20 * MIN);
  const p = new LevelPast('oak', r.stored, new LevelMemory());
  await p.reach(0);
  r.broken = true;
  await p.reach(0);
  expect(p.problem).toBe('the disk is gone');
  expect(p.list).toHaveLength(3);
  r.broken = false;
  await p.reach(0);
  expect(p.problem).toBeNull();
});
