// The page's state with a browser, a server and a clock that the test moves.
import { flushSync } from 'svelte';
import { afterEach, describe, expect, test } from 'vitest';
import { maple, six } from '../../../tests/e2e/fixtures';
import type { Wire } from '../net/socket';
import type { FrameType, Pot } from '../protocol/types.gen';
import { TICK_MS } from './lease';
import { Live } from './live.svelte';

class FakeWire implements Wire {
  acked = 0;
  readonly sent: string[] = [];
  onopen: Wire['onopen'] = null;
  onmessage: Wire['onmessage'] = null;
  onclose: Wire['onclose'] = null;
  onerror: Wire['onerror'] = null;
  send(text: string): void {
    this.sent.push(text);
    this.acked = (JSON.parse(text) as { ack?: number }).ack ?? this.acked;
  }
  close(): void {}
}

class Target extends EventTarget {
  visibilityState: DocumentVisibilityState = 'visible';
}

class Bench {
  mono = 0;
  readonly document = new Target();
  readonly window = new Target();
  readonly wires: FakeWire[] = [];
  #tick: (() => void) | null = null;
  #timers = new Map<number, { at: number; run: () => void }>();
  #id = 0;
  #seq = 0;
  /** Every word that an effect saw for maple, in order. */
  readonly seen: string[] = [];
  readonly live: Live;
  readonly #stopWatching: () => void;

