// The level's past: what the records tell of each blast, and since this page looks at the pot what it saw itself, which is finer.
import { LevelMemory, LONGEST_MIN, ofCycle } from '../charts/level';
import type { LevelAt } from '../charts/level';
import type { Stored } from '../net/stored';
import type { Cycle } from '../protocol/types.gen';

export class LevelPast {
  problem = $state<string | null>(null);
  #cycles = $state.raw<readonly Cycle[]>([]);
  #seen = $state.raw<readonly LevelAt[]>([]);
  readonly #pot: string;
  readonly #stored: Pick<Stored, 'since'>;
  readonly #memory: LevelMemory;
  /** From when on the records were asked for, ms; null: not yet. */
  #from: number | null = null;
  #abort: AbortController | null = null;

  /** memory: what the page saw of the pot so far. */
  constructor(pot: string, stored: Pick<Stored, 'since'>, memory: LevelMemory) {
    this.#pot = pot;
    this.#stored = stored;
    this.#memory = memory;
    this.#seen = memory.list;
  }

  /** The past in the order of time. A blast that the page saw is told by what it saw. */
  readonly list: readonly LevelAt[] = $derived.by(() => {
    const first = this.#seen[0]?.at ?? Infinity;
    const told = this.#cycles.flatMap(ofCycle).filter((l) => l.at < first);
    // The level stands still between two blasts, and a refill is seen with the next one.
    return [...told.flatMap((l, i) => stands(told[i - 1], l)), ...this.#seen];
  });

  /** Takes what an estimate says of the level. */
  add(level: LevelAt): void {
    if (this.#memory.add(level)) this.#seen = this.#memory.list;
  }

  /** Fetches what the records tell from an instant on, ms; what is known already is not asked for again. */
  async reach(from: number): Promise<void> {
    const known = this.#from !== null && this.#from <= from ? this.#cycles.at(-1) : undefined;
    this.#abort?.abort();
    const abort = new AbortController();
    this.#abort = abort;
    const got = await this.#stored.since(this.#pot, known === undefined ? from : Date.parse(known.press), abort.signal);
    if (abort.signal.aborted) return;
    this.problem = got.ok ? null : got.problem;
    if (!got.ok) return;
    const fetched = got.value.cycles.toReversed();
    const presses = new Set(fetched.map((c) => c.press));
    const before = known === undefined ? [] : this.#cycles.filter((c) => !presses.has(c.press) && Date.parse(c.t) > Date.parse(got.value.server_t) - LONGEST_MIN * 60_000);
    this.#cycles = [...before, ...fetched];
    if (known === undefined) this.#from = from;
  }

  stop(): void {
    this.#abort?.abort();
  }
}

/** stands gives a level, and before it the last one at the same instant where they differ. */
function stands(last: LevelAt | undefined, level: LevelAt): readonly LevelAt[] {
  return last === undefined || !level.begins ? [level] : [{ ...last, at: level.at }, level];
}
