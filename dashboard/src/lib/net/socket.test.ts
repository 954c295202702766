import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { backoff, GIVE_UP_MS, LiveSocket } from './socket';
import type { Wire } from './socket';

/** Timers whose time the test moves. */
class Timers {
  now = 0;
  #next = 1;
  readonly #due = new Map<number, { at: number; run: () => void }>();

  readonly set = (run: () => void, ms: number): unknown => {
    this.#due.set(this.#next, { at: this.now + ms, run });
    return this.#next++;
  };
  readonly clear = (id: unknown): void => {
    this.#due.delete(id as number);
  };

  pass(ms: number): void {
    const end = this.now + ms;
    for (;;) {
      const first = [...this.#due].filter(([, t]) => t.at <= end).toSorted((a, b) => a[1].at - b[1].at)[0];
      if (first === undefined) break;
      this.#due.delete(first[0]);
      this.now = first[1].at;
      first[1].run();
    }
    this.now = end;
  }

  get pending(): number {
    return this.#due.size;
  }
}

class FakeWire implements Wire {
  readonly sent: string[] = [];
  closed = false;
  onopen: Wire['onopen'] = null;
  onmessage: Wire['onmessage'] = null;
  onclose: Wire['onclose'] = null;
  onerror: Wire['onerror'] = null;
  send(text: string): void {
    this.sent.push(text);
  }
  close(): void {
    this.closed = true;
  }
}

function bench(random = 1) {
  const timers = new Timers();
  const wires: FakeWire[] = [];
  const log: string[] = [];
  let refuse: Error | null = null;
  let fail: Error | null = null;
  const socket = new LiveSocket(
    'ws://pots/api/v1/live',
    {
      createSocket: () => {
        if (refuse !== null) throw refuse;
        const wire = new FakeWire();
        wires.push(wire);
        return wire;
      },
      random: () => random,
      setTimer: timers.set,
      clearTimer: timers.clear,
    },
    {
      connecting: () => log.push(`connecting ${timers.now}`),
      frame: ({ frame }) => {
        log.push(`frame ${frame.seq}, sent ${wires.at(-1)?.sent.length}`);
        if (fail !== null) throw fail;
      },
      subscription: () => null,
      acknowledged: () => log.push(`acknowledged, sent ${wires.at(-1)?.sent.length}`),
      closed: (ending, problem) => log.push(`closed ${ending}${problem === null ? '' : ` ${problem}`}`),
    },
  );
  const wire = () => {
    const w = wires.at(-1);
    if (w === undefined) throw new Error('no connection was tried');
    return w;
  };
  return {
    timers,
    wires,
    log,
    socket,
    wire,
    refuse: (e: Error | null) => (refuse = e),
    fail: (e: Error | null) => (fail = e),
    say: (data: unknown) => wire().onmessage?.({ data }),
  };
}

const snapshot = readFileSync(new URL('../../../../protocol/testdata/live/frame-snapshot.json', import.meta.url), 'utf8');
const change = (seq: number) => JSON.stringify({ type: 'change', seq, server_t: '2026-11-24T14:32:07.300Z', pots: [] });

test('a frame is acknowledged after it was applied, and only then', () => {
  const b = bench();
  b.socket.start();
  b.say(snapshot);
  b.say(change(2));
  expect(b.log).toEqual(['connecting 0', 'frame 1, sent 0', 'acknowledged, sent 0', 'frame 2, sent 1', 'acknowledged, sent 1']);
  expect(b.wire().sent).toEqual(['{"ack":1}', '{"ack":2}']);
  const vector = readFileSync(new URL('../../../../protocol/testdata/live/request-ack.json', import.meta.url), 'utf8');
  expect(Object.keys(JSON.parse(vector) as object)).toEqual(['ack']);
});

test('a frame that cannot be applied is not acknowledged and ends the connection', () => {
  const b = bench();
  b.socket.start();
  b.fail(new Error('no room'));
  b.say(snapshot);
  expect(b.wire().sent).toEqual([]);
  expect(b.log.at(-1)).toBe('closed closed no room');
});

describe('what breaks the protocol ends the connection', () => {
  test.each([
    ['not JSON', ['{'], /closed refused-frame frame: not JSON/],
    ['not text', [new ArrayBuffer(3)], /closed refused-frame frame: not text/],
    ['a change first', [change(1)], /closed out-of-order/],
    ['a first frame that is not number 1', [change(2)], /closed out-of-order/],
    ['a frame left out', [snapshot, change(3)], /closed out-of-order frame 3 \(change\) after 1/],
    ['a frame twice', [snapshot, snapshot], /closed out-of-order frame 1 \(snapshot\) after 1/],
  ])('%s', (_, messages, want) => {
    const b = bench();
    b.socket.start();
    for (const m of messages) b.say(m);
    expect(b.log.at(-1)).toMatch(want);
    expect(b.wires[0]?.closed).toBe(true);
    b.timers.pass(500);
    expect(b.wires).toHaveLength(2);
  });
});

describe('reconnecting', () => {
  test('waits 0.5 s, doubling to 5 s, of which half is by chance', () => {
    expect([0, 1, 2, 3, 4, 5, 60].map((n) => backoff(n, 1))).toEqual([500, 1000, 2000, 4000, 5000, 5000, 5000]);
    for (let n = 0; n < 80; n++) {
      for (const r of [0, 0.3, 0.999]) {
        expect(backoff(n, r)).toBeGreaterThanOrEqual(500);
        expect(backoff(n, r)).toBeLessThanOrEqual(5000);
      }
    }
    expect(backoff(4, 0)).toBeLessThan(backoff(4, 1));
  });

  test('goes on for ever, and starts short again after a frame', () => {
    const b = bench();
    b.socket.start();
    for (let i = 0; i < 50; i++) {
      b.wire().onclose?.();
      b.timers.pass(5000);
    }
    expect(b.wires.length).toBe(51);
    b.say(snapshot);
    b.wire().onclose?.();
    b.timers.pass(499);
    expect(b.wires).toHaveLength(51);
    b.timers.pass(1);
    expect(b.wires).toHaveLength(52);
  });

  test('an opened connection without a frame does not shorten the wait', () => {
    const b = bench();
    b.socket.start();
    for (let i = 0; i < 4; i++) {
      b.wire().onopen?.();
      b.wire().onclose?.();
      b.timers.pass(5000);
    }
    b.wire().onclose?.();
    b.timers.pass(4900);
    expect(b.wires).toHaveLength(5);
  });

  test('a socket that cannot be made is tried again', () => {
    const b = bench();
    b.refuse(new Error('blocked'));
    b.socket.start();
    expect(b.log).toEqual(['connecting 0', 'closed closed blocked']);
    b.refuse(null);
    b.timers.pass(500);
    b.say(snapshot);
    expect(b.wire().sent).toEqual(['{"ack":1}']);
  });

  test('a silent peer is given up', () => {
    const b = bench();
    b.socket.start();
    b.say(snapshot);
    b.timers.pass(GIVE_UP_MS - 1);
    expect(b.log.at(-1)).toMatch(/acknowledged/);
    b.timers.pass(1);
    expect(b.log.at(-1)).toBe('closed silent');
    expect(b.wires[0]?.closed).toBe(true);
  });

  test('a peer that never answers is given up too', () => {
    const b = bench();
    b.socket.start();
    b.timers.pass(GIVE_UP_MS);
    expect(b.log.at(-1)).toBe('closed silent');
  });

  test('a link 20 s late is heard at last', () => {
    const b = bench();
    b.socket.start();
    for (let s = 0; s < 60; s++) {
      b.timers.pass(1000);
      const tried = b.log.findLast((l) => l.startsWith('connecting'));
      if (b.timers.now - Number(tried?.split(' ')[1]) >= 20_000) break;
    }
    expect(b.wires).toHaveLength(3);
    b.say(snapshot);
    expect(b.wire().sent).toEqual(['{"ack":1}']);
  });

  test('error and close of one connection count once', () => {
    const b = bench();
    b.socket.start();
    const wire = b.wire();
    const { onerror, onclose } = wire;
    onerror?.();
    onclose?.();
    expect(b.log.filter((l) => l.startsWith('closed'))).toHaveLength(1);
  });

  test('what an old connection still says is not heard', () => {
    const b = bench();
    b.socket.start();
    const { onmessage, onclose } = b.wire();
    onclose?.();
    onmessage?.({ data: snapshot });
    expect(b.log).toEqual(['connecting 0', 'closed closed']);
  });

  test('at once when asked, but never twice', () => {
    const b = bench();
    b.socket.start();
    b.wire().onclose?.();
    b.socket.retryNow();
    b.socket.retryNow();
    expect(b.wires).toHaveLength(2);
    b.timers.pass(7000);
    expect(b.wires).toHaveLength(2);
  });

  test('ends with stop, and leaves no timer', () => {
    const b = bench();
    b.socket.start();
    b.socket.start();
    expect(b.wires).toHaveLength(1);
    b.socket.stop();
    expect(b.log.at(-1)).toBe('closed stopped');
    b.socket.retryNow();
    b.timers.pass(60_000);
    expect(b.wires).toHaveLength(1);
    expect(b.timers.pending).toBe(0);
  });
});

describe('acts over the connection', () => {
  const vector = (name: string) => readFileSync(new URL(`../../../../protocol/testdata/live/${name}.json`, import.meta.url), 'utf8');
  const asked = JSON.parse(vector('request-act')) as { act: { request: string; alarm: string; deed: 'shelve'; by: string; note: string; for_s: number } };
  const { request: _, alarm, deed, ...what } = asked.act;

  function acting() {
    const b = bench();
    b.socket.start();
    b.say(snapshot);
    const answers: unknown[] = [];
    const act = () => void b.socket.act(alarm, deed, what)?.then((got) => answers.push(got));
    /** What came of it so far. */
    const got = async () => {
      await Promise.resolve();
      await Promise.resolve();
      return answers;
    };
    const tell = (name: string, request: string) => b.say(JSON.stringify({ ...(JSON.parse(vector(name)) as object), request }));
    return { ...b, act, got, tell };
  }

  test('there are none before a connection has told anything, nor without one', () => {
    const b = bench();
    expect(b.socket.act(alarm, deed, what)).toBeNull();
    b.socket.start();
    b.wire().onopen?.();
    expect(b.socket.act(alarm, deed, what)).toBeNull();
    b.say(snapshot);
    expect(b.socket.act(alarm, deed, what)).not.toBeNull();
    b.wire().onclose?.();
    expect(b.socket.act(alarm, deed, what)).toBeNull();
  });

  test('are asked for as the server reads them, and each has its own outcome, in whatever order', async () => {
    const b = acting();
    b.act();
    b.act();
    expect(b.wire().sent.slice(1).map((t) => JSON.parse(t) as unknown)).toEqual([{ act: { ...asked.act, request: '1' } }, { act: { ...asked.act, request: '2' } }]);
    b.tell('outcome-refused', '2');
    expect(await b.got()).toEqual([{ ok: false, why: 'refused', problem: expect.stringContaining('stay in sight; acknowledge it') }]);
    b.tell('outcome-done', '1');
    b.tell('outcome-done', '1');
    expect((await b.got()).slice(1)).toEqual([{ ok: true, value: null }]);
  });

  test('an outcome is no frame: it is not acknowledged, and frames go on', async () => {
    const b = acting();
    b.act();
    b.tell('outcome-done', '1');
    b.say(vector('outcome-unread'));
    b.say(change(2));
    expect(b.wire().sent.filter((t) => t.includes('ack'))).toEqual(['{"ack":1}', '{"ack":2}']);
    expect(b.log.at(-1)).toMatch(/acknowledged/);
    expect(await b.got()).toEqual([{ ok: true, value: null }]);
  });

  test('what is gone is told apart', async () => {
    const b = acting();
    b.act();
    b.say(JSON.stringify({ type: 'refused', request: '1', problem: { type: 'about:blank', title: 'Not Found', status: 404, detail: 'no alarm of this id' } }));
    expect(await b.got()).toEqual([{ ok: false, why: 'gone', problem: 'no alarm of this id' }]);
  });

  test.each([
    ['the connection ends', (b: ReturnType<typeof acting>) => b.wire().onclose?.()],
    ['the server is silent', (b: ReturnType<typeof acting>) => b.timers.pass(GIVE_UP_MS)],
    ['frames come, and no outcome', (b: ReturnType<typeof acting>) => {
      for (let seq = 2; seq < 13; seq++) {
        b.timers.pass(1000);
        b.say(change(seq));
      }
    }],
  ])('nobody knows where %s', async (_, ends) => {
    const b = acting();
    b.act();
    ends(b);
    expect(await b.got()).toEqual([{ ok: false, why: 'unreached', problem: 'the server did not answer' }]);
    b.socket.stop();
    expect(b.timers.pending).toBe(0);
  });

  test('what cannot be read as an outcome ends the connection', () => {
    const b = acting();
    b.act();
    b.say('{"type":"refused","request":"1"}');
    expect(b.log.at(-1)).toBe('closed refused-frame outcome.problem: not an object');
  });
});
