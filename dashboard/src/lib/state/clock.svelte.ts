// Time on the page: one monotonic clock that ticks, and the server's time reckoned on it.
import { TICK_MS } from './lease';
import type { Now } from './lease';

/** As many as there are looks in a second. */
export const TURNS = 1000 / TICK_MS;

export class Clock {
  readonly #read: () => Now;
  /** Monotonic time of the last look, ms. */
  mono = $state(0);
  /** The same in steps of a second, never behind, each at its own time within it: of many that follow them not all are at once. */
  readonly turns: number[] = $state(Array.from({ length: TURNS }, () => 0));
  /** Server time in whole seconds, ms, for what is told in seconds; null before the first frame. */
  second = $state<number | null>(null);
  /** Server time less monotonic time, ms, as of the newest frame; null before the first. */
  #offset = $state<number | null>(null);

  constructor(read: () => Now) {
    this.#read = read;
    this.look();
  }

  /** Looks at the clock; what is derived from mono follows. */
  look(): Now {
    const now = this.#read();
    this.mono = now.mono;
    for (let k = 0; k < TURNS; k++) this.turns[k] = Math.ceil(now.mono / 1000 - k / TURNS) * 1000 + (k / TURNS) * 1000;
    this.second = this.server === null ? null : Math.floor(this.server / 1000) * 1000;
    return now;
  }

  /** Takes the server's time from a frame that has just arrived. */
  setServer(server_t: string, now: Now): void {
    this.#offset = Date.parse(server_t) - now.mono;
  }

  /** Server time now, ms since the epoch; null before the first frame. */
  get server(): number | null {
    return this.#offset === null ? null : this.#offset + this.mono;
  }
}
