// The vent of a recorded cycle, from what is stored of the vessel's readings.
import type { Stored } from '../net/stored';
import type { Cycle, VentTrace } from '../protocol/types.gen';

/** How much of a vent is shown, s: twice as long as it took to settle, within bounds; of one that did not settle all up to the next press. */
const LEAST_S = 15;
const MOST_S = 120;
/** Length of a step, s. */
const STEP_S = 0.2;

export class PastVent {
  cycle = $state.raw<Cycle | null>(null);
  trace = $state.raw<VentTrace | null>(null);
  problem = $state<string | null>(null);
  loading = $state(false);
  /** It was chosen by a person; else it is the newest there is. */
  chosen = $state(false);

  readonly #pot: string;
  readonly #stored: Pick<Stored, 'history'>;
  #abort: AbortController | null = null;

  constructor(pot: string, stored: Pick<Stored, 'history'>) {
    this.#pot = pot;
    this.#stored = stored;
  }

  /** Fetches the vent of a cycle, chosen by a person or the newest. */
  async show(cycle: Cycle, chosen: boolean): Promise<void> {
    if (!chosen && (this.chosen || this.cycle?.release === cycle.release)) return;
    this.stop();
    this.chosen = chosen;
    const abort = new AbortController();
    this.#abort = abort;
    this.cycle = cycle;
    this.trace = null;
    this.problem = null;
    this.loading = true;
    const from = Date.parse(cycle.release);
    const { settled_s } = cycle.vent;
    const length = Math.min(MOST_S, settled_s === undefined ? Math.max(1, (Date.parse(cycle.t) - from) / 1000) : Math.max(LEAST_S, 2 * settled_s));
    const got = await this.#stored.history(this.#pot, from, from + length * 1000, STEP_S, abort.signal, 'vessel');
    if (abort.signal.aborted) return;
    this.loading = false;
    if (!got.ok) {
      this.problem = got.problem;
      return;
    }
    const t_s: number[] = [];
    const p_pa: number[] = [];
    const means = got.value.traces[0]?.good.mean_pa ?? [];
    means.forEach((pa, i) => {
      if (pa === null) return;
      t_s.push((i + 0.5) * got.value.step_s);
      p_pa.push(pa);
    });
    this.trace = { t_s, p_pa };
  }

  /** Back to the live vent. */
  clear(): void {
    this.stop();
    this.cycle = null;
    this.trace = null;
    this.problem = null;
    this.loading = false;
    this.chosen = false;
  }

  stop(): void {
    this.#abort?.abort();
    this.#abort = null;
  }
}
