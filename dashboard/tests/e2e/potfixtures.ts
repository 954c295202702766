// A pot with all its figures, and what a server has stored of it, for the browser tests. Invented.
import type { Contents, Cycle, History, Pot, StandingAlarm, StoredBaseline, Trace } from '../../src/lib/protocol/types.gen';
import { pot, PSI } from './fixtures';
import type { Asked, Reply, Scripted } from './harness';

const DAY = 86_400_000;
const iso = (ms: number) => new Date(ms).toISOString();

/** Alder blasts, its separator clogged: everything that can be known of it is. */
export function alder(): Pot {
  const now = Date.now();
  return {
    ...pot({
      name: 'alder',
      state: 'blasting',
      word: 'pressurised',
      because: ['over-limit', 'control-pressed', 'hose-pressure', 'nozzle-pressure'],
      psi: [111, 104.2, 102, 100.8, 88.6, 95],
      for_s: 372,
      simulated: true,
    }),
    air_kg_s: 0.142,
    level_kg: 103,
    level_sd_kg: 9,
    level_share: 0.37,
    level_low: 0.33,
    level_high: 0.41,
    flow_kg_s: 0.152,
    loading: 1.07,
    used_kg: 412,
    empty_s: { p10: 560, p50: 680, p90: 850 },
    empty_clock_s: { p10: 640, p50: 830, p90: 1180 },
    bore_mm: 11.42,
    bore_sd_mm: 0.08,
    resistance: { separator: 1.71, valve: 1.02, mixing: 0.98, hose: 1.06 },
    exhaust: 0.93,
    losses: {
      fall: { pa: 7.4 * PSI, share: 0.111, money_h: 14.2 },
      sag: { pa: 1 * PSI, share: 0.015, money_h: 1.92 },
      sag_at: 'supply',
      separator: { from: 'supply', excess: { pa: 5.3 * PSI, share: 0.08, money_h: 10.2 }, flow_pa: 0.4 * PSI, mix_pa: 0, resistance_pa: 4.9 * PSI },
      valve: { from: 'separator', excess: { pa: 0.1 * PSI, share: 0.0015, money_h: 0.19 } },
      mixing: { from: 'vessel', excess: { pa: -0.2 * PSI, share: -0.003, money_h: -0.38 } },
      hose: { from: 'hose', excess: { pa: 1.2 * PSI, share: 0.018, money_h: 2.3 }, flow_pa: -0.3 * PSI, mix_pa: 0.6 * PSI, resistance_pa: 0.9 * PSI },
      short: { pa: 4 * PSI, share: 0.06, money_h: 7.7 },
      currency: 'USD',
    },
    baseline: { how: 'commissioned', t: iso(now - 40 * DAY), seconds: 0, provisional: false, air_only: 'ritual' },
    wear: {
      separator: { index: 1.71, sd: 0.05, due: true, limit: 1.3, trend_h: 0.021, changed: iso(now - 2 * DAY) },
      valve: { index: 1.02, sd: 0.03, due: false, limit: 1.3 },
      mixing: { index: 0.98, sd: 0.03, due: false, limit: 1.3 },
      hose: { index: 1.06, sd: 0.03, due: false, limit: 1.3, trend_h: 0.002, t_10: iso(now + 6 * DAY), t_50: iso(now + 11 * DAY), t_90: iso(now + 29 * DAY) },
      exhaust: { index: 0.93, sd: 0.01, due: false, limit: 0.9, trend_h: -0.001, t_10: iso(now + 9 * DAY), t_50: iso(now + 16 * DAY) },
      bore: { index: 1.03, sd: 0.007, due: false, limit: 1.14, t_10: iso(now + 40 * DAY) },
    },
    condensate: { since: iso(now - DAY / 3), air_kg: 1420, water_kg: 9.4, due: true },
    findings: ['separator-restricted', 'drain-due'],
    doubt: {
      pressure_pa: Object.fromEntries(([['supply', 111], ['separator', 104.2], ['vessel', 102], ['hose', 100.8], ['nozzle', 88.6]] as const).map(([p, psi]) => [p, (0.25 + 0.002 * psi) * PSI])),
      losses: {
        fall: { pa: 0.2 * PSI, share: 0.003, money_h: 0.38 },
        sag: { pa: 0.19 * PSI, share: 0.0028, money_h: 0.36 },
        sag_at: 'supply',
        separator: { from: 'supply', excess: { pa: 0.28 * PSI, share: 0.0042, money_h: 0.54 }, resistance_pa: 0.33 * PSI },
        valve: { from: 'separator', excess: { pa: 0.28 * PSI, share: 0.0042, money_h: 0.54 } },
        mixing: { from: 'vessel', excess: { pa: 0.28 * PSI, share: 0.0042, money_h: 0.54 } },
        hose: { from: 'hose', excess: { pa: 0.28 * PSI, share: 0.0042, money_h: 0.54 }, resistance_pa: 0.8 * PSI },
        short: { pa: 0.33 * PSI, share: 0.005, money_h: 0.64 },
        currency: 'USD',
      },
    },
  } as unknown as Pot;
}

