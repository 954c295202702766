// Alarms as the API tells them: unknown JSON to types.
import { quantiles, standing, ventEnvelope, ventTrace } from './decode';
import { fields, flag, instant, list, maybe, number, oneOf, optional, text } from './read';
import type { Fields } from './read';
import { points, priorities } from './types.gen';
import type {
  Alarm, AlarmBenchmarks, AlarmContents, AlarmCounts, AlarmDetail, AlarmEvidence, AlarmFigures, Alarms, AlarmSource, AlarmSpan, AlarmText, AlarmTrend, Transition,
} from './types.gen';

export function alarmsPage(value: unknown): Alarms {
  const p = fields(value, 'alarms');
  return {
    alarms: list(p['alarms'], 'alarms.alarms').map((v, i) => alarm(fields(v, `alarms[${i}]`), `alarms[${i}]`)),
    ...maybe(p, 'next', 'alarms', text),
    ...maybe(p, 'fault', 'alarms', text),
    server_t: instant(p['server_t'], 'alarms.server_t'),
  };
}

export function alarmDetail(value: unknown): AlarmDetail {
  const a = fields(value, 'alarm');
  return {
    ...alarm(a, 'alarm'),
    evidence: evidence(a['evidence'], 'alarm.evidence'),
    text: alarmText(a['text'], 'alarm.text'),
    answer_rule: text(a['answer_rule'], 'alarm.answer_rule'),
    server_t: instant(a['server_t'], 'alarm.server_t'),
  };
}

function alarm(a: Fields, at: string): Alarm {
  return {
    id: text(a['id'], `${at}.id`),
    ...maybe(a, 'pot', at, text),
    ...maybe(a, 'agent', at, text),
    alarm: text(a['alarm'], `${at}.alarm`),
    priority: oneOf(a['priority'], priorities, `${at}.priority`),
    raised: instant(a['raised'], `${at}.raised`),
    ...maybe(a, 'ended', at, instant),
    ...maybe(a, 'standing', at, standing),
    transitions: list(a['transitions'], `${at}.transitions`).map((v, i) => transition(v, `${at}.transitions[${i}]`)),
  };
}

function transition(value: unknown, at: string): Transition {
  const t = fields(value, at);
  return {
    id: text(t['id'], `${at}.id`),
    t: instant(t['t'], `${at}.t`),
    event: text(t['event'], `${at}.event`),
    ...maybe(t, 'by', at, text),
    ...maybe(t, 'evidence', at, evidence),
  };
}

function alarmText(value: unknown, at: string): AlarmText {
  const t = fields(value, at);
  const lines = (v: unknown, at: string) => list(v, at).map((s, i) => text(s, `${at}[${i}]`));
  return {
    says: text(t['says'], `${at}.says`),
    consequence: text(t['consequence'], `${at}.consequence`),
    causes: lines(t['causes'], `${at}.causes`),
    do: lines(t['do'], `${at}.do`),
  };
}

export function evidence(value: unknown, at: string): AlarmEvidence {
  const e = fields(value, at);
  const row = (v: unknown, at: string) => list(v, at).map((n, i) => number(n, `${at}[${i}]`));
  const texts = (v: unknown, at: string) => list(v, at).map((s, i) => text(s, `${at}[${i}]`));
  return {
    ...maybe(e, 'p_pa', at, row),
    ...maybe(e, 'p_of', at, (v, at) => oneOf(v, points, at)),
    ...maybe(e, 'computed', at, flag),
    ...optional(e, 'limit_pa', at),
    ...optional(e, 'target_pa', at),
    ...optional(e, 'baseline_pa', at),
    ...maybe(e, 'rate_per_s', at, row),
    ...optional(e, 'for_s', at),
    ...optional(e, 'limit_s', at),
    ...maybe(e, 'trace', at, ventTrace),
    ...maybe(e, 'envelope', at, ventEnvelope),
    ...maybe(e, 'because', at, texts),
    ...maybe(e, 'blind', at, text),
    ...maybe(e, 'point', at, (v, at) => oneOf(v, points, at)),
    ...maybe(e, 'fault', at, text),
    ...maybe(e, 'other', at, text),
    ...optional(e, 'size', at),
    ...maybe(e, 'trend', at, trend),
    ...maybe(e, 'contents', at, contents),
    ...optional(e, 'water_kg', at),
    ...optional(e, 'limit_kg', at),
    ...optional(e, 'silent_s', at),
    ...maybe(e, 'safe', at, flag),
    ...optional(e, 'ahead_s', at),
    ...maybe(e, 'late', at, flag),
    ...maybe(e, 'cause', at, text),
    ...maybe(e, 'first', at, flag),
    ...maybe(e, 'word', at, text),
    ...maybe(e, 'until', at, text),
    ...maybe(e, 'note', at, text),
  };
}

