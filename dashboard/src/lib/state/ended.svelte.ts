// Alarms that have ended: what is stored of them, a page at a time, and each that the stream tells to have ended since, which is asked for by
// itself: the server has it in memory before it is stored.
import type { AlarmBook } from '../net/alarms';
import type { Alarm, StandingAlarm } from '../protocol/types.gen';

/** Where an alarm stands in the list: by when it was raised, the newest first. */
function before(a: Pick<Alarm, 'id' | 'raised'>, b: Pick<Alarm, 'id' | 'raised'>): number {
  return Date.parse(b.raised) - Date.parse(a.raised) || (a.id < b.id ? 1 : a.id > b.id ? -1 : 0);
}

export class EndedAlarms {
  rows = $state.raw<readonly Alarm[]>([]);
  /** There are older ones. */
  older = $state(false);
  /** A page was asked for, and what came of it is told. */
  loaded = $state(false);
  loading = $state(false);
  problem = $state<string | null>(null);
  fault = $state<string | undefined>();
  /** More have ended than the list could follow. */
  more = $state(false);

  readonly #book: Pick<AlarmBook, 'ended' | 'detail'>;
  #pot: string | null = null;
  #next: string | null = null;
  /** Those that left the stream, and which of them were asked for. */
  #left: readonly StandingAlarm[] = [];
  readonly #asked = new Set<string>();
  #queue: string[] = [];
  #running = false;
  /** What was fetched while the list had to hold still. */
  #waiting: Alarm[] = [];
  readonly #still: () => boolean;
  #stop = new AbortController();

  /** still: a finger rests on the page, and nothing may move. */
  constructor(book: Pick<AlarmBook, 'ended' | 'detail'>, still: () => boolean) {
    this.#book = book;
    this.#still = still;
  }

  /** Fetches the newest page anew. pot: of one; null: of all. */
  async show(pot: string | null): Promise<void> {
    this.#pot = pot;
    this.#asked.clear();
    this.#queue = [];
    this.#waiting = [];
    this.more = false;
    await this.#page(null);
  }

  /** Fetches the next page of older ones. */
  async further(): Promise<void> {
    if (this.#next !== null) await this.#page(this.#next);
  }

  /** Looks for what may have ended unseen, as while the connection was lost. Rows that were paged to stay. */
  async renew(): Promise<void> {
    const { signal } = this.#stop;
    const got = await this.#book.ended(this.#pot, null, signal);
    if (signal.aborted) return;
    const known = new Set(this.rows.map((a) => a.id));
    if (!got.ok || (known.size > 0 && got.value.next !== undefined && !got.value.alarms.some((a) => known.has(a.id)))) {
      this.more = true; // nobody knows, or not how many lie between
      return;
    }
    for (const a of got.value.alarms) this.#add(a);
  }

  /** Takes what has left the stream, the newest last; most: it holds no more than so many. */
  follow(left: readonly StandingAlarm[], most: number): void {
    const was = new Set(this.#left.map((a) => a.id));
    if (was.size > 0 && left.length === most && !left.some((a) => was.has(a.id))) this.more = true;
    this.#left = left;
    this.#chase();
  }

  /** Shows what had to wait, once it may; to be asked now and then. */
  settle(): void {
    if (this.#waiting.length === 0 || this.#still()) return;
    const waiting = this.#waiting;
    this.#waiting = [];
    for (const a of waiting) this.#add(a);
  }

  stop(): void {
    this.#stop.abort();
  }

  async #page(after: string | null): Promise<void> {
    this.#stop.abort();
    this.#stop = new AbortController();
    const { signal } = this.#stop;
    this.loading = true;
    const got = await this.#book.ended(this.#pot, after, signal);
    if (signal.aborted) return;
    this.loading = false;
    this.loaded = true;
    if (!got.ok) {
      this.problem = got.problem;
      return;
    }
    this.problem = null;
    this.fault = got.value.fault;
    const fetched = new Set(got.value.alarms.map((a) => a.id));
    this.rows = after === null ? got.value.alarms : [...this.rows.filter((a) => !fetched.has(a.id)), ...got.value.alarms];
    this.#next = got.value.next ?? null;
    this.older = this.#next !== null;
    this.#chase();
  }

  /** belongs tells whether an alarm has its place among the rows, and not on a page that nobody has asked for. */
  #belongs(a: Pick<Alarm, 'id' | 'raised' | 'pot'>): boolean {
    const last = this.rows.at(-1);
    return (this.#pot === null || a.pot === this.#pot) && (!this.older || last === undefined || before(a, last) < 0);
  }

  #chase(): void {
    if (!this.loaded || this.problem !== null) return;
    const shown = new Set(this.rows.map((a) => a.id));
    for (const a of this.#left) {
      if (shown.has(a.id) || this.#asked.has(a.id) || !this.#belongs(a)) continue;
      this.#asked.add(a.id);
      this.#queue.push(a.id);
    }
    void this.#run();
  }

  /** Asks for one after the other. */
  async #run(): Promise<void> {
    if (this.#running) return;
    this.#running = true;
    for (let id = this.#queue.shift(); id !== undefined; id = this.#queue.shift()) {
      const { signal } = this.#stop;
      const got = await this.#book.detail(id, signal);
      if (signal.aborted) this.#asked.delete(id);
      else if (!got.ok) this.more = true;
      else if (got.value.ended !== undefined) this.#add(got.value);
    }
    this.#running = false;
  }

  #add(a: Alarm): void {
    if (this.#still()) this.#waiting.push(a);
    else if (this.#belongs(a) && !this.rows.some((r) => r.id === a.id)) this.rows = [...this.rows, a].toSorted(before);
  }
}
