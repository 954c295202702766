// An order that holds still under the finger.
import { REORDER_MS } from './order';

/** A list of ids in somebody else's order, which moves rarely and never while a finger or button is down. */
export class SteadyList {
  #ids: readonly string[] = [];
  #changed = Number.NEGATIVE_INFINITY;

  /**
   * The ids to show at the instant mono, ms. While pressing nothing changes, so that an id may be shown that is gone. Else gone
   * ones vanish and new ones appear at the end at once; moves wait.
   */
  update(want: readonly string[], mono: number, pressing: boolean): readonly string[] {
    if (pressing || (want.length === this.#ids.length && want.every((id, i) => id === this.#ids[i]))) return this.#ids;
    if (mono - this.#changed >= REORDER_MS) {
      this.#ids = want;
      this.#changed = mono;
      return want;
    }
    const wanted = new Set(want);
    const shown = new Set(this.#ids);
    if (want.length !== this.#ids.length || want.some((id) => !shown.has(id))) {
      this.#ids = [...this.#ids.filter((id) => wanted.has(id)), ...want.filter((id) => !shown.has(id))];
    }
    return this.#ids;
  }
}