/** Alder s seconds after its release; slow: it stalls at 38 psi. */
export function venting(s: number, slow = false): Pot {
  const rate = slow ? 0.22 : 0.52;
  const p0 = 104 * PSI;
  const rest = slow ? 38 * PSI : 0;
  const at = (t: number) => (t < 0.5 ? p0 : Math.max(rest, (p0 + 101_325) * Math.exp(-rate * (t - 0.5)) - 101_325));
  const t_s = Array.from({ length: Math.floor(s * 10) + 1 }, (_, i) => i / 10);
  const p = at(s) / PSI;
  const { losses: _, flow_kg_s: _f, empty_s: _e, empty_clock_s: _c, findings: _g, ...others } = alder();
  return {
    ...others,
    ...pot({ name: 'alder', state: slow && s > 12 ? 'held' : 'venting', word: 'pressurised', because: ['over-limit', 'hose-pressure'], psi: [112, 111, p, p * 0.7, p * 0.3, 1], for_s: s, simulated: true }),
    vent: {
      released: iso(Date.now() - s * 1000),
      trace: { t_s, p_pa: t_s.map(at) },
      envelope: { from_s: 1.5, p0_pa: p0, rate_per_s: 0.31, tail_pa: 221_000, tail_rate_per_s: 0.248, down_to_pa: 20_000 },
      over: false,
    },
  } as unknown as Pot;
}

/** A pot of which little is known: no gauge but the vessel's and the handle, no baseline, no level. */
export const bare = (): Pot => pot({ name: 'linden', state: 'at-rest', word: 'not-proven', because: ['no-vent-seen', 'no-second-witness'], psi: [null, null, 0.4, null, null, 0], points: ['vessel', 'control'], measured: false, for_s: 90, air: 'unknown' });

const points = ['supply', 'separator', 'vessel', 'hose', 'nozzle', 'control'] as const;

/** Pressures, psi, of alder at an instant: it blasts for five minutes of every seven. */
function at(ms: number, point: (typeof points)[number]): number {
  const phase = (ms / 1000) % 420;
  const noise = Math.sin(ms / 977) * 0.4 + Math.sin(ms / 311) * 0.3;
  const blast = phase < 300 ? Math.min(1, phase / 1.2) : Math.exp(-(phase - 300) / 2);
  switch (point) {
    case 'supply':
      return 114 - 3 * Math.min(1, blast) + noise;
    case 'separator':
      return 114 - 9.6 * Math.min(1, blast) + noise;
    case 'vessel':
      return 102 * blast + noise * blast;
    case 'hose':
      return 100.6 * blast + noise * blast;
    case 'nozzle':
      return 88.6 * blast + noise * blast;
    case 'control':
      return phase < 300 ? 95 : 0.2;
  }
}

/** What a server would give of a range; from lost to found (ms before now) nothing was stored. */
export function historyOf(asked: Asked, lostMs: number, foundMs: number): Reply {
  const from = Date.parse(asked.url.searchParams.get('from') ?? '');
  const to = Date.parse(asked.url.searchParams.get('to') ?? '');
  const step_s = Number(asked.url.searchParams.get('step'));
  const only = asked.url.searchParams.get('points');
  const now = Date.now();
  const steps = Math.ceil((to - from) / 1000 / step_s);
  const want = points.filter((p) => only === null || only.split(',').includes(p));
  const traces = want.map((point): Trace => {
    const n: number[] = [];
    const min: (number | null)[] = [];
    const max: (number | null)[] = [];
    const mean: (number | null)[] = [];
    for (let i = 0; i < steps; i++) {
      const t = from + i * step_s * 1000;
      const none = t > now || (now - t < lostMs && now - t > foundMs);
      n.push(none ? 0 : Math.max(1, Math.round(step_s * 10)));
      const all = [0, 0.25, 0.5, 0.75].map((f) => at(t + f * step_s * 1000, point) * PSI);
      min.push(none ? null : Math.min(...all));
      max.push(none ? null : Math.max(...all));
      mean.push(none ? null : all.reduce((a, b) => a + b) / 4);
    }
    return { point, good: { n, min_pa: min, max_pa: max, mean_pa: mean } };
  });
  const body: History = { name: 'alder', site: 'harrow-quay', simulated: true, from: iso(from), to: iso(to), step_s, steps, epochs: [{ epoch: 7, estimated: false }], traces, server_t: iso(now) };
  return { status: 200, body };
}

/** What the vessel held over the cycle so many before the last: it is filled again after each fifth. */
function contentsOf(i: number): Contents {
  const left = 0.4 + 0.12 * (i % 5);
  return { before: left + 0.12, left, low: left - 0.05, high: left + 0.05 };
}

