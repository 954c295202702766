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
/** So many pots move with one look at the most: each that comes into sight must be laid out, and many at once would hold up the page. */
export const MOVES = 12;

export class SteadyOrder {
  #names: readonly string[] = [];
  /** What the order was last made of, where it is the one that is wanted: with many pots sorting costs more than all else here. */
  #settled: readonly Entry[] | null = null;
  /** The order that a change under way leads to. */
  #target: readonly string[] | null = null;
  #changed = Number.NEGATIVE_INFINITY;
  /** All names in the order of people, as of the last change of who is there. */
  #byName: readonly string[] = [];

  /** The order to show at the instant mono, ms. New pots appear and gone ones vanish at once; moves wait. */
  update(entries: readonly Entry[], mono: number, pointerDown: boolean): readonly string[] {
    if (this.#settled !== null && same(this.#settled, entries)) return this.#names;
    this.#settled = null;
    const want = this.#sorted(entries);
    const shown = new Set(this.#names);
    if (want.length !== shown.size || want.some((n) => !shown.has(n))) {
      if (shown.size === 0) this.#changed = mono;
      const wanted = new Set(want);
      this.#names = [...this.#names.filter((n) => wanted.has(n)), ...want.filter((n) => !shown.has(n))];
      this.#target = null;
    }
    if (want.every((n, i) => n === this.#names[i])) {
      this.#settled = entries;
      this.#target = null;
      return this.#names;
    }
    if (pointerDown || (this.#target === null && mono - this.#changed < REORDER_MS)) return this.#names;
    // A change under way goes on to where it began to lead, so that it ends, whatever changes meanwhile.
    const target = this.#target ?? want;
    this.#names = toward(this.#names, target, MOVES);
    this.#target = this.#names.every((n, i) => n === target[i]) ? null : target;
    if (this.#target === null) {
      this.#changed = mono;
      if (target === want) this.#settled = entries;
    }
    return this.#names;
  }

  #sorted(entries: readonly Entry[]): readonly string[] {
    const urgencies = new Map(entries.map((e) => [e.name, e.urgency]));
    if (urgencies.size !== this.#byName.length || !this.#byName.every((n) => urgencies.has(n))) this.#byName = [...urgencies.keys()].toSorted(byName);
    return ([0, 1, 2, 3] as const).flatMap((u) => this.#byName.filter((n) => urgencies.get(n) === u));
  }
}

/** toward moves up to so many of the names to where target has them, the first of target's that stand wrong; the others stay as they are. Both have the same names. */
export function toward(names: readonly string[], target: readonly string[], moves: number): readonly string[] {
  const at = new Map(names.map((n, i) => [n, i]));
  const right = ascending(target.map((n) => at.get(n) ?? 0));
  const wrong = target.filter((_, i) => !right.has(i));
  if (wrong.length <= moves) return target;
  const moved = new Set(wrong.slice(0, moves));
  const later = new Set(wrong.slice(moves));
  // Whoever moves goes right behind the one before it, or to the front.
  const behind = new Map<string | null, string[]>();
  let before: string | null = null;
  for (const n of target) {
    if (moved.has(n)) behind.set(before, [...(behind.get(before) ?? []), n]);
    else if (!later.has(n)) before = n;
  }
  return [...(behind.get(null) ?? []), ...names.filter((n) => !moved.has(n)).flatMap((n) => [n, ...(behind.get(n) ?? [])])];
}

/** ascending is where a longest ascending part of distinct numbers stands (patience sorting). */
function ascending(values: readonly number[]): ReadonlySet<number> {
  const ends: number[] = []; // where the best part of each length ends
  const before: number[] = [];
  values.forEach((v, i) => {
    let [low, high] = [0, ends.length];
    while (low < high) {
      const mid = (low + high) >> 1;
      if ((values[ends[mid] ?? 0] ?? 0) < v) low = mid + 1;
      else high = mid;
    }
    before[i] = ends[low - 1] ?? -1;
    ends[low] = i;
  });
  const out = new Set<number>();
  for (let i = ends.at(-1) ?? -1; i >= 0; i = before[i] ?? -1) out.add(i);
  return out;
}

function same(a: readonly Entry[], b: readonly Entry[]): boolean {
  return a === b || (a.length === b.length && a.every((e, i) => e.name === b[i]?.name && e.urgency === b[i].urgency));
}

const collator = new Intl.Collator('en', { numeric: true });

/** Names in the order of people: pot-2 before pot-10. */
export function byName(a: string, b: string): number {
  return collator.compare(a, b);
}
