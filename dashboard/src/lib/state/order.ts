// Who needs someone first, and an order that holds still: a pot moves only when its urgency changed, not more often
// than every few seconds, and never while a finger or button is down.
import { SOON_MIN } from '../charts/range';
import type { Pot, Priority } from '../protocol/types.gen';

/**
 * 0: a vessel holds pressure after a stalled vent, or a critical alarm is in sight; 1: something is wrong or silent; 2: something
 * will need someone soon; 3: as it should be.
 */
export type Urgency = 0 | 1 | 2 | 3;

/** Reasons that pass by themselves in normal work; all others ask for someone. */
const passing: ReadonlySet<string> = new Set([
  'over-limit', 'settling', 'no-vent-seen', 'press-since-release', 'control-pressed', 'hose-pressure', 'nozzle-pressure',
  'no-second-witness', 'no-echo', 'guard-differs', 'log-too-slow',
]);

/** asks tells whether a reason asks for someone to look. An unknown code does. */
export function asks(code: string): boolean {
  return !passing.has(code);
}

/**
 * urgency goes by what the server said last, not by the page's own lease: a lost link must not shuffle the page. worst is the most
 * urgent alarm in sight of the pot; null: none.
 */
export function urgency(pot: Pot, worst: Priority | null = null): Urgency {
  if (pot.state === 'held' || worst === 'critical') return 0;
  if (pot.state === 'unknown' || worst === 'high' || pot.answer.because.some(asks)) return 1;
  if (worst !== null || (pot.empty_s !== undefined && pot.empty_s.p50 < SOON_MIN * 60)) return 2;
  return 3;
}

interface Entry {
  readonly name: string;
  readonly urgency: Urgency;
}

/** Time between two changes of the order, ms. */
export const REORDER_MS = 4000;

export class SteadyOrder {
  #names: readonly string[] = [];
  /** What the order was last made of, where it is the one that is wanted: with many pots sorting costs more than all else here. */
  #settled: readonly Entry[] | null = null;
  #changed = Number.NEGATIVE_INFINITY;

  /** The order to show at the instant mono, ms. New pots appear and gone ones vanish at once; moves wait. */
  update(entries: readonly Entry[], mono: number, pointerDown: boolean): readonly string[] {
    if (this.#settled !== null && same(this.#settled, entries)) return this.#names;
    this.#settled = null;
    const want = entries.toSorted((a, b) => a.urgency - b.urgency || byName(a.name, b.name)).map((e) => e.name);
    const membership = want.length !== this.#names.length || want.some((n) => !this.#names.includes(n));
    if (!membership && want.every((n, i) => n === this.#names[i])) {
      this.#settled = entries;
      return this.#names;
    }
    if (pointerDown || mono - this.#changed < REORDER_MS) {
      if (membership) {
        const wanted = new Set(want);
        const shown = new Set(this.#names);
        this.#names = [...this.#names.filter((n) => wanted.has(n)), ...want.filter((n) => !shown.has(n))];
      }
      return this.#names;
    }
    this.#names = want;
    this.#changed = mono;
    this.#settled = entries;
    return want;
  }
}

function same(a: readonly Entry[], b: readonly Entry[]): boolean {
  return a.length === b.length && a.every((e, i) => e.name === b[i]?.name && e.urgency === b[i].urgency);
}

const collator = new Intl.Collator('en', { numeric: true });

/** Names in the order of people: pot-2 before pot-10. */
export function byName(a: string, b: string): number {
  return collator.compare(a, b);
}
