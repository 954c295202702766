// Stored readings for drawing: which range and step to ask for, columns with gaps, and how a view moves. Pure.
import { points } from '../protocol/types.gen';
import type { History, Point, Pot, Unit } from '../protocol/types.gen';
import { perUnit } from '../units/format';

/** A range of the server's time, ms since the epoch: from taken in, to left out. */
export interface View {
  readonly from: number;
  readonly to: number;
}

const S = 1000;
const MIN = 60 * S;
const H = 60 * MIN;
const DAY = 24 * H;

/** Lengths that can be chosen. */
export const spans = [
  { id: '1min', ms: MIN },
  { id: '5min', ms: 5 * MIN },
  { id: '15min', ms: 15 * MIN },
  { id: '1h', ms: H },
  { id: '8h', ms: 8 * H },
  { id: '1d', ms: DAY },
  { id: '1w', ms: 7 * DAY },
] as const;
export type Span = (typeof spans)[number]['id'];

export const SHORTEST_MS = 5 * S;
export const LONGEST_MS = 31 * DAY;
/** How far back the server keeps readings at the most, ms. */
export const BACK_MS = 400 * DAY;

/** Steps between the marks of time, s. A phone's narrow drawing needs those of twice as well, or a view of 5 min has one mark. */
export const markSteps: number[] = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 10_800, 14_400, 21_600, 28_800, 43_200].concat(
  [1, 2, 3, 4, 5, 6, 7, 8, 10, 15].map((days) => (days * DAY) / S),
);

/** Steps to ask for, s. */
const steps: readonly number[] = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600];

/** step is the length of a step, s, with which a range of ms fills a width, CSS pixels, at two pixels a step. */
export function step(ms: number, width: number): number {
  const most = Math.min(1000, Math.max(50, Math.floor(width / 2)));
  return steps.find((s) => ms <= s * S * most) ?? 43_200;
}

/** wanted is what to ask the server for: the view and half of it on either side, on whole steps, not beyond now. */
export function wanted(view: View, stepS: number, now: number): View {
  const ms = stepS * S;
  const more = (view.to - view.from) / 2;
  const from = Math.max(now - BACK_MS + MIN, view.from - more);
  const to = Math.min(now, view.to + more);
  const start = Math.floor(from / ms) * ms;
  return { from: start, to: Math.max(start + ms, Math.ceil(to / ms) * ms) };
}

/** covers tells whether what was fetched, at its step, serves a view at another step. */
export function covers(have: View, haveStep: number, view: View, wantStep: number, now: number): boolean {
  return haveStep === wantStep && have.from <= Math.max(view.from, now - BACK_MS + MIN) && have.to >= Math.min(view.to, now);
}

/** bounded keeps a view within lengths and times that exist: not beyond now, nor before the server's first. */
export function bounded(view: View, now: number): View {
  const length = Math.min(LONGEST_MS, Math.max(SHORTEST_MS, view.to - view.from));
  const to = Math.max(Math.min(view.to, now), now - BACK_MS + length);
  return { from: to - length, to };
}

/** panned moves a view by a share of its length, to later where positive. */
export function panned(view: View, share: number, now: number): View {
  const by = (view.to - view.from) * share;
  return bounded({ from: view.from + by, to: view.to + by }, now);
}

/** zoomed makes a view factor times as long, around a share of its length (0: its beginning). */
export function zoomed(view: View, factor: number, around: number, now: number): View {
  const length = view.to - view.from;
  const next = Math.min(LONGEST_MS, Math.max(SHORTEST_MS, length * factor));
  const from = view.from + (length - next) * around;
  return bounded({ from, to: from + next }, now);
}

/** A reading of one instant of the live frames: server time ms, gauge Pa by point. */
export interface Live {
  readonly at: number;
  readonly pa: Readonly<Partial<Record<Point, number>>>;
}

/** liveOf is what a frame says of one instant; null where it says nothing. */
export function liveOf(pot: Pot): Live | null {
  if (pot.t === undefined) return null;
  return { at: Date.parse(pot.t), pa: pot.pressure_pa };
}

/** The longest stretch between two frames that still counts as one line, ms. */
const FRAME_GAP_MS = 2500;
const TAIL_MOST = 2000;
/** After so long, ms, readings of a range are no longer on their way. */
const WAY_MS = 10_000;

/** Tail keeps the live readings since the page looks at a pot, in the order of time. */
export class Tail {
  #list: Live[] = [];

  get list(): readonly Live[] {
    return this.#list;
  }

