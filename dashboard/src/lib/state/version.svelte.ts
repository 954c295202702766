// Whether the server serves a newer page than this one. It is asked after each loss of the connection, for a server is
// renewed by a stop and a start, and whenever the server sends what this page cannot read.

/** What is needed of the browser. */
export interface Page {
  /** The text of the page as the server serves it now. */
  readonly fetch: () => Promise<string>;
  readonly reload: () => void;
  readonly store: Pick<Storage, 'getItem' | 'setItem'> | null;
}

const KEY = 'gritwatch.reloaded';

/** buildOf is the build that a page's text says to be; null where it says none. */
export function buildOf(text: string): string | null {
  return /<meta name="build" content="([^"]+)"/.exec(text)?.[1] ?? null;
}

export class Version {
  readonly #page: Page;
  readonly #own: string | null;
  /** The build that the server serves, where it is another one; null: it is this one, as far as is known. */
  newer = $state<string | null>(null);
  /** The page was reloaded for that build already, and is not it: reloading alone does not help. */
  stuck = $state(false);
  #asking = false;

  /** own: the build of this page; null: it was not built. */
  constructor(own: string | null, page: Page) {
    this.#own = own;
    this.#page = page;
  }

  async check(): Promise<void> {
    if (this.#own === null || this.#asking) return;
    this.#asking = true;
    try {
      const now = buildOf(await this.#page.fetch());
      if (now === null) return; // no page of this project: says nothing
      this.newer = now === this.#own ? null : now;
      this.stuck = this.newer !== null && this.#last() === this.newer;
    } catch {
      return; // not reached: the next connection asks again
    } finally {
      this.#asking = false;
    }
  }

  /** Reloads, and remembers for which build, so that it is not done again and again. */
  reload(): void {
    try {
      if (this.newer !== null) this.#page.store?.setItem(KEY, this.newer);
    } catch {
      // It may then be reloaded once more.
    }
    this.#page.reload();
  }

  #last(): string | null {
    try {
      return this.#page.store?.getItem(KEY) ?? null;
    } catch {
      return null;
    }
  }
}
