// How a part's wear is drawn: its index with its deviation on a bar from the baseline to beyond its limit. Pure geometry.
import type { Wear } from '../protocol/types.gen';

export interface WearBar {
  /** Shares of the bar's length: the baseline, the index, and one standard deviation to either side of it. */
  readonly base: number;
  readonly at: number;
  readonly from: number;
  readonly to: number;
  /** The limit; null: not known. */
  readonly limit: number | null;
}

/** wearBar lays an index out. limit: where the part is due; absent: not known. A limit under 1 is one of what a part lets through. */
export function wearBar(w: Pick<Wear, 'index' | 'sd'>, limit: number | undefined): WearBar {
  const far = Math.max(Math.abs((limit ?? 1) - 1) * 1.25, Math.abs(w.index - 1) + w.sd, 0.1);
  const lo = Math.min(1 - far * 0.3, w.index - w.sd, limit !== undefined && limit < 1 ? 1 - far : 1);
  const hi = Math.max(1 + far * 0.3, w.index + w.sd, limit === undefined || limit > 1 ? 1 + far : 1);
  const at = (v: number) => (v - lo) / (hi - lo);
  return { base: at(1), at: at(w.index), from: at(w.index - w.sd), to: at(w.index + w.sd), limit: limit === undefined ? null : at(limit) };
}
