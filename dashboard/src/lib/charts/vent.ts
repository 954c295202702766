// A vent as a drawing: the vessel's pressure since the release, over the slowest healthy vent of this pot. Pure geometry.
import type { Pot, VentEnvelope, VentTrace } from '../protocol/types.gen';
import { area, line, scale, ticks } from './scale';
import type { Box, Spot } from './scale';

/** Standard atmosphere, Pa: the envelope falls in absolute pressure. What is told without the site's own is drawn over this. */
const ATMOSPHERE_PA = 101_325;
const ambient = (e: VentEnvelope) => e.ambient_pa ?? ATMOSPHERE_PA;
/** The least time and pressure drawn, s and Pa. */
const LEAST_S = 10;
const LEAST_PA = 100_000;
const BAND_STEPS = 48;

export interface Mark {
  readonly at: number;
  readonly value: number;
}

export interface VentPicture {
  /** SVG paths; empty where there is nothing to draw. */
  readonly trace: string;
  readonly band: string;
  readonly edge: string;
  /** The newest reading of the trace. */
  readonly last: { readonly x: number; readonly y: number; readonly pa: number; readonly s: number } | null;
  /** A healthy vent is at the lowest pressure that it is judged by at the latest there. */
  readonly due: { readonly x: number; readonly y: number; readonly s: number; readonly pa: number } | null;
  readonly times: readonly Mark[];
  readonly pressures: readonly Mark[];
}

interface Stretch {
  /** s after the release, and gauge, Pa. */
  readonly from_s: number;
  readonly from_pa: number;
  readonly rate_per_s: number;
}

/** stretches are those in which the slowest healthy vent falls exponentially: one, or a second slower one behind it. */
function stretches(e: VentEnvelope): readonly Stretch[] {
  const first = { from_s: e.from_s, from_pa: e.p0_pa, rate_per_s: e.rate_per_s };
  const { tail_pa, tail_rate_per_s } = e;
  if (tail_pa === undefined || tail_rate_per_s === undefined || !(tail_rate_per_s > 0) || tail_pa <= e.down_to_pa || tail_pa >= e.p0_pa) return [first];
  return [first, { from_s: reaches(e, first, tail_pa), from_pa: tail_pa, rate_per_s: tail_rate_per_s }];
}

/** reaches is when a stretch is down at a pressure, gauge, Pa: s after the release. */
function reaches(e: VentEnvelope, from: Stretch, pa: number): number {
  return from.from_s + Math.log((from.from_pa + ambient(e)) / (pa + ambient(e))) / from.rate_per_s;
}

/** slowest is the gauge pressure, Pa, of the slowest healthy vent, s after the release; null once it is no longer judged. */
export function slowest(e: VentEnvelope, s: number): number | null {
  const on = stretches(e).findLast((x) => s > x.from_s);
  const pa = on === undefined ? e.p0_pa : (on.from_pa + ambient(e)) * Math.exp(-on.rate_per_s * (s - on.from_s)) - ambient(e);
  return pa < e.down_to_pa ? null : pa;
}

/** judgedFor is how long, s after the release, the slowest healthy vent is judged; null where it never falls so far. */
export function judgedFor(e: VentEnvelope): number | null {
  const last = stretches(e).at(-1);
  if (last === undefined || !(e.rate_per_s > 0) || !(e.p0_pa > e.down_to_pa)) return null;
  return reaches(e, last, e.down_to_pa);
}

/**
 * above tells whether the trace lies over the slowest healthy vent where it ends; null where there is none to tell by. A vessel that
 * has once been lower than it is judged is not above: shut, it warms up and rises again a little.
 */
export function above(trace: VentTrace, envelope: VentEnvelope): boolean | null {
  const s = trace.t_s.at(-1);
  const pa = trace.p_pa.at(-1);
  if (s === undefined || pa === undefined || judgedFor(envelope) === null) return null;
  if (trace.p_pa.some((p) => p <= envelope.down_to_pa)) return false;
  return pa > (slowest(envelope, s) ?? envelope.down_to_pa);
}

/** Later than the trace's steps foretell the newest reading is of another clock than the trace, s. */
const SLACK_S = 2;

/**
 * upToNow is the trace of a pot's running vent with the vessel's newest reading at its end: a long trace has readings far apart. Null
 * where there is no trace, or no reading now. Where the clocks of the two differ the reading stands at the trace's last instant.
 */
export function upToNow(pot: Pot): VentTrace | null {
  const pa = pot.pressure_pa.vessel;
  const trace = pot.vent?.trace;
  const last = trace?.t_s.at(-1);
  const before = trace?.t_s.at(-2);
  if (pa === undefined || pot.vent === undefined || trace === undefined || last === undefined || before === undefined) return null;
  const s = (Date.parse(pot.t ?? '') - Date.parse(pot.vent.released)) / 1000;
  const fits = s >= last && s <= last + 2 * (last - before) + SLACK_S;
  return { t_s: [...trace.t_s, fits ? s : last], p_pa: [...trace.p_pa, pa] };
}

/** ventPicture lays a vent out. pa: one display unit, Pa, for round marks. */
export function ventPicture(trace: VentTrace, envelope: VentEnvelope | undefined, box: Box, pa: number): VentPicture {
  const n = Math.min(trace.t_s.length, trace.p_pa.length);
  const times = trace.t_s.slice(0, n);
  const pressures = trace.p_pa.slice(0, n);
  const until = envelope === undefined ? null : judgedFor(envelope);
  const longest = Math.max(LEAST_S, (times.at(-1) ?? 0) * 1.04, (until ?? 0) * 1.15);
  const most = Math.max(LEAST_PA, envelope?.p0_pa ?? 0, ...pressures) * 1.04;
  const x = scale(0, longest, box.left, box.right);
  const y = scale(0, most, box.bottom, box.top);
  const low = (p: number) => Math.min(y(p), box.bottom);
  const lastS = times.at(-1);
  const lastPa = pressures.at(-1);
  const edge: Spot[] = [];
  if (envelope !== undefined && until !== null) {
    for (let i = 0; i <= BAND_STEPS; i++) {
      const s = (until * i) / BAND_STEPS;
      edge.push([x(s), y(slowest(envelope, s) ?? envelope.down_to_pa)]);
    }
    if (envelope.from_s > 0 && envelope.from_s < until) edge.splice(1 + Math.floor((envelope.from_s / until) * BAND_STEPS), 0, [x(envelope.from_s), y(envelope.p0_pa)]);
  }
  return {
    trace: line(times.map((s, i): Spot => [x(s), low(pressures[i] ?? 0)])),
    edge: line(edge),
    band: until === null ? '' : area([...edge, [x(until), box.bottom], [box.left, box.bottom]]),
    last: lastS === undefined || lastPa === undefined ? null : { x: x(lastS), y: low(lastPa), pa: lastPa, s: lastS },
    due: until === null || envelope === undefined ? null : { x: x(until), y: y(envelope.down_to_pa), s: until, pa: envelope.down_to_pa },
    times: ticks(0, longest, 6).map((value) => ({ at: x(value), value })),
    pressures: ticks(0, most / pa, 5).map((value) => ({ at: y(value * pa), value })),
  };
}
