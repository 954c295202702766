// Unknown JSON to typed frames. What does not fit is rejected with a reason and counted, never thrown and never
// guessed: a pot that cannot be read is named, so that the page takes back what it last said of it.
import { below, each, fields, flag, instant, list, maybe, name, number, numbers, oneOf, optional, put, text, Unfit } from './read';
import type { Fields, Filling } from './read';
import { airs, alarmDeeds, alarmStates, baselineKinds, frameTypes, outcomeTypes, points, priorities, qualities, segments, states, units, words } from './types.gen';
import type { Account, Answer, Baseline, Condensate, Cost, Doubt, Drops, Frame, OutcomeType, Point, Pot, Pressures, Quality, Quantiles, Ratios, RunningVent, SegmentLoss, StandingAlarm, VentEnvelope, VentTrace, Wear, Wears } from './types.gen';

/** A frame and what of it could not be read. */
export interface Decoded {
  readonly frame: Frame;
  /** One reason per pot that was left out. */
  readonly problems: readonly string[];
  /** Names of pots that were left out, where the name could be read. */
  readonly unreadable: readonly string[];
  /** How many of the frame's alarms were left out. */
  readonly unreadableAlarms: number;
}

export type Decoding = ({ readonly ok: true } & Decoded) | { readonly ok: false; readonly problem: string };

/** What came of an act. How the alarm stands then comes with a frame. */
export interface Told {
  readonly type: OutcomeType;
  /** Id of the act; null: of a message that the server could not read. */
  readonly request: string | null;
  /** Of what is refused. */
  readonly status: number | null;
  readonly problem: string | null;
}

/** decodeFrame reads the text of a frame. */
export function decodeFrame(text: string): Decoding {
  return reading(text, frame);
}

/** decodeMessage reads the text of one WebSocket message: a frame, or what came of an act. */
export function decodeMessage(text: string): Decoding | { readonly ok: true; readonly told: Told } {
  return reading<Decoded | { readonly told: Told }>(text, (value) => {
    const type = outcomeTypes.find((t) => t === fields(value, 'frame')['type']);
    return type === undefined ? frame(value) : { told: told(type, fields(value, 'outcome')) };
  });
}

function reading<T>(text: string, read: (value: unknown) => T): ({ readonly ok: true } & T) | { readonly ok: false; readonly problem: string } {
  let value: unknown;
  try {
    value = JSON.parse(text);
  } catch {
    return { ok: false, problem: 'frame: not JSON' };
  }
  try {
    return { ok: true, ...read(value) };
  } catch (e) {
    if (e instanceof Unfit) return { ok: false, problem: e.message };
    throw e;
  }
}

function told(type: OutcomeType, o: Fields): Told {
  const request = o['request'] === undefined ? null : text(o['request'], 'outcome.request');
  if (type === 'done') return { type, request, status: null, problem: null };
  const p = fields(o['problem'], 'outcome.problem');
  const detail = p['detail'] === undefined ? null : text(p['detail'], 'outcome.problem.detail');
  return { type, request, status: number(p['status'], 'outcome.problem.status'), problem: detail };
}

