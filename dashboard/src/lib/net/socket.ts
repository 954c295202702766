// The live connection: reconnects by itself, acknowledges a frame only after it has been applied, and gives up a
// connection that breaks the protocol or says nothing. Everything from outside is injected; no Svelte here.
import { decodeMessage } from '../protocol/decode';
import type { Decoded, Told } from '../protocol/decode';
import type { AlarmAct, AlarmDeed, Request } from '../protocol/types.gen';
import { PATIENCE_MS } from './ask';
import type { Got } from './ask';

/** What is used of a WebSocket. */
export interface Wire {
  send(text: string): void;
  close(): void;
  onopen: (() => void) | null;
  onmessage: ((event: { readonly data: unknown }) => void) | null;
  onclose: (() => void) | null;
  onerror: (() => void) | null;
}

export interface Deps {
  readonly createSocket: (url: string) => Wire;
  /** Uniform in 0 to 1. */
  readonly random: () => number;
  readonly setTimer: (run: () => void, ms: number) => unknown;
  readonly clearTimer: (timer: unknown) => void;
}

/** Why a connection ended. */
export type Ending = 'closed' | 'silent' | 'refused-frame' | 'out-of-order' | 'stopped';

export interface Handlers {
  /** A connection is being tried. */
  readonly connecting: () => void;
  /** Takes a frame; when it returns, the frame is acknowledged. What it throws ends the connection. */
  readonly frame: (decoded: Decoded) => void;
  /** The names to subscribe to, asked with the first frame of a connection; null: all. */
  readonly subscription: () => readonly string[] | null;
  /** The acknowledgement of the last frame is about to be sent. */
  readonly acknowledged: () => void;
  /** The connection, or the attempt, is over. problem tells people more, where there is more. */
  readonly closed: (ending: Ending, problem: string | null) => void;
}

/** Waiting time before the n-th attempt in a row (from 0), ms: 0.5 s doubling to 5 s, of which half is by chance. */
export function backoff(n: number, random: number): number {
  const full = Math.min(500 * 2 ** Math.min(n, 10), 5000);
  return Math.max(500, full / 2 + (full / 2) * random);
}

/**
 * A connection that says nothing for so long is given up, ms: a peer that vanished sends no close. After attempts
 * without a frame the patience doubles, twice at most, so that a very late link is heard at last.
 */
export const GIVE_UP_MS = 8000;

const unreached: Got<null> = { ok: false, why: 'unreached', problem: 'the server did not answer' };

export class LiveSocket {
  readonly #url: string;
  readonly #deps: Deps;
  readonly #handlers: Handlers;
  #wire: Wire | null = null;
  #attempt = 0;
  #seq = 0;
  #retry: unknown = null;
  #watch: unknown = null;
  #running = false;
  #acts = 0;
  /** Who waits for the outcome of an act of the present connection, by its request. */
  readonly #waiting = new Map<string, (got: Got<null>) => void>();

  constructor(url: string, deps: Deps, handlers: Handlers) {
    this.#url = url;
    this.#deps = deps;
    this.#handlers = handlers;
  }