  constructor(visibility: DocumentVisibilityState = 'visible') {
    this.document.visibilityState = visibility;
    this.live = new Live({
      url: 'ws://pots/api/v1/live',
      document: this.document as unknown as Document,
      window: this.window as unknown as Window,
      read: () => ({ mono: this.mono, wall: 1_700_000_000_000 + this.mono }),
      every: (run) => {
        this.#tick = run;
        return () => (this.#tick = null);
      },
      socket: {
        createSocket: () => {
          const wire = new FakeWire();
          this.wires.push(wire);
          this.#seq = 0;
          return wire;
        },
        random: () => 1,
        setTimer: (run, ms) => {
          this.#timers.set(++this.#id, { at: this.mono + ms, run });
          return this.#id;
        },
        clearTimer: (id) => void this.#timers.delete(id as number),
      },
    });
    this.#stopWatching = $effect.root(() => {
      $effect(() => {
        if (this.live.site.order.includes('maple')) this.seen.push(this.word);
      });
    });
    this.live.start();
  }

  get word(): string {
    return this.live.site.pot('maple').answer.word;
  }

  get lapse(): string | null {
    return this.live.site.pot('maple').answer.lapse;
  }

  /** Time passes, with the page awake. */
  pass(ms: number): void {
    for (let left = ms; left > 0; left -= TICK_MS) {
      this.mono += Math.min(left, TICK_MS);
      for (const [id, t] of [...this.#timers]) {
        if (t.at > this.mono || !this.#timers.delete(id)) continue;
        t.run();
      }
      this.#tick?.();
      flushSync();
    }
  }

  /** The server sends its next frame. */
  frame(pots: readonly Pot[] = [maple], type?: FrameType): void {
    this.#seq++;
    const frame = { type: type ?? (this.#seq === 1 ? 'snapshot' : 'change'), seq: this.#seq, server_t: new Date(1_700_000_000_000 + this.mono).toISOString(), pots };
    this.wires.at(-1)?.onmessage?.({ data: JSON.stringify(frame) });
    flushSync();
  }

  /** A server that sends twice a second. */
  run(ms: number, pots?: readonly Pot[]): void {
    for (let t = 0; t < ms; t += 500) {
      this.pass(500);
      this.frame(pots);
    }
  }

  show(visibilityState: DocumentVisibilityState): void {
    this.document.visibilityState = visibilityState;
    this.document.dispatchEvent(new Event('visibilitychange'));
  }

  stop(): void {
    this.live.stop();
    this.#stopWatching();
  }
}

let b: Bench;
afterEach(() => b.stop());

/** Running for two seconds with maple vented. */
function running(): Bench {
  b = new Bench();
  b.run(2000);
  expect(b.word).toBe('vented');
  return b;
}

describe('VENTED', () => {
  test('stays while frames come', () => {
    running();
    b.seen.length = 0;
    b.run(60_000);
    expect(b.word).toBe('vented');
    expect(b.seen).toEqual([]); // no flicker between frames
  });

  test('ends when frames stop, and the page says so', () => {
    running();
    b.pass(2000);
    expect(b.word).toBe('not-proven');
    expect(b.lapse).toBe('no-frame');
    expect(b.live.connection.live).toBe(false);
    b.frame();
    expect(b.live.connection.live).toBe(true);
    expect(b.live.connection.missed?.forMs).toBe(2000);
  });

  test('ends at once when the connection closes, and returns with the next one', () => {
    running();
    b.wires[0]?.onclose?.();
    expect(b.word).toBe('not-proven');
    expect(b.lapse).toBe('connection-lost');
    b.pass(600);
    expect(b.wires).toHaveLength(2);
    expect(b.word).toBe('not-proven');
    b.pass(100);
    b.frame();
    expect(b.word).toBe('vented');
  });

  test('ends before the hidden page can sleep, without waiting for a render', () => {
    running();
    b.show('hidden');
    expect(b.seen.at(-1)).toBe('not-proven');
    b.run(5000);
    expect(b.word).toBe('not-proven');
    b.show('visible');
    expect(b.lapse).toBe('page-hidden');
    b.frame();
    expect(b.word).toBe('not-proven');
    b.pass(300);
    b.frame();
    expect(b.word).toBe('vented');
  });

  test.each(['pagehide', 'pageshow', 'freeze', 'resume'])('ends with %s', (type) => {
    running();
    const event = Object.assign(new Event(type), { persisted: true });
    (type.startsWith('page') ? b.window : b.document).dispatchEvent(event);
    expect(b.seen.at(-1)).toBe('not-proven');
    expect(b.lapse).toBe('page-restored');
  });

  test('is not said by a page that starts hidden', () => {
    b = new Bench('hidden');
    b.run(3000);
    expect(b.word).toBe('not-proven');
    expect(b.lapse).toBe('page-hidden');
  });

  test('ends after a sleep, though the frame that waited says vented', () => {
    running();
    b.mono += 600_000;
    b.frame();
    expect(b.word).toBe('not-proven');
    expect(b.lapse).toBe('page-woken');
    b.pass(300);
    b.frame();
    expect(b.word).toBe('vented');
  });

  test('is taken back when the pot’s newest estimate cannot be read', () => {
    running();
    b.pass(300);
    b.frame([{ ...maple, state: 'melted' } as unknown as Pot]);
    expect(b.lapse).toBe('unreadable');
    expect(b.live.site.rejected).toBe(1);
    b.pass(300);
    b.frame();
    expect(b.word).toBe('vented');
  });
});

test('since is exact only for what the page saw change', () => {
  running();
  expect(b.live.site.pot('maple').since?.exact).toBe(false);
  b.run(1000, [{ ...maple, answer: { word: 'pressurised', because: ['over-limit'], age_s: 0.1 } }]);
  const since = b.live.site.pot('maple').since;
  expect(since?.exact).toBe(true);
  expect(since?.at).toBe(1_700_000_000_000 + 2500);
});

test('what was missed names states, never answers', () => {
  b = new Bench();
  b.run(2000, six());
  b.wires[0]?.onclose?.();
  b.pass(14_000);
  b.frame([...six().filter((p) => p.name !== 'birch').map((p): Pot => (p.name === 'alder' ? { ...p, state: 'held' } : p)), { ...maple, name: 'oak' }]);
  const missed = b.live.connection.missed;
  expect(missed).toMatchObject({ changes: [{ pot: 'alder', from: 'blasting', to: 'held' }], added: ['oak'], gone: ['birch'] });
  expect(missed?.forMs).toBe(14_000);
  expect(JSON.stringify(missed)).not.toContain('vented');
  b.live.connection.dismiss();
  expect(b.live.connection.missed).toBeNull();
});

test('a snapshot forgets the pots it does not name; a change does not', () => {
  b = new Bench();
  b.run(1000, six());
  b.frame([maple]);
  expect(b.live.site.order).toHaveLength(6);
  b.frame([maple], 'snapshot');
  expect(b.live.site.order).toEqual(['maple']);
  expect(b.live.site.simulated).toBe(0);
});

test('a message that cannot be read at all is counted and ends the connection', () => {
  running();
  b.wires[0]?.onmessage?.({ data: 'nonsense' });
  expect(b.live.site.rejected).toBe(1);
  expect(b.lapse).toBe('connection-lost');
  expect(b.live.connection.problem).toMatch(/not JSON/);
});

test('no row moves while a finger is down', () => {
  b = new Bench();
  b.run(5000, six());
  expect(b.live.site.order[0]).toBe('rowan');
  b.window.dispatchEvent(Object.assign(new Event('pointerdown'), { pointerId: 3 }));
  const worse = six().map((p): Pot => (p.name === 'alder' ? { ...p, state: 'held' } : p));
  b.run(20_000, worse);
  expect(b.live.site.order[0]).toBe('rowan');
  b.window.dispatchEvent(Object.assign(new Event('pointerup'), { pointerId: 3 }));
  b.run(500, worse);
  expect(b.live.site.order[0]).toBe('alder');
});

test('ages run on between frames and count a late link', () => {
  running();
  const pot = b.live.site.pot('maple');
  expect(pot.age(b.mono)).toBeCloseTo(0.3, 9);
  expect(pot.age(b.mono + 1500)).toBeCloseTo(1.8, 9);
  expect(pot.stateFor(b.mono + 2000)).toBeCloseTo(485, 9);
  b.pass(9000); // given up after 8 s of silence; the next connection starts in between
  b.frame();
  b.pass(5000);
  b.frame();
  expect(b.live.site.pot('maple').age(b.mono)).toBeCloseTo(0.3 + 4, 9);
});

test('all that was started ends with stop', () => {
  running();
  b.stop();
  const before = b.word;
  b.show('hidden');
  b.pass(20_000);
  expect(b.wires).toHaveLength(1);
  expect(before).toBe('not-proven');
});

describe('looking at one pot', () => {
  const asked = () => (b.wires.at(-1)?.sent ?? []).map((text) => JSON.parse(text) as { subscribe?: string[]; ack?: number });

  test('asks for it with the first acknowledgement, and again on each connection', () => {
    b = new Bench();
    b.live.watch(['maple']);
    b.run(500, six());
    expect(asked()).toEqual([{ ack: 1, subscribe: ['maple'] }]);
    b.run(500);
    expect(asked().at(-1)).toEqual({ ack: 2 });
    b.wires[0]?.onclose?.();
    b.pass(700);
    b.frame(six());
    expect(asked()).toEqual([{ ack: 1, subscribe: ['maple'] }]);
  });

  test('forgets no other pot, but trusts what it knew of it no longer; all come back with all names', () => {
    b = new Bench();
    b.run(1000, six());
    expect(b.word).toBe('vented');
    b.live.watch(['alder']);
    expect(asked().at(-1)).toEqual({ subscribe: ['alder'] });
    const alder = six().filter((p) => p.name === 'alder');
    b.frame(alder, 'snapshot');
    expect(b.live.site.order).toHaveLength(6);
    b.run(4000, alder);
    expect(b.word).toBe('not-proven');
    expect(b.lapse).toBe('lease-ended');
    b.live.watch(null);
    expect([...(asked().at(-1)?.subscribe ?? [])].toSorted()).toEqual(six().map((p) => p.name).toSorted());
    b.frame(six(), 'snapshot');
    b.pass(200);
    b.frame(six());
    expect(b.word).toBe('vented');
  });

  test('a pot that is gone after a reconnection is forgotten all the same', () => {
    b = new Bench();
    b.live.watch(['alder']);
    b.run(1000, six());
    b.wires[0]?.onclose?.();
    b.pass(700);
    b.frame(six().filter((p) => p.name !== 'birch'));
    expect(b.live.site.has('birch')).toBe(false);
    expect(b.live.connection.missed?.gone).toEqual(['birch']);
  });
});

describe('a pot that nobody sees', () => {
  const figure = (pot: Pot, vessel: number): Pot => ({ ...pot, pressure_pa: { ...pot.pressure_pa, vessel } });

  test('is drawn anew at least every 2 s, in turns, and at once with another state', () => {
    b = new Bench();
    const pots = six();
    const drawn = new Map(pots.map((p) => [p.name, 0]));
    const last = new Map<string, unknown>();
    let most = 0;
    for (let i = 0; i < 40; i++) {
      b.pass(200);
      b.frame(pots.map((p) => figure(p, i)));
      const now = pots.filter((p) => last.get(p.name) !== b.live.site.pot(p.name).calm);
      for (const p of now) {
        last.set(p.name, b.live.site.pot(p.name).calm);
        drawn.set(p.name, (drawn.get(p.name) ?? 0) + 1);
      }
      if (i > 0) most = Math.max(most, now.length);
      for (const p of pots) expect(i - (b.live.site.pot(p.name).calm.pot.pressure_pa.vessel ?? 0)).toBeLessThanOrEqual(10);
    }
    for (const n of drawn.values()) expect(n).toBeLessThanOrEqual(6); // 8 s, and the first
    expect(most).toBeLessThan(pots.length);
    const birch = pots.find((p) => p.name === 'birch') ?? maple;
    b.frame([{ ...birch, state: 'held' }]);
    expect(b.live.site.pot('birch').calm.pot.state).toBe('held');
  });

  test('gets its answer and its age all the same', () => {
    running();
    const pot = b.live.site.pot('maple');
    b.frame([{ ...maple, answer: { word: 'pressurised', because: ['over-limit'], age_s: 0.1 } }]);
    expect(b.word).toBe('pressurised');
    expect(pot.old).toBe(false);
    b.frame([{ ...maple, age_s: 1.5 }]);
    b.pass(200);
    expect(pot.old).toBe(false);
    b.pass(200);
    expect(pot.old).toBe(true); // no later than at 2 s
  });
});
