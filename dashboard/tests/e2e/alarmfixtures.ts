// Alarms for the browser tests, and a server's part for them: it does what people ask in the simplest way that the protocol
// allows, and refuses what a test tells it to.
import type { Alarm, AlarmDeed, AlarmDetail, AlarmEvidence, AlarmFigures, AlarmState, AlarmText, Priority, StandingAlarm, Transition } from '../../src/lib/protocol/types.gen';
import { alarmTexts, alarmKinds, answerRule } from '../../src/lib/protocol/types.gen';
import { PSI } from './fixtures';
import type { Asked, Reply, Scripted } from './harness';

const ids = '0123456789ABCDEFGHJKMNPQRSTVWXYZ';

/** A ULID-like id of a number, in its order. */
export function idOf(n: number): string {
  return `01JD${'0'.repeat(20)}${ids[Math.floor(n / 32) % 32]}${ids[n % 32]}`;
}

export interface Draft {
  readonly n: number;
  readonly alarm: string;
  readonly priority: Priority;
  readonly pot?: string;
  readonly agent?: string;
  readonly state?: AlarmState;
  /** Raised so long ago, s. */
  readonly ago?: number;
  readonly active?: boolean;
  readonly by?: string;
  readonly forS?: number;
  readonly cause?: number;
  readonly first?: boolean;
  readonly can?: readonly AlarmDeed[];
  readonly point?: 'vessel' | 'hose';
  readonly fault?: string;
}

const hidden: readonly AlarmState[] = ['shelved', 'suppressed', 'out-of-service'];
const unacknowledged: readonly AlarmState[] = ['unacknowledged', 'returned-unacknowledged', 'latched-unacknowledged'];

function can(state: AlarmState, priority: Priority): readonly AlarmDeed[] {
  return [...does(state, priority), 'comment'];
}

function does(state: AlarmState, priority: Priority): readonly AlarmDeed[] {
  if (state === 'shelved') return ['unshelve'];
  if (state === 'out-of-service') return ['bring-back'];
  if (state === 'suppressed') return [];
  const out: AlarmDeed[] = unacknowledged.includes(state) ? ['acknowledge'] : [];
  if (state.startsWith('latched')) out.push('reset');
  return priority === 'critical' ? out : [...out, 'shelve', 'take-out'];
}

export function alarm(d: Draft): StandingAlarm {
  const state = d.state ?? 'unacknowledged';
  const raised = new Date(Date.now() - (d.ago ?? 42) * 1000).toISOString();
  const active = d.active ?? (state === 'unacknowledged' || state === 'acknowledged' || hidden.includes(state));
  return {
    id: idOf(d.n),
    ...(d.pot !== undefined && { pot: d.pot }),
    ...(d.agent !== undefined && { agent: d.agent }),
    alarm: d.alarm,
    priority: d.priority,
    state,
    raised,
    since: raised,
    active,
    loud: state === 'unacknowledged' && d.priority === 'critical' && active,
    ...(d.point !== undefined && { point: d.point }),
    ...(d.fault !== undefined && { fault: d.fault }),
    ...(d.by !== undefined && { by: d.by, by_t: raised }),
    ...(d.forS !== undefined && { until: new Date(Date.now() + d.forS * 1000).toISOString() }),
    ...(d.cause !== undefined && { cause: idOf(d.cause) }),
    first: d.first ?? d.cause === undefined,
    can: d.can ?? can(state, d.priority),
  };
}

/** Open alarms in all states. */
export function standing(): StandingAlarm[] {
  return [
    alarm({ n: 1, alarm: 'vent-slow', priority: 'critical', pot: 'rowan', ago: 50, state: 'acknowledged', by: 'Ann Field' }),
    alarm({ n: 2, alarm: 'vessel-held', priority: 'critical', pot: 'rowan', ago: 42, cause: 1 }),
    alarm({ n: 3, alarm: 'agent-silent', priority: 'critical', agent: 'quay-2', ago: 14, state: 'acknowledged', by: 'Ann Field' }),
    alarm({ n: 4, alarm: 'vessel-unknown', priority: 'critical', pot: 'hazel', ago: 9, state: 'suppressed' }),
    alarm({ n: 5, alarm: 'pot-empty-soon', priority: 'high', pot: 'alder', ago: 130 }),
    alarm({ n: 6, alarm: 'separator-restricted', priority: 'medium', pot: 'alder', ago: 86_000 }),
    alarm({ n: 7, alarm: 'nozzle-low', priority: 'medium', pot: 'birch', ago: 400, state: 'returned-unacknowledged' }),
    alarm({ n: 8, alarm: 'sensor-fault', priority: 'medium', pot: 'cedar', point: 'hose', fault: 'slow-port', ago: 4000, state: 'acknowledged', by: 'Bo Quist' }),
    alarm({ n: 9, alarm: 'drain-due', priority: 'low', pot: 'birch', ago: 7200, state: 'shelved', by: 'Bo Quist', forS: 5000 }),
    alarm({ n: 10, alarm: 'hose-restricted', priority: 'medium', pot: 'maple', ago: 90_000, state: 'out-of-service' }),
  ];
}