  start(): void {
    if (this.#running) return;
    this.#running = true;
    this.#connect();
  }

  stop(): void {
    this.#running = false;
    this.#deps.clearTimer(this.#retry);
    this.#retry = null;
    if (this.#wire !== null) this.#end(this.#wire, 'stopped', null);
  }

  /** Tries at once instead of waiting; does nothing while connected. */
  retryNow(): void {
    if (!this.#running || this.#wire !== null) return;
    this.#deps.clearTimer(this.#retry);
    this.#attempt = 0;
    this.#connect();
  }

  /** Asks the present connection for these pots alone, once it has told of all; does nothing while there is none. */
  subscribe(names: readonly string[]): void {
    if (this.#wire === null || this.#seq === 0) return;
    try {
      this.#send(this.#wire, { subscribe: names });
    } catch (e) {
      this.#end(this.#wire, 'closed', e instanceof Error ? e.message : String(e));
    }
  }

  /**
   * Asks over the present connection that something is done with an alarm; null while there is none that has told of anything. Where it
   * ends, or nothing comes, nobody knows whether it was done.
   */
  act(id: string, deed: AlarmDeed, act: AlarmAct): Promise<Got<null>> | null {
    const wire = this.#wire;
    if (wire === null || this.#seq === 0) return null;
    const request = String(++this.#acts);
    return new Promise((done) => {
      const timer = this.#deps.setTimer(() => this.#settle(request, unreached), PATIENCE_MS);
      this.#waiting.set(request, (got) => {
        this.#deps.clearTimer(timer);
        done(got);
      });
      try {
        this.#send(wire, { act: { request, alarm: id, deed, ...act } });
      } catch (e) {
        this.#end(wire, 'closed', e instanceof Error ? e.message : String(e));
      }
    });
  }

  #settle(request: string, got: Got<null>): void {
    const waits = this.#waiting.get(request);
    this.#waiting.delete(request);
    waits?.(got);
  }

  #told({ type, request, status, problem }: Told): void {
    if (request === null) return; // of nothing that this page has sent
    const refused: Got<null> = { ok: false, why: status === 404 ? 'gone' : 'refused', problem: problem ?? `status ${status}` };
    this.#settle(request, type === 'done' ? { ok: true, value: null } : refused);
  }

  #connect(): void {
    this.#retry = null;
    this.#seq = 0;
    this.#handlers.connecting();
    let wire: Wire;
    try {
      wire = this.#deps.createSocket(this.#url);
    } catch (e) {
      this.#handlers.closed('closed', e instanceof Error ? e.message : null);
      this.#later();
      return;
    }
    this.#wire = wire;
    wire.onopen = () => this.#rewatch(wire);
    wire.onmessage = (event) => this.#message(wire, event.data);
    wire.onclose = () => this.#end(wire, 'closed', null);
    wire.onerror = () => this.#end(wire, 'closed', null);
    this.#rewatch(wire);
  }

  #message(wire: Wire, data: unknown): void {
    if (wire !== this.#wire) return;
    this.#rewatch(wire);
    const decoding = typeof data === 'string' ? decodeMessage(data) : ({ ok: false, problem: 'frame: not text' } as const);
    if (!decoding.ok) {
      this.#end(wire, 'refused-frame', decoding.problem);
      return;
    }
    if ('told' in decoding) {
      this.#told(decoding.told);
      return;
    }
    const { seq, type } = decoding.frame;
    if (seq !== this.#seq + 1 || (seq === 1 && type !== 'snapshot')) {
      this.#end(wire, 'out-of-order', `frame ${seq} (${type}) after ${this.#seq}`);
      return;
    }
    this.#seq = seq;
    try {
      this.#handlers.frame(decoding);
      this.#handlers.acknowledged();
      const names = seq === 1 ? this.#handlers.subscription() : null;
      this.#send(wire, { ack: seq, ...(names !== null && { subscribe: names }) });
    } catch (e) {
      this.#end(wire, 'closed', e instanceof Error ? e.message : String(e));
      return;
    }
    this.#attempt = 0;
  }

  #send(wire: Wire, request: Request): void {
    wire.send(JSON.stringify(request));
  }

  #rewatch(wire: Wire): void {
    this.#deps.clearTimer(this.#watch);
    this.#watch = this.#deps.setTimer(() => this.#end(wire, 'silent', null), GIVE_UP_MS * 2 ** Math.min(this.#attempt, 2));
  }

  #end(wire: Wire, ending: Ending, problem: string | null): void {
    if (wire !== this.#wire) return;
    this.#wire = null;
    this.#deps.clearTimer(this.#watch);
    wire.onopen = wire.onmessage = wire.onclose = wire.onerror = null;
    wire.close();
    for (const request of [...this.#waiting.keys()]) this.#settle(request, unreached);
    this.#handlers.closed(ending, problem);
    if (this.#running) this.#later();
  }

  #later(): void {
    this.#retry = this.#deps.setTimer(() => this.#connect(), backoff(this.#attempt, this.#deps.random()));
    this.#attempt++;
  }
}
