// The grade line: pressure along the path of the air, from supply to nozzle, today over the baseline, as a drawing. Pure geometry.
import { segments } from '../protocol/types.gen';
import { young } from './account';
import type { Point, Pot, Segment } from '../protocol/types.gen';
import type { Box } from './scale';
import { ticks } from './scale';

/** The small drawing of a site's strip. */
export const SMALL: Box = { width: 320, height: 106, left: 30, right: 290, top: 24, bottom: 66 };
/** The least span of pressures drawn, Pa, so that noise does not look like a loss. */
const LEAST_SPAN_PA = 140_000;
/** What a segment must lose more than at its baseline, Pa, to be marked: 1.5 psi. */
export const MARKED_PA = 10_342;

const path: readonly Point[] = ['supply', 'separator', 'vessel', 'hose', 'nozzle'];

export interface Dot {
  readonly point: Point;
  readonly x: number;
  readonly y: number;
  readonly pa: number;
  /** Reckoned, not measured (nozzle only). */
  readonly estimated: boolean;
  /** How far off it may be; null: not told. */
  readonly off: Off | null;
}

/** By how much a pressure may be off, Pa, and the ends of that as they are drawn. */
export interface Off {
  readonly pa: number;
  readonly high: number;
  readonly low: number;
}

/** A configured point without a reading. */
export interface Gap {
  readonly point: Point;
  readonly x: number;
}

export interface Stretch {
  readonly from: Dot;
  readonly to: Dot;
}

export interface Loss {
  readonly segment: Segment;
  readonly x: number;
  readonly pa: number;
  readonly largest: boolean;
}

/** A segment that loses more than at its baseline; of several without a gauge between, all of them. */
export interface More {
  readonly segment: Segment;
  readonly from: Point;
  readonly pa: number;
  readonly x: number;
}

/** What the baseline's pressure would be at a point. */
export interface Base {
  readonly point: Point;
  readonly x: number;
  readonly y: number;
  readonly pa: number;
}

export interface Grade {
  readonly dots: readonly Dot[];
  readonly gaps: readonly Gap[];
  /** Lines between neighbours; none runs across a gap. */
  readonly line: readonly Stretch[];
  readonly losses: readonly Loss[];
  /** The baseline, where it is known; empty unless the pot blasts. */
  readonly base: readonly Base[];
  /** The segment that loses most over its baseline, where that is worth marking. */
  readonly worst: More | null;
  readonly marks: readonly { readonly y: number; readonly value: number }[];
  /** The target at the nozzle, where it lies within the drawing. */
  readonly targetY: number | null;
}

/** grade lays a pot's readings out. Losses stand only while air flows: at rest a difference is no loss. pa: one display unit, Pa, for round marks; absent: none are wanted. */
export function grade(pot: Pot, box: Box = SMALL, pa?: number): Grade {
  const stepX = (box.right - box.left) / 4;
  const at = (i: number) => box.left + i * stepX;
  const values = path.map((point) => value(pot, point));
  const bases = baseline(pot);
  const known = [...values, ...bases].filter((v): v is number => v !== null);
  const top = Math.max(...known, 0);
  const span = Math.max(top - Math.min(...known, top), LEAST_SPAN_PA);
  const y = (v: number) => box.top + ((top - v) / span) * (box.bottom - box.top);
  const dots: Dot[] = [];
  const gaps: Gap[] = [];
  const line: Stretch[] = [];
  let last: Dot | null = null;
  path.forEach((point, i) => {
    const x = at(i);
    const v = values[i] ?? null;
    if (v === null) {
      if (!pot.points.includes(point)) return;
      gaps.push({ point, x });
      last = null;
      return;
    }
    const estimated = point === 'nozzle' && !pot.nozzle_measured;
    const pa = estimated ? pot.doubt?.nozzle_pa : pot.doubt?.pressure_pa?.[point];
    const dot: Dot = { point, x, y: y(v), pa: v, estimated, off: pa === undefined ? null : { pa, high: y(v + pa), low: y(v - pa) } };
    if (last !== null) line.push({ from: last, to: dot });
    dots.push(dot);
    last = dot;
  });
  const base = bases.flatMap((v, i): Base[] => (v === null ? [] : [{ point: path[i] ?? 'supply', x: at(i), y: y(v), pa: v }]));
  const target = pot.target_pa;
  return {
    dots,
    gaps,
    line,
    losses: losses(pot, at),
    base,
    worst: worst(pot, at),
    marks: pa === undefined ? [] : ticks((top - span) / pa, top / pa, 6).map((value) => ({ y: y(value * pa), value })),
    targetY: target === undefined || target > top || target < top - span ? null : y(target),
  };
}

function value(pot: Pot, point: Point): number | null {
  if (point === 'nozzle') return pot.pressure_pa.nozzle ?? (pot.state === 'blasting' ? (pot.nozzle_pa ?? null) : null);
  return pot.pressure_pa[point] ?? null;
}

/** The baseline's pressures along the path: the present one, and what was lost on the way to it more than then. */
function baseline(pot: Pot): (number | null)[] {
  const a = pot.losses;
  if (a === undefined) return path.map(() => null);
  let more: number | null = null;
  return path.map((point, i) => {
    if (point === a.sag_at) more = a.sag.pa;
    else if (more !== null) {
      const segment = segments[i - 1];
      const loss = segment === undefined ? undefined : a[segment];
      // A segment without an account ends at a point that the pot does not have, or at one whose share is not known.
      if (loss !== undefined) more += loss.excess.pa;
      else if (point === 'nozzle' || pot.points.includes(point)) more = null;
    }
    const now = value(pot, point);
    return more === null || now === null ? null : now + more;
  });
}

function losses(pot: Pot, at: (i: number) => number): readonly Loss[] {
  if (pot.state !== 'blasting') return [];
  const found: { segment: Segment; x: number; pa: number }[] = [];
  segments.forEach((segment, i) => {
    const pa = pot.drop_pa[segment];
    if (pa !== undefined) found.push({ segment, x: at(i + 0.5), pa });
  });
  const most = Math.max(...found.map((l) => l.pa));
  return found.map((l) => ({ ...l, largest: found.length > 1 && l.pa === most }));
}

function worst(pot: Pot, at: (i: number) => number): More | null {
  if (young(pot)) return null;
  let most: More | null = null;
  segments.forEach((segment, i) => {
    const loss = pot.losses?.[segment];
    if (loss === undefined || loss.excess.pa < MARKED_PA || loss.excess.pa <= (most?.pa ?? 0)) return;
    most = { segment, from: loss.from, pa: loss.excess.pa, x: at(i + 0.5) };
  });
  return most;
}
