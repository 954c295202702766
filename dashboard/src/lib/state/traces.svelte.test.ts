import { beforeEach, describe, expect, test } from 'vitest';
import type { History } from '../protocol/types.gen';
import { TraceState } from './traces.svelte';

const start = Date.parse('2026-11-24T14:00:00Z');

interface Ask {
  readonly from: number;
  readonly to: number;
  readonly step: number;
  readonly signal: AbortSignal;
  readonly done: (ok: boolean) => Promise<void>;
}

/** A view of a pot whose time and fetches the test moves. */
class Rig {
  now = start;
  readonly asks: Ask[] = [];
  #timers: { at: number; run: () => void }[] = [];
  readonly state = new TraceState({
    pot: 'alder',
    stored: {
      history: (_pot, from, to, step, signal) =>
        new Promise((resolve) => {
          const done = async (ok: boolean) => {
            resolve(ok ? { ok: true, value: { from: new Date(from).toISOString(), step_s: step } as History } : { ok: false, problem: 'the disk is full' });
            await Promise.resolve();
            await Promise.resolve();
          };
          this.asks.push({ from, to, step, signal, done });
        }),
    },
    setTimer: (run, ms) => {
      const timer = { at: this.now + ms, run };
      this.#timers.push(timer);
      return timer;
    },
    clearTimer: (t) => {
      this.#timers = this.#timers.filter((x) => x !== t);
    },
  });

  /** Lets ms go by, with a look at the clock each 200 ms. */
  go(ms: number): void {
    for (const end = this.now + ms; ; this.now = Math.min(end, this.now + 200)) {
      this.state.tick(this.now, 600);
      const due = this.#timers.filter((t) => t.at <= this.now);
      this.#timers = this.#timers.filter((t) => t.at > this.now);
      for (const t of due) t.run();
      if (this.now >= end) return;
    }
  }
}

let rig: Rig;
beforeEach(() => {
  rig = new Rig();
});

describe('while it follows', () => {
  test('the view ends now, and is fetched once', async () => {
    rig.go(0);
    expect(rig.state.view).toEqual({ from: start - 300_000, to: start });
    expect(rig.asks).toHaveLength(1);
    expect(rig.asks[0]).toMatchObject({ step: 1, to: start });
    expect(rig.asks[0]?.from).toBeLessThanOrEqual(start - 300_000);
    expect(rig.state.loading).toBe(true);
    await rig.asks[0]?.done(true);
    expect(rig.state.loading).toBe(false);
    rig.go(3000);
    expect(rig.state.view?.to).toBe(start + 3000);
    expect(rig.asks).toHaveLength(1);
  });

  test('the newest is fetched anew in time, not with each frame', async () => {
    rig.go(0);
    await rig.asks[0]?.done(true);
    rig.go(21_000);
    expect(rig.asks).toHaveLength(2);
    await rig.asks[1]?.done(true);
    rig.go(10_000);
    expect(rig.asks).toHaveLength(2);
  });

  test('another length asks at its own step', async () => {
    rig.go(0);
    await rig.asks[0]?.done(true);
    rig.state.last(3_600_000);
    rig.go(400);
    expect(rig.asks[1]?.step).toBe(15);
    expect(rig.state.following).toBe(true);
  });

  test('zoom keeps the end at now', () => {
    rig.go(0);
    rig.state.zoom(2, 0.3);
    expect(rig.state.view).toEqual({ from: start - 600_000, to: start });
    expect(rig.state.following).toBe(true);
  });
});

describe('back in time', () => {
  beforeEach(async () => {
    rig.go(0);
    await rig.asks[0]?.done(true);
  });

  test('panning leaves the present, and the view stays where it is put', () => {
    rig.state.pan(-0.5);
    rig.go(5000);
    expect(rig.state.following).toBe(false);
    expect(rig.state.view).toEqual({ from: start - 450_000, to: start - 150_000 });
  });

  test('within what was fetched nothing is asked for; beyond it once, after it has stood still', async () => {
    rig.state.pan(-0.2);
    rig.go(1000);
    expect(rig.asks).toHaveLength(1);
    for (let i = 0; i < 10; i++) rig.state.pan(-0.3);
    expect(rig.asks).toHaveLength(1);
    rig.go(400);
    expect(rig.asks).toHaveLength(2);
    const view = rig.state.view;
    expect(rig.asks[1]?.from).toBeLessThanOrEqual(view?.from ?? 0);
    expect(rig.asks[1]?.to).toBeGreaterThanOrEqual(view?.to ?? 0);
    await rig.asks[1]?.done(true);
    rig.go(60_000);
    expect(rig.asks).toHaveLength(2);
  });

  test('a move during a fetch is fetched after it', async () => {
    rig.state.pan(-3);
    rig.go(400);
    rig.state.pan(-5);
    rig.go(400);
    expect(rig.asks).toHaveLength(2);
    await rig.asks[1]?.done(true);
    rig.go(600);
    expect(rig.asks).toHaveLength(3);
    expect(rig.asks[2]?.from).toBeLessThanOrEqual(rig.state.view?.from ?? 0);
  });

  test('coming back to now follows again', () => {
    rig.state.pan(-1);
    rig.state.live();
    expect(rig.state.following).toBe(true);
    rig.state.pan(-1);
    rig.state.pan(50);
    expect(rig.state.following).toBe(true);
    expect(rig.state.view?.to).toBe(start);
  });

  test('a range can be shown', () => {
    rig.state.show({ from: start - 1_000_000, to: start - 990_000 });
    expect(rig.state.view).toEqual({ from: start - 1_000_000, to: start - 990_000 });
    expect(rig.state.span).toBe(10_000);
  });
});

test('a fetch that failed is said, what was there stays, and it is tried again later', async () => {
  rig.go(0);
  await rig.asks[0]?.done(true);
  const had = rig.state.history;
  rig.state.pan(-4);
  rig.go(400);
  await rig.asks[1]?.done(false);
  expect(rig.state.problem).toBe('the disk is full');
  expect(rig.state.history).toBe(had);
  rig.go(3000);
  expect(rig.asks).toHaveLength(2);
  rig.go(4000);
  expect(rig.asks).toHaveLength(3);
  await rig.asks[2]?.done(true);
  expect(rig.state.problem).toBeNull();
});

test('when it is stopped nothing goes on', () => {
  rig.go(0);
  rig.state.stop();
  expect(rig.asks[0]?.signal.aborted).toBe(true);
});
