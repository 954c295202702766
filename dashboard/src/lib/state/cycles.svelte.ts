// A pot's recorded cycles, a page at a time.
import type { Stored } from '../net/stored';
import type { Cycle } from '../protocol/types.gen';

export const PAGE = 8;

export class CyclePages {
  list = $state.raw<readonly Cycle[] | null>(null);
  problem = $state<string | null>(null);
  fault = $state<string | null>(null);
  loading = $state(false);
  /** There is an older page. */
  older = $state(false);
  /** Which page is shown; 0: the newest. */
  page = $state(0);

  readonly #pot: string;
  readonly #stored: Pick<Stored, 'cycles'>;
  /** How each page is asked for; the first without anything. */
  #marks: (string | null)[] = [null];
  #abort: AbortController | null = null;

  constructor(pot: string, stored: Pick<Stored, 'cycles'>) {
    this.#pot = pot;
    this.#stored = stored;
  }

  /** Fetches a page anew; page must be one that was reached, or the next. */
  async show(page: number): Promise<void> {
    const mark = this.#marks[page];
    if (mark === undefined) return;
    this.#abort?.abort();
    const abort = new AbortController();
    this.#abort = abort;
    this.loading = true;
    const got = await this.#stored.cycles(this.#pot, PAGE, mark, abort.signal);
    if (abort.signal.aborted) return;
    this.loading = false;
    if (!got.ok) {
      this.problem = got.problem;
      return;
    }
    this.problem = null;
    this.fault = got.value.fault ?? null;
    this.list = got.value.cycles;
    this.page = page;
    this.#marks = this.#marks.slice(0, page + 1);
    if (got.value.next !== undefined) this.#marks.push(got.value.next);
    this.older = got.value.next !== undefined;
  }

  /** A blast may have ended: the newest page is fetched anew, if it is the one that is shown. */
  async renew(): Promise<void> {
    if (this.page === 0) await this.show(0);
  }

  stop(): void {
    this.#abort?.abort();
  }
}
