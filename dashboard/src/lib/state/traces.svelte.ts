// Which stretch of a pot's readings is looked at, and what was fetched of it.
import { bounded, covers, panned, step, wanted, zoomed } from '../charts/history';
import type { View } from '../charts/history';
import type { Stored } from '../net/stored';
import type { History } from '../protocol/types.gen';

/** A view that moves waits so long, ms, before it is fetched. */
const SETTLE_MS = 200;
/** After a fetch that failed the next waits so long, ms. */
const AGAIN_MS = 5000;
/** The least and greatest time after which the newest is fetched anew while it is followed, ms. */
const RENEW_MS = [15_000, 300_000] as const;

export interface TraceDeps {
  readonly pot: string;
  readonly stored: Pick<Stored, 'history'>;
  readonly setTimer: (run: () => void, ms: number) => unknown;
  readonly clearTimer: (timer: unknown) => void;
}

export class TraceState {
  /** The stretch that is looked at; null before the server's time is known. */
  view = $state.raw<View | null>(null);
  /** The view ends now and moves on. */
  following = $state(true);
  history = $state.raw<History | null>(null);
  loading = $state(false);
  problem = $state<string | null>(null);
  /** Length of the view, ms. */
  span = $state(300_000);

  readonly #deps: TraceDeps;
  #width = 600;
  #have: { readonly range: View; readonly step: number; readonly at: number } | null = null;
  #abort: AbortController | null = null;
  #timer: unknown = null;
  #notBefore = 0;
  #now = 0;

  constructor(deps: TraceDeps) {
    this.#deps = deps;
  }

  /** Time goes on: now is the server's, ms; width the drawing's, CSS pixels. */
  tick(now: number, width: number): void {
    this.#now = now;
    this.#width = width;
    if (this.following) this.view = { from: now - this.span, to: now };
    this.#need(0);
  }

  /** Looks at the last ms and follows. */
  last(ms: number): void {
    this.span = ms;
    this.following = true;
    if (this.#now > 0) this.view = { from: this.#now - ms, to: this.#now };
    this.#need(0);
  }

  /** Follows what is new, with the present length. */
  live(): void {
    this.last(this.span);
  }

  pan(share: number): void {
    if (this.view === null) return;
    this.#move(panned(this.view, share, this.#now));
  }

  zoom(factor: number, around: number): void {
    if (this.view === null) return;
    // A view that follows stays at its end.
    const next = zoomed(this.view, factor, this.following ? 1 : around, this.#now);
    this.span = next.to - next.from;
    if (this.following) {
      this.view = next;
      this.#need(SETTLE_MS);
    } else this.#move(next);
  }

  /** Looks at a range of the past. */
  show(view: View): void {
    this.#move(bounded(view, this.#now));
  }

  stop(): void {
    this.#abort?.abort();
    if (this.#timer !== null) this.#deps.clearTimer(this.#timer);
    this.#timer = null;
  }

  #move(view: View): void {
    this.view = view;
    this.span = view.to - view.from;
    this.following = view.to >= this.#now - 500;
    this.#need(SETTLE_MS);
  }

  /** Fetches what the view needs and is not there, once the view has stood still for wait ms. */
  #need(wait: number): void {
    const view = this.view;
    if (view === null || this.#timer !== null || this.#abort !== null || this.#now < this.#notBefore) return;
    if (!this.#lacks(view)) return;
    this.#timer = this.#deps.setTimer(() => {
      this.#timer = null;
      if (this.view !== null && this.#lacks(this.view)) void this.#fetch(this.view);
    }, wait);
  }

  #lacks(view: View): boolean {
    const have = this.#have;
    if (have === null) return true;
    const stepS = step(view.to - view.from, this.#width);
    if (this.following) {
      const renew = Math.min(RENEW_MS[1], Math.max(RENEW_MS[0], 20 * stepS * 1000));
      return have.step !== stepS || have.range.from > view.from || this.#now - have.at > renew;
    }
    // What is fetched ends when it was asked for; the live tail goes on from there.
    return !covers(have.range, have.step, view, stepS, Math.min(this.#now, have.at));
  }

  async #fetch(view: View): Promise<void> {
    const abort = new AbortController();
    const stepS = step(view.to - view.from, this.#width);
    const range = wanted(view, stepS, this.#now);
    const at = this.#now;
    this.#abort = abort;
    this.loading = true;
    const got = await this.#deps.stored.history(this.#deps.pot, range.from, range.to, stepS, abort.signal);
    if (abort.signal.aborted) return;
    this.#abort = null;
    this.loading = false;
    if (got.ok) {
      this.problem = null;
      this.history = got.value;
      this.#have = { range, step: stepS, at };
      this.#need(SETTLE_MS);
    } else {
      this.problem = got.problem;
      this.#notBefore = this.#now + AGAIN_MS;
    }
  }
}
