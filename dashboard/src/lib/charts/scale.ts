// What all drawings share: a box, a straight scale, its marks, and lines as SVG paths. Pure geometry.

/** A drawing's size and the part of it that has the data, in its own units. */
export interface Box {
  readonly width: number;
  readonly height: number;
  readonly left: number;
  readonly right: number;
  readonly top: number;
  readonly bottom: number;
}

export type Spot = readonly [x: number, y: number];

/** scale takes lo to from and hi to to; a range without length stands in the middle. */
export function scale(lo: number, hi: number, from: number, to: number): (v: number) => number {
  if (!(hi > lo)) return () => (from + to) / 2;
  return (v) => from + ((v - lo) / (hi - lo)) * (to - from);
}

/** ticks are round numbers in lo to hi, at most count, of one step of 1, 2 or 5 times a power of ten. */
export function ticks(lo: number, hi: number, count: number): readonly number[] {
  if (!(hi > lo) || count < 1) return [];
  const least = (hi - lo) / count;
  const ten = 10 ** Math.floor(Math.log10(least));
  const step = [1, 2, 5, 10].map((m) => m * ten).find((s) => s >= least * (1 - 1e-9)) ?? 10 * ten;
  const first = Math.ceil(lo / step - 1e-9);
  const last = Math.floor(hi / step + 1e-9);
  return Array.from({ length: Math.max(0, last - first + 1) }, (_, i) => Number(((first + i) * step).toPrecision(12)));
}

/** line is an SVG path through spots; empty for fewer than two. */
export function line(spots: readonly Spot[]): string {
  if (spots.length < 2) return '';
  return 'M' + spots.map(([x, y]) => `${round(x)} ${round(y)}`).join('L');
}

/** area is a closed SVG path around spots; empty for fewer than three. */
export function area(spots: readonly Spot[]): string {
  return spots.length < 3 ? '' : `${line(spots)}Z`;
}

function round(v: number): number {
  return Math.round(v * 10) / 10;
}