/** A vent that stalls: the trace of a vessel that fell to psi and stays. */
export function stalledVent(psi = 38): AlarmEvidence {
  const t_s = Array.from({ length: 61 }, (_, i) => i * 0.5);
  const p_pa = t_s.map((t) => (psi + (108 - psi) * Math.exp(-t / 4)) * PSI);
  return { p_pa: [108 * PSI, psi * PSI], trace: { t_s, p_pa }, envelope: { from_s: 0.6, p0_pa: 108 * PSI, rate_per_s: 0.42, down_to_pa: 5 * PSI }, first: true };
}

export function evidenceOf(kind: string): AlarmEvidence {
  const day = (n: number) => new Date(Date.now() + n * 86_400_000).toISOString();
  switch (kind) {
    case 'vessel-held':
    case 'vent-slow':
      return { ...stalledVent(), ...(kind === 'vent-slow' && { rate_per_s: [0.11, 0.42] }) };
    case 'pot-empty-soon':
      return { limit_s: 480, contents: { share: 0.18, low: 0.11, high: 0.26, limit: 0.3, empty_s: { p10: 180, p50: 270, p90: 380 } }, first: true };
    case 'separator-restricted':
      return { trend: { value: 1.28, sd: 0.03, limit: 1.5, p10: day(2), p50: day(4), p90: day(9) }, first: true };
    case 'hose-restricted':
      return { trend: { value: 1.62, sd: 0.04, limit: 1.5 } };
    case 'nozzle-low':
      return { p_pa: [84 * PSI], p_of: 'nozzle', computed: true, target_pa: 100 * PSI, limit_pa: 90 * PSI };
    case 'supply-low':
      return { p_pa: [108 * PSI], p_of: 'supply', target_pa: 100 * PSI, baseline_pa: 120 * PSI, limit_pa: 110 * PSI };
    case 'over-pressure':
      return { p_pa: [156 * PSI], limit_pa: 150 * PSI };
    case 'supply-below-vessel':
      return { p_pa: [80 * PSI, 83 * PSI], limit_pa: 82 * PSI };
    case 'stop-slow': {
      const t_s = Array.from({ length: 26 }, (_, i) => i * 0.2);
      return { p_pa: [97 * PSI, 92 * PSI], p_of: 'nozzle', limit_pa: 32 * PSI, for_s: 5.1, limit_s: 5, trace: { t_s, p_pa: t_s.map((t) => (97 - t) * PSI) } };
    }
    case 'press-overlong':
      return { for_s: 2700.2, limit_s: 2700 };
    case 'pressure-creep':
      return { p_pa: [0.2 * PSI, 3.4 * PSI], limit_pa: 3 * PSI };
    case 'sensor-fault':
      return { point: 'hose', fault: 'slow-port', size: 2.4 };
    case 'drain-due':
      return { water_kg: 3.2, limit_kg: 3 };
    case 'agent-silent':
      return { silent_s: 10.2, limit_s: 10, first: true };
    case 'vessel-unknown':
      return { because: ['vessel-old', 'agent-silent'], for_s: 15.2, limit_s: 15, blind: 'stuck' };
    default:
      return {};
  }
}

function textOf(kind: string): AlarmText {
  const known = alarmKinds.find((k) => k === kind);
  return known === undefined ? { says: 'New kind.', consequence: 'None.', causes: [], do: [] } : alarmTexts[known];
}

/** The part of a server that has alarms: it takes deeds and keeps a history. */
export class AlarmDesk {
  readonly #server: Scripted;
  readonly #transitions = new Map<string, Transition[]>();
  /** Ended alarms, the newest first. */
  ended: Alarm[] = [];
  /** Those of them that the server has in memory, and not in its records yet. */
  readonly unstored = new Set<string>();
  /** What is answered to every deed in place of doing it. */
  refuse: { readonly status: number; readonly detail: string } | null = null;
  /** What an alarm of a kind is shown by. */
  evidence: (kind: string) => AlarmEvidence = evidenceOf;
  figures: AlarmFigures = figures();

