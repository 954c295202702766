import { describe, expect, test } from 'vitest';
import { pot, PSI } from '../../../tests/e2e/fixtures';
import { alder } from '../../../tests/e2e/potfixtures';
import { grade } from './grade';

const blasting = { name: 'alder', state: 'blasting', word: 'pressurised', because: ['over-limit'] } as const;

test('a full path falls from left to right', () => {
  const g = grade(pot({ ...blasting, psi: [111, 104.2, 102, 100.8, 88.6, 95] }));
  expect(g.dots.map((d) => d.point)).toEqual(['supply', 'separator', 'vessel', 'hose', 'nozzle']);
  expect(g.line).toHaveLength(4);
  expect(g.gaps).toEqual([]);
  for (const s of g.line) {
    expect(s.to.x).toBeGreaterThan(s.from.x);
    expect(s.to.y).toBeGreaterThan(s.from.y);
  }
});

test('the largest loss is marked, once', () => {
  const g = grade(pot({ ...blasting, psi: [111, 104.2, 102, 100.8, 88.6, 95] }));
  expect(g.losses.map((l) => [l.segment, l.largest])).toEqual([
    ['separator', false],
    ['valve', false],
    ['mixing', false],
    ['hose', true],
  ]);
});

test('no line runs across a point without a reading', () => {
  const g = grade(pot({ ...blasting, psi: [111, 104, null, 100, 88, 95] }));
  expect(g.gaps.map((p) => p.point)).toEqual(['vessel']);
  expect(g.line.map((s) => `${s.from.point}-${s.to.point}`)).toEqual(['supply-separator', 'hose-nozzle']);
});

test('a point that the pot does not have is no gap', () => {
  const g = grade(pot({ ...blasting, psi: [111, null, 102, 100, null, 95], points: ['supply', 'vessel', 'hose', 'control'] }));
  expect(g.gaps).toEqual([]);
  expect(g.line.map((s) => `${s.from.point}-${s.to.point}`)).toEqual(['supply-vessel', 'vessel-hose']);
});

test('a reckoned nozzle is told from a measured one', () => {
  const g = grade(pot({ ...blasting, psi: [111, 104, 102, 100, 88, 95], measured: false }));
  expect(g.dots.at(-1)).toMatchObject({ point: 'nozzle', estimated: true });
});

describe('at rest', () => {
  const g = grade(pot({ name: 'maple', state: 'at-rest', word: 'vented', psi: [0.3, 0.1, 0.1, 0, 0, 0] }));
  test('a difference is no loss', () => expect(g.losses).toEqual([]));
  test('noise does not look like a fall', () => {
    const ys = g.dots.map((d) => d.y);
    expect(Math.max(...ys) - Math.min(...ys)).toBeLessThan(2);
  });
});

test('a pot without any reading has only gaps', () => {
  const g = grade(pot({ name: 'hazel', state: 'unknown', word: 'not-proven', because: ['vessel-old'], psi: [null, null, null, null, null, null] }));
  expect(g.dots).toEqual([]);
  expect(g.gaps).toHaveLength(5);
  expect(g.line).toEqual([]);
});

