// A figure against its limit, and how it goes there, as drawings. Pure geometry.
import { scale, ticks } from './scale';
import type { Box } from './scale';

export interface Bar {
  /** From where to where it is drawn. */
  readonly x: number;
  readonly width: number;
  readonly value: number;
  /** Ends of its uncertainty, two standard deviations each way; null: none is known. */
  readonly low: number | null;
  readonly high: number | null;
}

export interface LimitPicture {
  readonly bars: readonly Bar[];
  /** Where the limit stands. */
  readonly limit: number;
  readonly marks: readonly { readonly at: number; readonly value: number }[];
}

/** limitPicture lays values out as bars from nothing, against one limit, in one unit (per: how much of it one mark's unit is). */
export function limitPicture(values: readonly { readonly value: number; readonly sd?: number }[], limit: number, box: Box, per: number): LimitPicture {
  const most = Math.max(limit, ...values.map((v) => v.value + 2 * (v.sd ?? 0))) * 1.12;
  const x = scale(0, most, box.left, box.right);
  const inside = (v: number) => Math.max(box.left, x(v));
  return {
    bars: values.map(({ value, sd }) => ({
      x: box.left,
      width: Math.max(0, inside(value) - box.left),
      value,
      low: sd === undefined ? null : inside(value - 2 * sd),
      high: sd === undefined ? null : inside(value + 2 * sd),
    })),
    limit: x(limit),
    marks: ticks(0, most / per, 5).map((value) => ({ at: x(value * per), value })),
  };
}

/** An instant on the way to a limit, ms since the epoch. */
export interface Forecast {
  readonly p10: number;
  readonly p50: number;
  readonly p90: number;
}

export interface TrendPicture {
  readonly now: { readonly x: number; readonly y: number; readonly low: number; readonly high: number };
  readonly limit: number;
  readonly healthy: number;
  /** The way to the limit, and the cone around it, as SVG paths; null where no date is known. */
  readonly way: string | null;
  readonly cone: string | null;
  readonly dates: readonly { readonly x: number; readonly at: number }[];
}

/**
 * trendPicture lays out an index that was value (with its standard deviation) at an instant, its limit, the healthy 1, and when
 * it will pass the limit. A forecast of which a part lies before the instant begins there.
 */
export function trendPicture(at: number, value: number, sd: number, limit: number, forecast: Forecast | null, box: Box): TrendPicture {
  const values = [1, value - 2 * sd, value + 2 * sd, limit];
  const low = Math.min(...values);
  const high = Math.max(...values);
  const margin = Math.max(0.02, (high - low) * 0.12);
  const y = scale(low - margin, high + margin, box.bottom, box.top);
  const end = forecast === null ? at + 1 : Math.max(forecast.p90, forecast.p50, at + 1);
  const x = scale(at, end, box.left, box.right);
  const spot = (t: number, v: number) => `${round(x(Math.max(at, t)))} ${round(y(v))}`;
  return {
    now: { x: x(at), y: y(value), low: y(value - 2 * sd), high: y(value + 2 * sd) },
    limit: y(limit),
    healthy: y(1),
    way: forecast === null ? null : `M${spot(at, value)}L${spot(forecast.p50, limit)}`,
    cone: forecast === null ? null : `M${spot(at, value)}L${spot(forecast.p10, limit)}L${spot(forecast.p90, limit)}Z`,
    dates: forecast === null ? [] : [{ x: x(at), at }, { x: x(Math.max(at, forecast.p50)), at: forecast.p50 }],
  };
}

function round(v: number): number {
  return Math.round(v * 10) / 10;
}