function frame(value: unknown): Decoded {
  const f = fields(value, 'frame');
  const type = oneOf(f['type'], frameTypes, 'frame.type');
  const seq = number(f['seq'], 'frame.seq');
  if (!Number.isSafeInteger(seq) || seq < 1) throw new Unfit('frame.seq: not a positive whole number');
  const server_t = instant(f['server_t'], 'frame.server_t');
  if (!Array.isArray(f['pots'])) throw new Unfit('frame.pots: not a list');
  const pots: Pot[] = [];
  const problems: string[] = [];
  const unreadable: string[] = [];
  const seen = new Set<string>();
  f['pots'].forEach((value: unknown, i) => {
    try {
      const p = below(value, () => `frame.pots[${i}]`, pot);
      if (seen.has(p.name)) throw new Unfit(`frame.pots[${i}].name: ${p.name} stands twice`);
      seen.add(p.name);
      pots.push(p);
    } catch (e) {
      if (!(e instanceof Unfit)) throw e;
      problems.push(e.message);
      const name = nameOf(value);
      if (name !== null) unreadable.push(name);
    }
  });
  // A pot that stands twice is not believed in either place.
  const sure = pots.filter((p) => !unreadable.includes(p.name));
  const alarms: StandingAlarm[] = [];
  let unreadableAlarms = 0;
  if (f['alarms'] !== undefined) {
    list(f['alarms'], 'frame.alarms').forEach((value, i) => {
      try {
        alarms.push(standing(value, `frame.alarms[${i}]`));
      } catch (e) {
        if (!(e instanceof Unfit)) throw e;
        problems.push(e.message);
        unreadableAlarms++;
      }
    });
  }
  const faults = f['faults'] === undefined ? [] : list(f['faults'], 'frame.faults').map((v, i) => text(v, `frame.faults[${i}]`));
  return { frame: { type, seq, server_t, pots: sure, ...(f['alarms'] !== undefined && { alarms }), ...optional(f, 'alarms_more', 'frame', true), ...(faults.length > 0 && { faults }) }, problems, unreadable, unreadableAlarms };
}

function pot(value: unknown, at: string): Pot {
  const p = fields(value, at);
  const out: Filling<Pot> = {
    kind: oneOf(p['kind'], kinds, `${at}.kind`),
    name: name(p['name'], `${at}.name`),
    site: text(p['site'], `${at}.site`),
    simulated: flag(p['simulated'], `${at}.simulated`),
    state: oneOf(p['state'], states, `${at}.state`),
    pressure_pa: numbers(p['pressure_pa'], points, `${at}.pressure_pa`) as Pressures,
    drop_pa: numbers(p['drop_pa'], segments, `${at}.drop_pa`) as Drops,
    nozzle_measured: flag(p['nozzle_measured'], `${at}.nozzle_measured`),
    answer: answer(p['answer'], `${at}.answer`),
    air: oneOf(p['air'], airs, `${at}.air`),
    rated_pa: number(p['rated_pa'], `${at}.rated_pa`),
    unit: oneOf(p['unit'], units, `${at}.unit`),
    points: each(p['points'], `${at}.points`, point),
    agent: text(p['agent'], `${at}.agent`),
  };
  if (p['t'] !== undefined) out.t = instant(p['t'], `${at}.t`);
  put(out, p, 'age_s', at, true);
  put(out, p, 'state_for_s', at, true);
  if (p['quality'] !== undefined) out.quality = quality(p['quality'], `${at}.quality`);
  put(out, p, 'nozzle_pa', at);
  put(out, p, 'production', at);
  put(out, p, 'target_pa', at, true);
  if (p['vent'] !== undefined) out.vent = below(p['vent'], () => `${at}.vent`, vent);
  if (p['doubt'] !== undefined) out.doubt = below(p['doubt'], () => `${at}.doubt`, doubt);
  figures(out, p, at);
  return out;
}

const kinds = ['estimate'] as const;

function point(value: unknown, at: string): Point {
  return oneOf(value, points, at);
}

/** standing reads an open alarm. Its kind may be one that this page does not know: it is shown all the same. */
export function standing(value: unknown, at: string): StandingAlarm {
  const a = fields(value, at);
  const known = list(a['can'], `${at}.can`).map((v, i) => text(v, `${at}.can[${i}]`));
  return {
    id: text(a['id'], `${at}.id`),
    ...maybe(a, 'pot', at, name),
    ...maybe(a, 'agent', at, text),
    alarm: text(a['alarm'], `${at}.alarm`),
    priority: oneOf(a['priority'], priorities, `${at}.priority`),
    state: oneOf(a['state'], alarmStates, `${at}.state`),
    raised: instant(a['raised'], `${at}.raised`),
    since: instant(a['since'], `${at}.since`),
    active: flag(a['active'], `${at}.active`),
    loud: flag(a['loud'], `${at}.loud`),
    ...maybe(a, 'point', at, (v, at) => oneOf(v, points, at)),
    ...maybe(a, 'fault', at, text),
    ...maybe(a, 'by', at, text),
    ...maybe(a, 'by_t', at, instant),
    ...maybe(a, 'until', at, instant),
    ...maybe(a, 'cause', at, text),
    first: flag(a['first'], `${at}.first`),
    can: alarmDeeds.filter((deed) => known.includes(deed)),
    ...maybe(a, 'last', at, text),
  };
}

