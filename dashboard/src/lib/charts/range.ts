// A range of minutes as a small bar. Pure geometry.
import type { Quantiles } from '../protocol/types.gen';

/** Under so many minutes it is time to bring abrasive. */
export const SOON_MIN = 6;

export interface Range {
  /** Shares of the bar's length. */
  readonly from: number;
  readonly mid: number;
  readonly to: number;
  readonly soonAt: number;
  /** Whole minutes. */
  readonly p10: number;
  readonly p50: number;
  readonly p90: number;
  readonly soon: boolean;
}

/** The longest time drawn, minutes; what is later stands at the end. */
const LONGEST_MIN = 40;

export function range(q: Quantiles): Range {
  const at = (s: number) => Math.min(1, Math.max(0, s / 60 / LONGEST_MIN));
  const p50 = Math.floor(q.p50 / 60);
  return {
    from: at(q.p10),
    mid: at(q.p50),
    to: at(q.p90),
    soonAt: SOON_MIN / LONGEST_MIN,
    p10: Math.floor(q.p10 / 60),
    p50,
    p90: Math.ceil(q.p90 / 60),
    soon: p50 < SOON_MIN,
  };
}