  /** Takes an instant; true: it is new. */
  add(live: Live): boolean {
    const last = this.#list.at(-1);
    if (last !== undefined && live.at <= last.at) return false;
    this.#list.push(live);
    if (this.#list.length > TAIL_MOST) this.#list.splice(0, TAIL_MOST / 4);
    return true;
  }

  clear(): void {
    this.#list = [];
  }
}

type Column = (number | null)[];

export interface Series {
  readonly point: Point;
  /** In the display unit; null: no good reading, a gap. */
  readonly mean: Column;
  readonly min: Column;
  readonly max: Column;
}

/** A handle that is a switch: share of the readings that say pressed. */
export interface Columns {
  /** Seconds since the epoch, rising. */
  readonly t: number[];
  readonly series: readonly Series[];
  readonly pressed: Column | null;
  /** Stretches of time, s, without any reading of any point, within what was fetched. */
  readonly gaps: readonly (readonly [number, number])[];
  /** Stretches, s, with readings out of range or without reply. */
  readonly bad: readonly (readonly [number, number])[];
}

/**
 * columns joins stored readings and the live ones after them. want: points in the order to draw. The live tail begins where the stored
 * readings end, so that no instant is drawn twice: that is within the last step where the server answered before it was over. A step
 * may be half an hour long, and what is live must not wait for its end.
 */
export function columns(history: History | null, tail: readonly Live[], want: readonly Point[], unit: Unit): Columns {
  const per = perUnit[unit];
  const from = history === null ? 0 : Date.parse(history.from);
  const stepMs = history === null ? 0 : history.step_s * S;
  const n = history?.steps ?? 0;
  const traces = history?.traces ?? [];
  let filled = 0;
  const silent: boolean[] = [];
  const bad: boolean[] = [];
  for (let i = 0; i < n; i++) {
    const good = traces.some((t) => (t.good.n[i] ?? 0) > 0);
    const poor = traces.some((t) => (t.out_of_range?.n[i] ?? 0) > 0 || (t.no_reply?.[i] ?? 0) > 0);
    silent.push(!good && !poor);
    bad.push(poor);
    if (good || poor) filled = i + 1;
  }
  // What comes after the newest stored reading is no gap while it may yet be on its way: the live tail shows it.
  if (history !== null && Date.parse(history.server_t) - Date.parse(history.to) > WAY_MS) filled = n;
  const begun = from + (filled - 1) * stepMs; // the last step
  const last = history === null || filled === 0 ? from : Math.min(begun + stepMs, Math.max(begun + 1, Date.parse(history.server_t)));
  const t: number[] = [];
  for (let i = 0; i < filled; i++) t.push((from + (i + 0.5) * stepMs) / S);
  if (filled > 0) t[filled - 1] = (begun + last) / 2 / S;
  const fresh: (Live | null)[] = [];
  let before = filled > 0 ? last : Number.NEGATIVE_INFINITY;
  for (const l of tail) {
    if (l.at < last) continue;
    if (l.at - before > FRAME_GAP_MS && before > 0) {
      t.push((before + 1) / S);
      fresh.push(null);
    }
    t.push(l.at / S);
    fresh.push(l);
    before = l.at;
  }
  const series = want.map((point): Series => {
    const trace = traces.find((x) => x.point === point && x.good.mean_pa !== undefined);
    const part = (list: readonly (number | null)[] | undefined): Column => {
      const out: Column = [];
      for (let i = 0; i < filled; i++) {
        const v = list?.[i] ?? null;
        out.push(v === null ? null : v / per);
      }
      for (const l of fresh) {
        const v = l?.pa[point];
        out.push(v === undefined ? null : v / per);
      }
      return out;
    };
    return { point, mean: part(trace?.good.mean_pa), min: part(trace?.good.min_pa), max: part(trace?.good.max_pa) };
  });
  const handle = traces.find((x) => x.good.pressed_share !== undefined)?.good.pressed_share;
  const pressed = handle === undefined ? null : [...handle.slice(0, filled), ...fresh.map(() => null)];
  return { t, series, pressed, gaps: stretches(silent.slice(0, filled), from, stepMs), bad: stretches(bad.slice(0, filled), from, stepMs) };
}

function stretches(flags: readonly boolean[], from: number, stepMs: number): (readonly [number, number])[] {
  const out: [number, number][] = [];
  flags.forEach((on, i) => {
    if (!on) return;
    const a = (from + i * stepMs) / S;
    const b = (from + (i + 1) * stepMs) / S;
    const last = out.at(-1);
    if (last !== undefined && last[1] === a) last[1] = b;
    else out.push([a, b]);
  });
  return out;
}

/** lonely gives the places of values with nothing on either side: a line cannot show them, a dot must. */
export function lonely(column: readonly (number | null | undefined)[], from: number, to: number): number[] {
  const out: number[] = [];
  for (let i = Math.max(0, from); i <= Math.min(to, column.length - 1); i++) {
    if (column[i] != null && column[i - 1] == null && column[i + 1] == null) out.push(i);
  }
  return out;
}

/** extent is least and greatest of a series in a stretch of time, s; null where it has no reading there. */
export function extent(t: readonly number[], series: Series, from: number, to: number): { readonly min: number; readonly max: number } | null {
  let min = Number.POSITIVE_INFINITY;
  let max = Number.NEGATIVE_INFINITY;
  for (let i = 0; i < t.length; i++) {
    const at = t[i] ?? 0;
    if (at < from || at > to) continue;
    const lo = series.min[i];
    const hi = series.max[i];
    if (lo != null && lo < min) min = lo;
    if (hi != null && hi > max) max = hi;
  }
  return min <= max ? { min, max } : null;
}

/** drawn are the points of a pot that have a pressure to draw, in the order of the air. */
export function drawn(configured: readonly Point[]): readonly Point[] {
  return points.filter((p) => configured.includes(p));
}
