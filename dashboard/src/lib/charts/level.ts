// What is left in the vessel as a drawing: the level so far with its 80 % band, and where it is heading as a cone. Pure geometry.
import type { Cycle, Pot, Quantiles } from '../protocol/types.gen';
import { area, line, scale, ticks } from './scale';
import type { Box, Spot } from './scale';
import type { Mark } from './vent';

/** A level at an instant of the server's time, ms; shares of the pot's capacity. */
export interface LevelAt {
  readonly at: number;
  readonly share: number;
  readonly low: number;
  readonly high: number;
  /** It begins a blast: before it the level stood still. */
  readonly begins?: boolean;
}

export interface LevelPicture {
  /** SVG paths; empty where there is nothing to draw. */
  readonly past: string;
  readonly pastBand: string;
  readonly cone: string;
  readonly middle: string;
  readonly now: { readonly x: number; readonly y: number; readonly low: number; readonly high: number } | null;
  /** When it is empty: in one of ten cases before from, in nine before to. */
  readonly empty: { readonly from: number; readonly mid: number; readonly to: number; readonly y: number } | null;
  /** Minutes before (negative) and after now. */
  readonly times: readonly Mark[];
  readonly shares: readonly Mark[];
  /** The times are to be told in hours. */
  readonly hours: boolean;
  readonly nowX: number;
}

/** How long the past can be drawn, minutes. */
export const pasts = [20, 120, 480] as const;
export type PastMinutes = (typeof pasts)[number];
export const LONGEST_MIN = 480;
/** The longest forecast that fits, minutes. */
const FORECAST_MIN = 240;
/** How long the page remembers what it saw, minutes. */
const SEEN_MIN = 20;
/** From so many minutes on they are told as hours. */
const HOURS_MIN = 180;

/** levelOf is what an estimate says of the level; null where it says nothing. */
export function levelOf(pot: Pot, at: number): LevelAt | null {
  const { level_share: share, level_low: low, level_high: high } = pot;
  if (share === undefined) return null;
  return { at, share, low: low ?? share, high: high ?? share };
}

/** ofCycle is what a recorded cycle says of the level: at its press, at its release and at its end; nothing where it says nothing. */
export function ofCycle(c: Cycle): readonly LevelAt[] {
  const { contents } = c;
  if (contents === undefined) return [];
  const { before, left, low, high } = contents;
  const more = before - left;
  const at = (t: string, share: number): LevelAt => ({ at: Date.parse(t), share: left + share, low: low + share, high: high + share });
  return [{ ...at(c.press, more), begins: true }, at(c.release, 0), at(c.t, 0)];
}

/** levelPicture lays the level out. past: in the order of time, of which longest minutes are drawn at most. empty: seconds until it is empty, on the clock. now: server time, ms. */
export function levelPicture(past: readonly LevelAt[], level: LevelAt | null, empty: Quantiles | undefined, now: number, box: Box, longest: number = SEEN_MIN): LevelPicture {
  const last = empty === undefined ? 10 : Math.min(FORECAST_MIN, Math.max(5, (empty.p90 / 60) * 1.1));
  const first = past[0];
  const before = first === undefined ? 2 : Math.min(longest, Math.max(2, (now - first.at) / 60_000));
  const x = scale(-before, last, box.left, box.right);
  const y = scale(0, 1, box.bottom, box.top);
  const minutes = (at: number) => (at - now) / 60_000;
  const inside = past.filter((l) => minutes(l.at) >= -before);
  const all = level === null ? inside : [...inside, { ...level, at: now }];
  const clip = (share: number) => y(Math.min(1, Math.max(0, share)));
  const end = (s: number) => Math.min(x(s / 60), box.right);
  let cone = '';
  let middle = '';
  if (level !== null && empty !== undefined) {
    const from = x(0);
    cone = area([[from, clip(level.high)], ...to(level.high, empty.p90), ...to(level.low, empty.p10).reverse(), [from, clip(level.low)]]);
    middle = line([[from, clip(level.share)], ...to(level.share, empty.p50)]);
  }
  return {
    past: line(all.map((l): Spot => [x(minutes(l.at)), clip(l.share)])),
    pastBand: all.length < 2 ? '' : area([...all.map((l): Spot => [x(minutes(l.at)), clip(l.high)]), ...all.map((l): Spot => [x(minutes(l.at)), clip(l.low)]).reverse()]),
    cone,
    middle,
    now: level === null ? null : { x: x(0), y: clip(level.share), low: clip(level.low), high: clip(level.high) },
    empty: empty === undefined ? null : { from: end(empty.p10), mid: end(empty.p50), to: end(empty.p90), y: box.bottom },
    times: (before + last >= HOURS_MIN ? ticks(-before / 60, last / 60, 6).map((h) => h * 60) : ticks(-before, last, 6)).map((value) => ({ at: x(value), value })),
    hours: before + last >= HOURS_MIN,
    shares: [0, 0.25, 0.5, 0.75, 1].map((value) => ({ at: y(value), value })),
    nowX: x(0),
  };

  /** The straight way from a share to empty after s seconds, cut off where the drawing ends. */
  function to(share: number, s: number): Spot[] {
    const min = s / 60;
    if (min <= last) return [[x(min), box.bottom]];
    return [[box.right, clip(share * (1 - last / min))]];
  }
}

/** The time between two levels that are kept, ms. */
const KEEP_EVERY_MS = 5000;

/** LevelMemory keeps the levels that the page has seen of one pot, the last SEEN_MIN minutes. */
export class LevelMemory {
  #list: LevelAt[] = [];

  get list(): readonly LevelAt[] {
    return this.#list;
  }

  /** Takes a level; true: it is kept. */
  add(level: LevelAt): boolean {
    const last = this.#list.at(-1);
    if (last !== undefined && level.at - last.at < KEEP_EVERY_MS) return false;
    this.#list = [...this.#list.filter((l) => level.at - l.at <= SEEN_MIN * 60_000), level];
    return true;
  }
}