/** Twenty cycles, a page at a time. What the vents of the older ten were judged by was not kept yet. */
export function cyclesOf(asked: Asked): Reply {
  const limit = Number(asked.url.searchParams.get('limit'));
  const after = Number(asked.url.searchParams.get('after') ?? '0');
  const now = Date.now();
  const all = Array.from({ length: 20 }, (_, i): Cycle => {
    // The newest is let go three minutes ago at least: its vent is older than what store leaves out.
    const press = Math.floor((now - 60_000) / 420_000) * 420_000 - (i + 1) * 420_000;
    const healthy = i < 10 && { healthy: { from_s: 0.9, p0_pa: 101.8 * PSI, rate_per_s: 0.31, tail_pa: 221_000, tail_rate_per_s: 0.248, down_to_pa: 121_590, ambient_pa: 101_325 } };
    return {
      kind: 'cycle',
      pot: 'alder',
      t: iso(press + 312_000),
      press: iso(press),
      release: iso(press + 300_000),
      blast_s: 300 - i,
      inferred: i === 4,
      vent: i === 2 ? { p0_pa: 101 * PSI, ...healthy } : { p0_pa: 101.4 * PSI, tau_s: 2.77 - i * 0.01, residual_pa: 199 + i * 30, settled_s: 7.3 - i * 0.08, ...healthy },
      ...(i !== 3 && { abrasive_kg: 47 - i }),
      ...(i !== 3 && { contents: contentsOf(i) }),
      late: i === 6,
      incomplete: i === 2,
    };
  });
  const from = Date.parse(asked.url.searchParams.get('from') ?? '1970-01-01T00:00:00Z');
  const list = all.filter((c) => Date.parse(c.press) >= from).slice(after, after + limit);
  return { status: 200, body: { cycles: list, ...(after + limit < all.length && { next: String(after + limit) }), server_t: iso(now) } };
}

export function baselinesOf(): Reply {
  const now = Date.now();
  const b: StoredBaseline = {
    id: '01',
    pot: 'alder',
    t: iso(now - 40 * DAY),
    how: 'commissioned',
    air_only: false,
    points_pa: { supply: 112 * PSI, separator: 110.5 * PSI, vessel: 108.4 * PSI, hose: 107.2 * PSI, nozzle: 96 * PSI },
    seconds: 0,
    by: 'R. Quill',
    note: 'new element, new nozzle',
  };
  return { status: 200, body: { baselines: [b], server_t: iso(now) } };
}

/** A server that has all this stored. */
export function store(server: Scripted, name = 'alder', lostMs = 150_000, foundMs = 110_000): void {
  server.routes.set(`/api/v1/pots/${name}/history`, (asked) => historyOf(asked, lostMs, foundMs));
  server.routes.set(`/api/v1/pots/${name}/cycles`, cyclesOf);
  server.routes.set(`/api/v1/pots/${name}/baselines`, baselinesOf);
}

/** Pots as a server sends them whose engine knows something: those that blast get a forecast, and an account of their losses. */
export function figured(pots: readonly Pot[]): Pot[] {
  return pots.map((p, i) => {
    if (p.state !== 'blasting') return p.state === 'at-rest' && i % 2 === 0 ? { ...p, empty_s: { p10: 1200, p50: 1440, p90: 1640 } } : p;
    const p50 = i % 5 === 1 ? 250 : 680 + (i % 9) * 120;
    const more = p.name === 'alder' ? 5.3 : i % 6 === 2 ? 2.8 : 0.4;
    const cost = (psi: number) => ({ pa: psi * PSI, share: psi * 0.015 });
    const none = { from: 'separator', excess: cost(0.1) };
    const losses = {
      fall: cost(more + 1.3),
      sag: cost(0.6),
      sag_at: 'supply',
      separator: { from: 'supply', excess: cost(more) },
      valve: none,
      mixing: { ...none, from: 'vessel' },
      ...(p.points.includes('nozzle') && { hose: { from: 'hose', excess: cost(0.5) } }),
    };
    return { ...p, empty_s: { p10: p50 * 0.8, p50, p90: p50 * 1.3 }, losses } as unknown as Pot;
  });
}

/** Alarms of the six pots: one of each priority. */
export function standing(): StandingAlarm[] {
  const ago = (s: number) => iso(Date.now() - s * 1000);
  const one = (id: string, pot: string, alarm: string, priority: StandingAlarm['priority'], state: StandingAlarm['state'], s: number): StandingAlarm => ({
    id,
    pot,
    alarm,
    priority,
    state,
    raised: ago(s),
    since: ago(s),
    active: true,
    loud: priority === 'critical' && state === 'unacknowledged',
    first: true,
    can: ['acknowledge'],
  });
  return [
    one('01A', 'rowan', 'vessel-held', 'critical', 'unacknowledged', 42),
    one('01B', 'alder', 'separator-restricted', 'medium', 'unacknowledged', 1300),
    one('01C', 'birch', 'pot-empty-soon', 'medium', 'acknowledged', 95),
  ];
}
