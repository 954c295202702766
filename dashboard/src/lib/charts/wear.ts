// How a part's wear is drawn: its index with its deviation on a bar from the baseline to beyond its limit. Pure geometry.
import type { Wear } from '../protocol/types.gen';
import { FOUR_OF_FIVE } from '../units/figures';

export interface WearBar {
  /** Shares of the bar's length: the baseline, the index, and what it is off by in four of five cases at most. */
  readonly base: number;
  readonly at: number;
  readonly from: number;
  readonly to: number;
  /** The limit; null: not known. */
  readonly limit: number | null;
}

/** wearBar lays an index out. limit: where the part is due; absent: not known. A limit under 1 is one of what a part lets through. */
export function wearBar(w: Pick<Wear, 'index' | 'sd'>, limit: number | undefined): WearBar {
  const off = FOUR_OF_FIVE * w.sd;
  const far = Math.max(Math.abs((limit ?? 1) - 1) * 1.25, Math.abs(w.index - 1) + off, 0.1);
  const lo = Math.min(1 - far * 0.3, w.index - off, limit !== undefined && limit < 1 ? 1 - far : 1);
  const hi = Math.max(1 + far * 0.3, w.index + off, limit === undefined || limit > 1 ? 1 + far : 1);
  const at = (v: number) => (v - lo) / (hi - lo);
  return { base: at(1), at: at(w.index), from: at(w.index - off), to: at(w.index + off), limit: limit === undefined ? null : at(limit) };
}
