// R10, the lease: an answer is shown only while the sample behind it is proven younger than 3 s, on a page that was
// awake and seen all that time. Anything else is NOT PROVEN. This file can only lower a word, never raise one.
//
// The age is reckoned for the worst case. A frame is sent only after the one before it was acknowledged, so it
// cannot have been sent earlier than that acknowledgement (the first of a connection: than the attempt to connect).
// The sample was age_s old then, at the most. A link that is always late, or a frame that waited in a sleeping
// tablet, therefore counts with its full delay, without trusting any wall clock.

/** What lowers an answer on the page itself. */
export const lapses = [
  'connection-lost',
  'page-hidden',
  'page-woken',
  'page-restored',
  'no-frame',
  'not-confirmed',
  'lease-ended',
  'unreadable',
  'contradiction',
] as const;
export type Lapse = (typeof lapses)[number];

/** An instant on the page, ms: monotonic (performance.now) and wall (Date.now). */
export interface Now {
  readonly mono: number;
  readonly wall: number;
}

/** What is kept of a frame's arrival, ms on the monotonic clock. */
export interface Stamp {
  readonly arrived: number;
  /** The earliest instant at which the frame can have been sent. */
  readonly floor: number;
  /** The lease's unbroken run in which the floor lies; null: no proof, whatever the frame says. */
  readonly run: number | null;
}

/** How old the sample behind a shown answer may be (R10). */
export const LEASE_MS = 3000;
/** How long the page waits for a frame before it trusts nothing. */
export const SILENCE_MS = 2000;
/** A gap between two looks at the clock that tells a frozen or woken page. */
export const JUMP_MS = 1500;
/** Time between two looks at the clock; an answer must hold until the next look. */
export const TICK_MS = 200;

export class Lease {
  #run = 0;
  #cause: 'page-hidden' | 'page-woken' | 'page-restored' | 'connection-lost' = 'connection-lost';
  #visible = true;
  #open = false;
  #last: Now | null = null;
  #floor: { readonly at: number; readonly run: number } | null = null;
  #arrived: number | null = null;
  #unacknowledged = false;

  /** Looks at the clock; every event does so first. A jump means the page was frozen: the run breaks. */
  observe(now: Now): void {
    const last = this.#last;
    this.#last = now;
    if (last === null) return;
    const mono = now.mono - last.mono;
    const wall = now.wall - last.wall;
    // Some machines stop the monotonic clock while they sleep; the wall clock then tells.
    if (mono > JUMP_MS || mono < 0 || Math.abs(wall - mono) > JUMP_MS) this.#break('page-woken');
  }

  hidden(now: Now): void {
    this.observe(now);
    this.#visible = false;
    this.#break('page-hidden');
  }

  shown(now: Now): void {
    this.observe(now);
    this.#visible = true;
    this.#break('page-hidden');
  }

  /** The page came back from the browser's cache of pages, or was resumed after a freeze. */
  restored(now: Now): void {
    this.observe(now);
    this.#break('page-restored');
  }

  /** A connection is being tried: its first frame cannot have been sent before now. */
  connecting(now: Now): void {
    this.observe(now);
    this.#open = true;
    this.#arrived = null;
    this.#unacknowledged = false;
    this.#floor = { at: now.mono, run: this.#run };
  }

  closed(now: Now): void {
    this.observe(now);
    this.#open = false;
    this.#break('connection-lost');
  }

  /** A frame arrived. Its answers count by the stamp. */
  arrived(now: Now): Stamp {
    this.observe(now);
    const floor = this.#floor;
    this.#floor = null; // each acknowledgement answers for one frame
    this.#arrived = now.mono;
    this.#unacknowledged = true;
    if (floor === null || !this.#open) return { arrived: now.mono, floor: Number.NEGATIVE_INFINITY, run: null };
    return { arrived: now.mono, floor: floor.at, run: floor.run };
  }

  /** The frame was applied and is acknowledged now: the next cannot have been sent before. */
  acknowledged(now: Now): void {
    this.observe(now);
    this.#unacknowledged = false;
    this.#floor = { at: now.mono, run: this.#run };
  }

  /**
   * Why an answer may not be shown at the instant mono, or null where it may until the next look at the clock.
   * age_s: age at sending of the sample behind it, s, worst case; undefined where none stands behind it.
   */
  lapse(stamp: Stamp, age_s: number | undefined, mono: number): Lapse | null {
    if (!this.#open) return 'connection-lost';
    if (!this.#visible) return 'page-hidden';
    if (this.#last !== null && (mono - this.#last.mono > JUMP_MS || mono < this.#last.mono - JUMP_MS)) return 'page-woken';
    if (this.#arrived === null) return this.#run === stamp.run ? 'not-confirmed' : this.#cause;
    if (mono - this.#arrived + TICK_MS > SILENCE_MS) return 'no-frame';
    if (this.#unacknowledged) return 'not-confirmed';
    if (stamp.run !== this.#run) return stamp.run === null ? 'not-confirmed' : this.#cause;
    return this.remaining(stamp, age_s, mono) > TICK_MS ? null : 'lease-ended';
  }

  /** How long an answer could still be shown, ms; never more than LEASE_MS. */
  remaining(stamp: Stamp, age_s: number | undefined, mono: number): number {
    if (age_s === undefined || !(age_s >= 0)) return Number.NEGATIVE_INFINITY;
    const sample = LEASE_MS - (age_s * 1000 + (mono - stamp.floor));
    const frame = this.#arrived === null ? 0 : SILENCE_MS - (mono - this.#arrived);
    return Math.min(sample, frame, LEASE_MS);
  }

  #break(cause: 'page-hidden' | 'page-woken' | 'page-restored' | 'connection-lost'): void {
    this.#run++;
    this.#cause = cause;
  }
}
