// Pots for the browser tests, as the server would send them. Invented site Harrow Quay, pots named after trees.
import type { Air, Point, Pot, State, Word } from '../../src/lib/protocol/types.gen';

export const PSI = 6894.757293168361;

export interface Sketch {
  readonly name: string;
  readonly state: State;
  readonly word: Word;
  readonly because?: readonly string[];
  /** psi by point, in the order supply, separator, vessel, hose, nozzle, control; null: no reading. */
  readonly psi?: readonly (number | null)[];
  readonly age_s?: number;
  readonly for_s?: number;
  readonly air?: Air;
  readonly simulated?: boolean;
  readonly points?: readonly Point[];
  readonly measured?: boolean;
}

const path: readonly Point[] = ['supply', 'separator', 'vessel', 'hose', 'nozzle', 'control'];

export function pot(s: Sketch): Pot {
  const psi = s.psi ?? [];
  const at = (i: number) => psi[i] ?? null;
  const pressure_pa: Record<string, number> = {};
  const quality: Record<string, 'old' | 'no-reply'> = {};
  const points = s.points ?? path.filter((p, i) => i < psi.length && (p !== 'nozzle' || s.measured !== false));
  points.forEach((p) => {
    const v = at(path.indexOf(p));
    if (v === null) quality[p] = (s.age_s ?? 0) > 2 ? 'old' : 'no-reply';
    else pressure_pa[p] = v * PSI;
  });
  const drop = (a: number, b: number) => (at(a) !== null && at(b) !== null ? ((at(a) ?? 0) - (at(b) ?? 0)) * PSI : undefined);
  const drops = { separator: drop(0, 1), valve: drop(1, 2), mixing: drop(2, 3), hose: drop(3, 4) };
  const drop_pa = Object.fromEntries(Object.entries(drops).filter(([, v]) => v !== undefined && s.state === 'blasting'));
  const nozzle = at(4);
  const blasting = s.state === 'blasting' && nozzle !== null;
  const age = s.age_s ?? 0.3;
  return {
    kind: 'estimate',
    name: s.name,
    site: 'harrow-quay',
    t: new Date().toISOString(),
    age_s: age,
    simulated: s.simulated ?? false,
    state: s.state,
    state_for_s: s.for_s ?? 42,
    pressure_pa,
    ...(Object.keys(quality).length > 0 && { quality }),
    drop_pa,
    ...(blasting && { nozzle_pa: nozzle * PSI, production: 1 - 0.015 * (100 - nozzle) }),
    nozzle_measured: s.measured ?? true,
    answer: { word: s.word, because: s.because ?? [], age_s: age },
    air: s.air ?? 'on',
    target_pa: 100 * PSI,
    rated_pa: 150 * PSI,
    unit: 'psi',
    points,
    agent: 'quay-1',
  } as Pot;
}

export const maple = pot({ name: 'maple', state: 'at-rest', word: 'vented', psi: [114, 114, 0.1, 0, 0, 0], for_s: 483 });

/** A pot whose vent fell from 108 psi to what its vessel holds, and stalls there since so many s. */
export function stalled(p: Pot, s: number): Pot {
  const holds = p.pressure_pa.vessel ?? 0;
  const p0 = 108 * PSI;
  const t_s = Array.from({ length: 48 }, (_, i) => (i * s) / 48);
  return {
    ...p,
    vent: {
      released: new Date(Date.parse(p.t ?? '') - s * 1000).toISOString(),
      trace: { t_s, p_pa: t_s.map((t) => holds + (p0 - holds) * Math.exp(-t / 4)) },
      envelope: { from_s: 0.6, p0_pa: p0, rate_per_s: 0.42, down_to_pa: 5 * PSI },
      over: true,
    },
  };
}

/** Six pots in all states. */
export function six(): Pot[] {
  return [
    pot({ name: 'alder', state: 'blasting', word: 'pressurised', because: ['over-limit', 'control-pressed', 'hose-pressure', 'nozzle-pressure'], psi: [111, 104.2, 102, 100.8, 88.6, 95], for_s: 372, simulated: true }),
    pot({ name: 'birch', state: 'venting', word: 'pressurised', because: ['over-limit', 'hose-pressure'], psi: [112, 111, 46, 31, 12, 1], for_s: 2, simulated: true }),
    pot({ name: 'cedar', state: 'at-rest', word: 'not-proven', because: ['no-vent-seen'], psi: [113, 113, 0.2, 0.1, null, 0], for_s: 5400, simulated: true, points: ['supply', 'separator', 'vessel', 'hose', 'control'], measured: false }),
    pot({ name: 'hazel', state: 'unknown', word: 'not-proven', because: ['vessel-old', 'agent-silent'], psi: [null, null, null, null, null, null], age_s: 14.2, for_s: 12, air: 'unknown', simulated: true }),
    { ...maple, simulated: true },
    stalled(pot({ name: 'rowan', state: 'held', word: 'pressurised', because: ['over-limit'], psi: [112, 110, 38, 0.4, 0.1, 0.1], for_s: 30, simulated: true }), 42),
  ];
}

const trees = ['acacia', 'aspen', 'beech', 'bay', 'box', 'cherry', 'cypress', 'dogwood', 'ebony', 'elder', 'elm', 'fig', 'fir', 'gorse', 'hawthorn', 'hemlock', 'holly', 'hornbeam', 'juniper', 'larch', 'laurel', 'lime', 'magnolia', 'medlar', 'mulberry', 'myrtle', 'oak', 'olive', 'osier', 'pear', 'pine', 'plane', 'plum', 'poplar', 'quince', 'sorb', 'spruce', 'sumac', 'sycamore', 'walnut', 'willow', 'yew'];

/** The six and more pots in common states, count in all. */
export function many(count: number): Pot[] {
  const out = six();
  for (let i = 0; out.length < count; i++) {
    const tree = trees[i % trees.length] ?? 'oak';
    const name = i < trees.length ? tree : `${tree}-${Math.floor(i / trees.length) + 1}`;
    const k = i % 7;
    if (k < 3) out.push(pot({ name, state: 'blasting', word: 'pressurised', because: ['over-limit', 'control-pressed'], psi: [112, 110.4, 108.3, 107.1, 93 + k * 2.6, 95], for_s: 60 * i + 5 }));
    else if (k === 3) out.push(pot({ name, state: 'at-rest', word: 'vented', psi: [114, 114, 0.3, 0.1, 0, 0], for_s: 300 * i, air: i % 2 ? 'off' : 'on' }));
    else if (k === 4) out.push(pot({ name, state: 'charging', word: 'pressurised', because: ['over-limit', 'control-pressed'], psi: [101, 99, 57, 55, 21, 95], for_s: 1 }));
    else if (k === 5) out.push(pot({ name, state: 'at-rest', word: 'not-proven', because: i % 2 ? ['settling'] : ['no-vent-seen'], psi: [113, 113, 0.6, 0, null, 0], measured: false, for_s: 3 }));
    else out.push(pot({ name, state: 'at-rest', word: 'not-proven', because: ['gauge-does-not-follow'], psi: [113, 113, 0.1, 0, null, 0], measured: false, for_s: 70 }));
  }
  return out;
}