/** figures reads what is estimated of flow, contents, losses and wear; all of it may be absent. */
function figures(out: Filling<Pot>, p: Fields, at: string): void {
  put(out, p, 'air_kg_s', at);
  put(out, p, 'level_kg', at);
  put(out, p, 'level_sd_kg', at, true);
  put(out, p, 'level_share', at);
  put(out, p, 'level_low', at);
  put(out, p, 'level_high', at);
  put(out, p, 'flow_kg_s', at);
  put(out, p, 'loading', at);
  put(out, p, 'used_kg', at, true);
  put(out, p, 'bore_mm', at, true);
  put(out, p, 'bore_sd_mm', at, true);
  put(out, p, 'exhaust', at, true);
  const read = <K extends keyof Pot>(key: K, as: (value: unknown, at: string) => NonNullable<Pot[K]>) => {
    if (p[key] !== undefined) out[key] = below(p[key], () => `${at}.${key}`, as);
  };
  read('empty_s', quantiles);
  read('empty_clock_s', quantiles);
  read('resistance', ratios);
  read('losses', account);
  read('baseline', baseline);
  read('wear', wears);
  read('condensate', condensate);
  read('findings', texts);
}

function ratios(value: unknown, at: string): Ratios {
  return numbers(value, segments, at) as Ratios;
}

function texts(value: unknown, at: string): readonly string[] {
  return each(value, at, text);
}

function vent(value: unknown, at: string): RunningVent {
  const v = fields(value, at);
  return {
    released: instant(v['released'], `${at}.released`),
    trace: ventTrace(v['trace'], `${at}.trace`),
    ...maybe(v, 'envelope', at, ventEnvelope),
    over: flag(v['over'], `${at}.over`),
  };
}

export function ventTrace(value: unknown, at: string): VentTrace {
  const t = fields(value, at);
  const row = (v: unknown, at: string) => list(v, at).map((n, i) => number(n, `${at}[${i}]`));
  const t_s = row(t['t_s'], `${at}.t_s`);
  const p_pa = row(t['p_pa'], `${at}.p_pa`);
  if (t_s.length !== p_pa.length) throw new Unfit(`${at}: ${t_s.length} instants, but ${p_pa.length} pressures`);
  return { t_s, p_pa };
}

export function ventEnvelope(value: unknown, at: string): VentEnvelope {
  const e = fields(value, at);
  return {
    from_s: number(e['from_s'], `${at}.from_s`),
    p0_pa: number(e['p0_pa'], `${at}.p0_pa`),
    rate_per_s: number(e['rate_per_s'], `${at}.rate_per_s`),
    down_to_pa: number(e['down_to_pa'], `${at}.down_to_pa`),
    ...optional(e, 'tail_pa', at, true),
    ...optional(e, 'tail_rate_per_s', at, true),
    ...optional(e, 'ambient_pa', at, true),
  };
}

export function quantiles(value: unknown, at: string): Quantiles {
  const q = fields(value, at);
  return { p10: number(q['p10'], `${at}.p10`), p50: number(q['p50'], `${at}.p50`), p90: number(q['p90'], `${at}.p90`) };
}

function cost(value: unknown, at: string): Cost {
  const c = fields(value, at);
  const out: Filling<Cost> = { pa: number(c['pa'], `${at}.pa`), share: number(c['share'], `${at}.share`) };
  put(out, c, 'money_h', at);
  return out;
}

