import { describe, expect, test } from 'vitest';
import { pot } from '../../../tests/e2e/fixtures';
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