function trend(value: unknown, at: string): AlarmTrend {
  const t = fields(value, at);
  return {
    value: number(t['value'], `${at}.value`),
    ...optional(t, 'sd', at),
    ...optional(t, 'limit', at),
    ...maybe(t, 'p10', at, instant),
    ...maybe(t, 'p50', at, instant),
    ...maybe(t, 'p90', at, instant),
  };
}

function contents(value: unknown, at: string): AlarmContents {
  const c = fields(value, at);
  return { ...optional(c, 'share', at), ...optional(c, 'low', at), ...optional(c, 'high', at), ...optional(c, 'limit', at), ...maybe(c, 'empty_s', at, quantiles) };
}

function counts(value: unknown, at: string): AlarmCounts {
  const c = fields(value, at);
  return {
    critical: number(c['critical'], `${at}.critical`),
    high: number(c['high'], `${at}.high`),
    medium: number(c['medium'], `${at}.medium`),
    low: number(c['low'], `${at}.low`),
  };
}

function span(value: unknown, at: string): AlarmSpan {
  const s = fields(value, at);
  const n = (key: string) => number(s[key], `${at}.${key}`);
  return {
    over_s: n('over_s'),
    alarms: n('alarms'),
    by_priority: counts(s['by_priority'], `${at}.by_priority`),
    per_hour: n('per_hour'),
    per_ten_minutes: n('per_ten_minutes'),
    most_in_ten_minutes: n('most_in_ten_minutes'),
    busy_share: n('busy_share'),
    flood_share: n('flood_share'),
    floods: n('floods'),
  };
}

function source(value: unknown, at: string): AlarmSource {
  const s = fields(value, at);
  return {
    ...maybe(s, 'pot', at, text),
    ...maybe(s, 'agent', at, text),
    alarm: text(s['alarm'], `${at}.alarm`),
    ...maybe(s, 'point', at, (v, at) => oneOf(v, points, at)),
    ...maybe(s, 'fault', at, text),
    times: number(s['times'], `${at}.times`),
    share: number(s['share'], `${at}.share`),
  };
}

export function alarmFigures(value: unknown): AlarmFigures {
  const at = 'figures';
  const f = fields(value, at);
  const n = (key: string) => number(f[key], `${at}.${key}`);
  const sources = (key: string) => list(f[key], `${at}.${key}`).map((v, i) => source(v, `${at}.${key}[${i}]`));
  return {
    last_ten_minutes: n('last_ten_minutes'),
    flood: flag(f['flood'], `${at}.flood`),
    day: span(f['day'], `${at}.day`),
    month: span(f['month'], `${at}.month`),
    worst: sources('worst'),
    chattering: sources('chattering'),
    standing: counts(f['standing'], `${at}.standing`),
    waiting: counts(f['waiting'], `${at}.waiting`),
    stale: list(f['stale'], `${at}.stale`).map((v, i) => text(v, `${at}.stale[${i}]`)),
    shelved: n('shelved'),
    suppressed: n('suppressed'),
    out_of_service: n('out_of_service'),
    benchmarks: benchmarks(f['benchmarks'], `${at}.benchmarks`),
    server_t: instant(f['server_t'], `${at}.server_t`),
  };
}

function benchmarks(value: unknown, at: string): AlarmBenchmarks {
  const b = fields(value, at);
  const n = (key: string) => number(b[key], `${at}.${key}`);
  return {
    per_hour: n('per_hour'),
    per_ten_minutes: n('per_ten_minutes'),
    flood_begins: n('flood_begins'),
    flood_ends: n('flood_ends'),
    flood_share: n('flood_share'),
    stale: n('stale'),
    critical_share: n('critical_share'),
    high_share: n('high_share'),
    medium_share: n('medium_share'),
    low_share: n('low_share'),
  };
}