function segment(value: unknown, at: string): SegmentLoss {
  const s = fields(value, at);
  const out: Filling<SegmentLoss> = { from: oneOf(s['from'], points, `${at}.from`), excess: cost(s['excess'], `${at}.excess`) };
  put(out, s, 'flow_pa', at);
  put(out, s, 'mix_pa', at);
  put(out, s, 'resistance_pa', at);
  return out;
}

function account(value: unknown, at: string): Account {
  const a = fields(value, at);
  return {
    fall: cost(a['fall'], `${at}.fall`),
    sag: cost(a['sag'], `${at}.sag`),
    sag_at: oneOf(a['sag_at'], points, `${at}.sag_at`),
    ...maybe(a, 'separator', at, segment),
    ...maybe(a, 'valve', at, segment),
    ...maybe(a, 'mixing', at, segment),
    ...maybe(a, 'hose', at, segment),
    ...maybe(a, 'short', at, cost),
    ...maybe(a, 'currency', at, text),
  };
}

function doubt(value: unknown, at: string): Doubt {
  const d = fields(value, at);
  return {
    ...maybe(d, 'pressure_pa', at, (v, at) => numbers(v, points, at) as Pressures),
    ...optional(d, 'nozzle_pa', at, true),
    ...maybe(d, 'losses', at, account),
  };
}

function baseline(value: unknown, at: string): Baseline {
  const b = fields(value, at);
  return {
    how: oneOf(b['how'], baselineKinds, `${at}.how`),
    ...maybe(b, 't', at, instant),
    seconds: number(b['seconds'], `${at}.seconds`),
    provisional: flag(b['provisional'], `${at}.provisional`),
    ...maybe(b, 'air_only', at, (v, at) => oneOf(v, baselineKinds, at)),
  };
}

function condensate(value: unknown, at: string): Condensate {
  const c = fields(value, at);
  return {
    since: instant(c['since'], `${at}.since`),
    air_kg: number(c['air_kg'], `${at}.air_kg`),
    water_kg: number(c['water_kg'], `${at}.water_kg`),
    due: flag(c['due'], `${at}.due`),
  };
}

function wears(value: unknown, at: string): Wears {
  const w = fields(value, at);
  const part = (v: unknown, at: string): Wear => {
    const p = fields(v, at);
    return {
      index: number(p['index'], `${at}.index`),
      sd: number(p['sd'], `${at}.sd`),
      due: flag(p['due'], `${at}.due`),
      ...optional(p, 'limit', at, true),
      ...optional(p, 'trend_h', at),
      ...maybe(p, 'changed', at, instant),
      ...maybe(p, 't_10', at, instant),
      ...maybe(p, 't_50', at, instant),
      ...maybe(p, 't_90', at, instant),
    };
  };
  return {
    ...maybe(w, 'separator', at, part),
    ...maybe(w, 'valve', at, part),
    ...maybe(w, 'mixing', at, part),
    ...maybe(w, 'hose', at, part),
    ...maybe(w, 'exhaust', at, part),
    ...maybe(w, 'bore', at, part),
  };
}

function answer(value: unknown, at: string): Answer {
  const a = fields(value, at);
  const word = oneOf(a['word'], words, `${at}.word`);
  const because = texts(a['because'], `${at}.because`);
  const age = optional(a, 'age_s', at, true);
  if (word === 'vented' && because.length > 0) throw new Unfit(`${at}: vented, yet with reasons against it`);
  if (word === 'vented' && age['age_s'] === undefined) throw new Unfit(`${at}: vented, yet without an age`);
  if (word === 'not-proven' && because.length === 0) throw new Unfit(`${at}: not proven, yet without a reason`);
  return { word, because, ...age };
}

function quality(value: unknown, at: string): Partial<Record<Point, Quality>> {
  const out: Partial<Record<Point, Quality>> = {};
  for (const [k, v] of Object.entries(fields(value, at))) {
    out[oneOf(k, points, at)] = oneOf(v, qualities, `${at}.${k}`);
  }
  return out;
}

function nameOf(value: unknown): string | null {
  if (typeof value !== 'object' || value === null || !('name' in value)) return null;
  return typeof value.name === 'string' ? value.name : null;
}