  constructor(server: Scripted, open: StandingAlarm[]) {
    this.#server = server;
    server.alarms = open;
    server.routes.set('/api/v1/alarms', (asked) => this.#list(asked));
    server.routes.set('/api/v1/alarms/figures', () => ({ status: 200, body: { ...this.figures, server_t: now() } }));
    server.routes.set('/api/v1/alarms/*', (asked) => this.#one(asked));
  }

  /** An alarm is raised: it stands first. */
  raise(a: StandingAlarm): void {
    this.#server.alarms = [a, ...this.#server.alarms];
  }

  /** The condition of an alarm ends, or it is over altogether. */
  end(id: string): void {
    const a = this.#server.alarms.find((a) => a.id === id);
    if (a === undefined) throw new Error(`no alarm ${id}`);
    this.#note(a, 'returned');
    this.#server.alarms = this.#server.alarms.filter((a) => a.id !== id);
    this.ended = [this.#record(a, now()), ...this.ended];
  }

  #list({ url }: Asked): Reply {
    const q = url.searchParams;
    const of = q.get('state') === 'open' ? this.#server.alarms.map((a) => this.#record(a)) : this.ended.filter((a) => !this.unstored.has(a.id) && (q.get('pot') === null || a.pot === q.get('pot')));
    const limit = Number(q.get('limit') ?? 50);
    const from = q.get('after') === null ? 0 : of.findIndex((a) => a.id === q.get('after')) + 1;
    const alarms = of.slice(from, from + limit);
    return { status: 200, body: { alarms, ...(from + limit < of.length && { next: alarms.at(-1)?.id }), server_t: now() } };
  }

  #one({ url, method, body }: Asked): Reply {
    const [id = '', deed] = url.pathname.slice('/api/v1/alarms/'.length).split('/');
    const a = this.#server.alarms.find((a) => a.id === id);
    if (method === 'POST') {
      if (this.refuse !== null) return problem(this.refuse.status, this.refuse.detail);
      const over = this.ended.find((a) => a.id === id);
      if (over !== undefined && deed === 'comment') return { status: 200, body: this.#comment(over, body as { by: string; note: string }) };
      if (a === undefined) return problem(404, `cannot ${deed} alarm "${id}": there is no such open alarm; it may have ended meanwhile`);
      const done = this.#do(a, deed as AlarmDeed, body as { by: string; note?: string; for_s?: number });
      return { status: 200, body: this.#detail(done) };
    }
    const old = this.ended.find((a) => a.id === id);
    if (a !== undefined) return { status: 200, body: this.#detail(a) };
    if (old !== undefined) return { status: 200, body: { ...old, ...this.#about(old.alarm), server_t: now() } };
    return problem(404, 'there is no alarm of this id');
  }

  #do(a: StandingAlarm, deed: AlarmDeed, act: { by: string; note?: string; for_s?: number }): StandingAlarm {
    const acknowledged = (s: AlarmState): AlarmState => (s.startsWith('latched') ? 'latched-acknowledged' : 'acknowledged');
    const next: Record<AlarmDeed, AlarmState> = {
      acknowledge: acknowledged(a.state), shelve: 'shelved', unshelve: 'unacknowledged', reset: 'normal', 'take-out': 'out-of-service', 'bring-back': 'unacknowledged', comment: a.state,
    };
    const event = { acknowledge: 'acknowledged', shelve: 'shelved', unshelve: 'unshelved', reset: 'reset', 'take-out': 'out-of-service', 'bring-back': 'in-service', comment: 'commented' }[deed];
    const state = next[deed];
    if (deed === 'comment') {
      const last = this.#note(a, event, act.by, act.note);
      const done = { ...a, last };
      this.#server.alarms = this.#server.alarms.map((x) => (x.id === a.id ? done : x));
      return done;
    }
    const { until: _, ...rest } = a;
    const done: StandingAlarm = {
      ...rest,
      state,
      since: now(),
      loud: false,
      can: can(state, a.priority),
      ...(deed === 'acknowledge' && { by: act.by, by_t: now() }),
      ...(deed === 'shelve' && { until: new Date(Date.now() + (act.for_s ?? 0) * 1000).toISOString() }),
    };
    this.#note(a, event, act.by, act.note);
    const over = state === 'normal' || (deed === 'acknowledge' && a.state === 'returned-unacknowledged');
    this.#server.alarms = this.#server.alarms.flatMap((x) => (x.id !== a.id ? [x] : over ? [] : [done]));
    if (over) this.ended = [this.#record(done, now()), ...this.ended];
    return done;
  }

  #comment(a: Alarm, act: { by: string; note: string }): AlarmDetail {
    const done: Alarm = { ...a, transitions: [...a.transitions, { id: `${a.id}-${a.transitions.length}`, t: now(), event: 'commented', by: act.by, evidence: { note: act.note } }] };
    this.ended = this.ended.map((x) => (x.id === a.id ? done : x));
    return { ...done, ...this.#about(a.alarm), server_t: now() };
  }

  #note(a: StandingAlarm, event: string, by?: string, note?: string): string {
    const list = this.#transitions.get(a.id) ?? [];
    const id = `${a.id}-${list.length}`;
    list.push({ id, t: now(), event, ...(by !== undefined && { by }), ...(note !== undefined && { evidence: { note } }) });
    this.#transitions.set(a.id, list);
    return id;
  }

  #record(a: StandingAlarm, ended?: string): Alarm {
    const e = this.evidence(a.alarm);
    return {
      id: a.id,
      ...(a.pot !== undefined && { pot: a.pot }),
      ...(a.agent !== undefined && { agent: a.agent }),
      alarm: a.alarm,
      priority: a.priority,
      raised: a.raised,
      ...(ended === undefined ? { standing: a } : { ended }),
      transitions: [{ id: `${a.id}-raised`, t: a.raised, event: 'raised', evidence: e }, ...(this.#transitions.get(a.id) ?? [])],
    };
  }

  #about(kind: string) {
    return { evidence: this.evidence(kind), text: textOf(kind), answer_rule: answerRule };
  }

  #detail(a: StandingAlarm): AlarmDetail {
    return { ...this.#record(a), ...this.#about(a.alarm), server_t: now() };
  }
}

/** Ended alarms, the newest first. */
export function history(count: number): Alarm[] {
  return Array.from({ length: count }, (_, i): Alarm => {
    const raised = Date.now() - (i + 1) * 3_600_000;
    const kind = ['pot-empty-soon', 'nozzle-low', 'vent-slow'][i % 3] ?? '';
    return {
      id: idOf(900 - i),
      pot: ['alder', 'birch'][i % 2] ?? '',
      alarm: kind,
      priority: kind === 'vent-slow' ? 'critical' : kind === 'nozzle-low' ? 'medium' : 'high',
      raised: new Date(raised).toISOString(),
      ended: new Date(raised + 240_000).toISOString(),
      transitions: [{ id: `${i}-raised`, t: new Date(raised).toISOString(), event: 'raised', evidence: evidenceOf(kind) }],
    };
  });
}

export function figures(): AlarmFigures {
  const span = (over_s: number, alarms: number, per_hour: number) => ({
    over_s, alarms, by_priority: { critical: 2, high: 9, medium: 30, low: alarms - 41 }, per_hour, per_ten_minutes: per_hour / 6, most_in_ten_minutes: 7, busy_share: 0, flood_share: 0, floods: 0,
  });
  return {
    last_ten_minutes: 3,
    flood: false,
    day: span(86_400, 88, 3.7),
    month: span(30 * 86_400, 5200, 7.2),
    worst: [
      { pot: 'alder', alarm: 'pot-empty-soon', times: 14, share: 0.16 },
      { agent: 'quay-2', alarm: 'clock-skew', times: 6, share: 0.07 },
    ],
    chattering: [],
    standing: { critical: 3, high: 1, medium: 2, low: 0 },
    waiting: { critical: 1, high: 1, medium: 2, low: 0 },
    stale: [idOf(10)],
    shelved: 1,
    suppressed: 1,
    out_of_service: 1,
    benchmarks: { per_hour: 6, per_ten_minutes: 1, flood_begins: 10, flood_ends: 5, flood_share: 0.01, stale: 5, critical_share: 0.01, high_share: 0.05, medium_share: 0.15, low_share: 0.8 },
    server_t: now(),
  };
}

function now(): string {
  return new Date().toISOString();
}

function problem(status: number, detail: string): Reply {
  return { status, body: { type: 'about:blank', title: 'Conflict', status, detail } };
}