describe('over the baseline', () => {
  const account = alder();
  test('the baseline is what was lost on the way more than then, above today', () => {
    const g = grade(account);
    const psi = g.base.map((b) => Math.round((b.pa / PSI) * 10) / 10);
    // Today 111, 104.2, 102, 100.8, 88.6; lost more: sag 1, then 5.3, 0.1, −0.2, 1.2.
    expect(g.base.map((b) => b.point)).toEqual(['supply', 'separator', 'vessel', 'hose', 'nozzle']);
    expect(psi).toEqual([112, 110.5, 108.4, 107, 96]);
    for (const b of g.base) expect(b.y).toBeLessThanOrEqual(g.dots.find((d) => d.point === b.point)?.y ?? 0);
  });

  test('ends at the whole fall over today’s nozzle, as the server reckons it', () => {
    const g = grade(account);
    expect((g.base.at(-1)?.pa ?? 0) - (g.dots.at(-1)?.pa ?? 0)).toBeCloseTo(account.losses?.fall.pa ?? 0, -1);
  });

  test('marks the segment that loses most over it, not the one that loses most', () => {
    const g = grade(account);
    expect(g.worst).toMatchObject({ segment: 'separator', from: 'supply' });
    expect(g.losses.find((l) => l.largest)?.segment).toBe('hose');
    const { losses, ...rest } = account;
    if (losses === undefined) throw new Error('no account');
    const { separator: _, ...healthy } = losses;
    expect(grade({ ...rest, losses: healthy }).worst).toBeNull();
  });

  test('stops where a segment’s share is not known', () => {
    const { losses, ...rest } = account;
    if (losses === undefined) throw new Error('no account');
    const { mixing: _, ...some } = losses;
    expect(grade({ ...rest, losses: some }).base.map((b) => b.point)).toEqual(['supply', 'separator', 'vessel']);
    const { hose: __, ...less } = losses;
    expect(grade({ ...rest, points: rest.points.filter((p) => p !== 'nozzle'), losses: less }).base.map((b) => b.point)).toEqual(['supply', 'separator', 'vessel', 'hose']);
  });

  test('goes across points that the pot does not have', () => {
    const p = pot({ ...blasting, psi: [110, null, 100, 98, null, 95], points: ['supply', 'vessel', 'hose', 'control'], measured: false });
    const cost = (v: number) => ({ pa: v * PSI, share: 0 });
    const g = grade({ ...p, losses: { fall: cost(3), sag: cost(1), sag_at: 'supply', valve: { from: 'supply', excess: cost(2) }, mixing: { from: 'vessel', excess: cost(0) } } });
    expect(g.base.map((b) => [b.point, Math.round(b.pa / PSI)])).toEqual([
      ['supply', 111],
      ['vessel', 103],
      ['hose', 101],
    ]);
  });

  test('is not drawn where nothing is known', () => expect(grade(pot({ ...blasting, psi: [111, 104, 102, 100, 88, 95] })).base).toEqual([]));
});

test('marks are round in the unit, and the target stands among them', () => {
  const g = grade(alder(), { width: 640, height: 300, left: 60, right: 600, top: 40, bottom: 240 }, PSI);
  expect(g.marks.map((m) => m.value)).toEqual([90, 95, 100, 105, 110]);
  expect(g.targetY).toBeCloseTo(g.marks.find((m) => m.value === 100)?.y ?? 0, 6);
});

test('a stroke through each point says how far off it may be, to the drawing’s own scale', () => {
  const g = grade(alder());
  expect(g.dots.map((d) => d.off?.pa)).toEqual([111, 104.2, 102, 100.8, 88.6].map((psi) => (0.25 + 0.002 * psi) * PSI));
  const [supply, nozzle] = [g.dots[0], g.dots[4]];
  if (supply?.off == null || nozzle === undefined) throw new Error('no stroke');
  const perPa = (nozzle.y - supply.y) / (supply.pa - nozzle.pa);
  expect(supply.y - supply.off.high).toBeCloseTo(supply.off.pa * perPa, 6);
  expect(supply.off.low - supply.y).toBeCloseTo(supply.off.pa * perPa, 6);
  expect(grade(pot({ ...blasting, psi: [111, 104.2, 102, 100.8, 88.6, 95] })).dots.every((d) => d.off === null)).toBe(true);
});

test('a nozzle that is reckoned is as far off as that says, not as its neighbours’ gauges', () => {
  const { pressure_pa: { nozzle: _, ...read }, ...rest } = alder();
  const p = { ...rest, pressure_pa: read, nozzle_measured: false, nozzle_pa: 88 * PSI, doubt: { ...rest.doubt, nozzle_pa: 1.4 * PSI } };
  const dot = grade(p).dots.at(-1);
  expect([dot?.point, dot?.estimated]).toEqual(['nozzle', true]);
  expect(dot?.off?.pa).toBeCloseTo(1.4 * PSI, 6);
});
