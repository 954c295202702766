// The grade line: pressure along the path of the air, from supply to nozzle, as a drawing. Pure geometry.
import { segments } from '../protocol/types.gen';
import type { Point, Pot, Segment } from '../protocol/types.gen';

export const WIDTH = 320;
export const HEIGHT = 106;
const LEFT = 30;
const STEP = (WIDTH - 2 * LEFT) / 4;
const TOP = 24;
const BOTTOM = 66;
/** The least span of pressures drawn, Pa, so that noise does not look like a loss. */
const LEAST_SPAN_PA = 140_000;

const path: readonly Point[] = ['supply', 'separator', 'vessel', 'hose', 'nozzle'];

export interface Dot {
  readonly point: Point;
  readonly x: number;
  readonly y: number;
  readonly pa: number;
  /** Reckoned, not measured (nozzle only). */
  readonly estimated: boolean;
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

export interface Grade {
  readonly dots: readonly Dot[];
  readonly gaps: readonly Gap[];
  /** Lines between neighbours; none runs across a gap. */
  readonly line: readonly Stretch[];
  readonly losses: readonly Loss[];
}

/** grade lays a pot's readings out. Losses stand only while air flows: at rest a difference is no loss. */
export function grade(pot: Pot): Grade {
  const values = path.map((point) => value(pot, point));
  const known = values.filter((v): v is number => v !== null);
  const top = Math.max(...known, 0);
  const span = Math.max(top - Math.min(...known, top), LEAST_SPAN_PA);
  const dots: Dot[] = [];
  const gaps: Gap[] = [];
  const line: Stretch[] = [];
  let last: Dot | null = null;
  path.forEach((point, i) => {
    const x = LEFT + i * STEP;
    const pa = values[i] ?? null;
    if (pa === null) {
      if (!pot.points.includes(point)) return;
      gaps.push({ point, x });
      last = null;
      return;
    }
    const dot: Dot = {
      point,
      x,
      y: TOP + ((top - pa) / span) * (BOTTOM - TOP),
      pa,
      estimated: point === 'nozzle' && !pot.nozzle_measured,
    };
    if (last !== null) line.push({ from: last, to: dot });
    dots.push(dot);
    last = dot;
  });
  return { dots, gaps, line, losses: losses(pot) };
}

function value(pot: Pot, point: Point): number | null {
  if (point === 'nozzle') return pot.pressure_pa.nozzle ?? (pot.state === 'blasting' ? (pot.nozzle_pa ?? null) : null);
  return pot.pressure_pa[point] ?? null;
}

function losses(pot: Pot): readonly Loss[] {
  if (pot.state !== 'blasting') return [];
  const found: { segment: Segment; x: number; pa: number }[] = [];
  segments.forEach((segment, i) => {
    const pa = pot.drop_pa[segment];
    if (pa !== undefined) found.push({ segment, x: LEFT + (i + 0.5) * STEP, pa });
  });
  const most = Math.max(...found.map((l) => l.pa));
  return found.map((l) => ({ ...l, largest: found.length > 1 && l.pa === most }));
}
