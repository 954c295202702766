// Unknown JSON of stored things to typed values: history, cycles, baselines. What does not fit is refused whole, with a reason.
import { ventEnvelope } from './decode';
import { fields, instant, list, maybe, number, oneOf, optional, text, Unfit } from './read';
import type { Fields } from './read';
import { baselineKinds, points } from './types.gen';
import type { Contents, Cycle, Cycles, History, Pressures, Spread, StoredBaseline, StoredBaselines, Trace } from './types.gen';

export function history(value: unknown): History {
  const h = fields(value, 'history');
  const steps = number(h['steps'], 'history.steps');
  const from = instant(h['from'], 'history.from');
  const to = instant(h['to'], 'history.to');
  const step_s = number(h['step_s'], 'history.step_s');
  if (!(step_s > 0) || !Number.isSafeInteger(steps) || steps < 0) throw new Unfit('history: steps make no range');
  return {
    name: text(h['name'], 'history.name'),
    site: text(h['site'], 'history.site'),
    ...(h['simulated'] !== undefined && { simulated: h['simulated'] === true }),
    from,
    to,
    step_s,
    steps,
    epochs: list(h['epochs'], 'history.epochs').map((e, i) => {
      const at = `history.epochs[${i}]`;
      const f = fields(e, at);
      return { epoch: number(f['epoch'], `${at}.epoch`), estimated: f['estimated'] === true, ...optional(f, 'shift_s', at) };
    }),
    traces: list(h['traces'], 'history.traces').map((t, i) => trace(t, steps, `history.traces[${i}]`)),
    ...(h['fault'] !== undefined && { fault: text(h['fault'], 'history.fault') }),
    server_t: instant(h['server_t'], 'history.server_t'),
  };
}

function trace(value: unknown, steps: number, at: string): Trace {
  const t = fields(value, at);
  return {
    point: oneOf(t['point'], points, `${at}.point`),
    good: spread(t['good'], steps, `${at}.good`),
    ...(t['out_of_range'] !== undefined && { out_of_range: spread(t['out_of_range'], steps, `${at}.out_of_range`) }),
    ...(t['no_reply'] !== undefined && { no_reply: column(t['no_reply'], steps, `${at}.no_reply`).map((v) => v ?? 0) }),
  };
}

function spread(value: unknown, steps: number, at: string): Spread {
  const s = fields(value, at);
  const part = (key: 'min_pa' | 'max_pa' | 'mean_pa' | 'pressed_share') => (s[key] === undefined ? {} : { [key]: column(s[key], steps, `${at}.${key}`) });
  return { n: column(s['n'], steps, `${at}.n`).map((v) => v ?? 0), ...part('min_pa'), ...part('max_pa'), ...part('mean_pa'), ...part('pressed_share') };
}

function column(value: unknown, steps: number, at: string): (number | null)[] {
  const l = list(value, at);
  if (l.length !== steps) throw new Unfit(`${at}: ${l.length} entries for ${steps} steps`);
  return l.map((v, i) => (v === null ? null : number(v, `${at}[${i}]`)));
}

export function cycles(value: unknown): Cycles {
  const c = fields(value, 'cycles');
  return { cycles: list(c['cycles'], 'cycles.cycles').map((v, i) => cycle(v, `cycles.cycles[${i}]`)), ...paging(c, 'cycles') };
}

function cycle(value: unknown, at: string): Cycle {
  const c = fields(value, at);
  const v = fields(c['vent'], `${at}.vent`);
  return {
    kind: 'cycle',
    pot: text(c['pot'], `${at}.pot`),
    t: instant(c['t'], `${at}.t`),
    press: instant(c['press'], `${at}.press`),
    release: instant(c['release'], `${at}.release`),
    blast_s: number(c['blast_s'], `${at}.blast_s`),
    inferred: c['inferred'] === true,
    vent: {
      p0_pa: number(v['p0_pa'], `${at}.vent.p0_pa`),
      ...optional(v, 'tau_s', `${at}.vent`),
      ...optional(v, 'residual_pa', `${at}.vent`),
      ...optional(v, 'settled_s', `${at}.vent`),
      ...maybe(v, 'healthy', `${at}.vent`, ventEnvelope),
    },
    ...optional(c, 'abrasive_kg', at),
    ...maybe(c, 'contents', at, contents),
    late: c['late'] === true,
    incomplete: c['incomplete'] === true,
  };
}

function contents(value: unknown, at: string): Contents {
  const c = fields(value, at);
  return { before: number(c['before'], `${at}.before`), left: number(c['left'], `${at}.left`), low: number(c['low'], `${at}.low`), high: number(c['high'], `${at}.high`) };
}

export function baselines(value: unknown): StoredBaselines {
  const b = fields(value, 'baselines');
  return { baselines: list(b['baselines'], 'baselines.baselines').map((v, i) => baseline(v, `baselines.baselines[${i}]`)), ...paging(b, 'baselines') };
}

function baseline(value: unknown, at: string): StoredBaseline {
  const b = fields(value, at);
  const pa: Record<string, number> = {};
  for (const [k, v] of Object.entries(fields(b['points_pa'], `${at}.points_pa`))) pa[k] = number(v, `${at}.points_pa.${k}`);
  return {
    id: text(b['id'], `${at}.id`),
    pot: text(b['pot'], `${at}.pot`),
    t: instant(b['t'], `${at}.t`),
    how: oneOf(b['how'], baselineKinds, `${at}.how`),
    air_only: b['air_only'] === true,
    points_pa: pa as Pressures,
    seconds: number(b['seconds'], `${at}.seconds`),
    by: text(b['by'], `${at}.by`),
    ...(b['note'] !== undefined && { note: text(b['note'], `${at}.note`) }),
  };
}

/** What all pages of records have in common. */
function paging(f: Fields, at: string): { readonly next?: string; readonly fault?: string; readonly server_t: string } {
  return {
    ...(f['next'] !== undefined && { next: text(f['next'], `${at}.next`) }),
    ...(f['fault'] !== undefined && { fault: text(f['fault'], `${at}.fault`) }),
    server_t: instant(f['server_t'], `${at}.server_t`),
  };
}
