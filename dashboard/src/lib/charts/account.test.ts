import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { pot, PSI } from '../../../tests/e2e/fixtures';
import { alder } from '../../../tests/e2e/potfixtures';
import { decodeFrame } from '../protocol/decode';
import { account } from './account';
import { grade } from './grade';

test('the rows are the sag and the segments in the order of the air', () => {
  const rows = account(alder()) ?? [];
  expect(rows.map((r) => r.what)).toEqual(['sag', 'separator', 'valve', 'mixing', 'hose']);
  expect(rows.map((r) => r.worst)).toEqual([false, true, false, false, false]);
  expect(rows.every((r) => r.since === null)).toBe(true);
});

test('what they cost adds up to the whole fall', () => {
  const p = alder();
  const sum = (of: (r: { pa: number; share: number; money_h?: number }) => number) => (account(p) ?? []).reduce((a, r) => a + of(r.excess), 0);
  expect(sum((c) => c.pa)).toBeCloseTo(p.losses?.fall.pa ?? 0, 0);
  expect(sum((c) => c.share)).toBeCloseTo(p.losses?.fall.share ?? 0, 2);
});

test('the bars together are the losses, the longest of them fills the row', () => {
  const { doubt: _, ...sure } = alder();
  const rows = account(sure) ?? [];
  const hose = rows.find((r) => r.what === 'hose');
  expect((hose?.bar.base ?? 0) + (hose?.bar.more ?? 0)).toBeCloseTo(1, 6);
  const separator = rows.find((r) => r.what === 'separator');
  expect(separator?.drop).toBeCloseTo(6.8 * PSI, 0);
  expect(separator?.bar.more).toBeCloseTo(5.3 / 12.2, 3);
  expect(separator?.bar.base).toBeCloseTo(1.5 / 12.2, 3);
  const mixing = rows.find((r) => r.what === 'mixing');
  expect(mixing?.bar.more).toBe(0);
  expect(mixing?.bar.less).toBeCloseTo(0.2 / 12.2, 3);
});

test('causes are told only where all three are known', () => {
  const rows = account(alder()) ?? [];
  const s = rows.find((r) => r.what === 'separator');
  expect(s?.causes?.resistance).toBeCloseTo(4.9 * PSI, 0);
  expect((s?.causes?.flow ?? 0) + (s?.causes?.mix ?? 0) + (s?.causes?.resistance ?? 0)).toBeCloseTo(s?.excess.pa ?? 0, 0);
  expect(rows.find((r) => r.what === 'valve')?.causes).toBeNull();
});

test('several segments without a gauge between are one row, with their whole loss', () => {
  const p = pot({ name: 'oak', state: 'blasting', word: 'pressurised', because: ['over-limit'], psi: [110, null, 100, 98, null, 95], points: ['supply', 'vessel', 'hose', 'control'], measured: false });
  const rows = account({ ...p, drop_pa: { valve: PSI }, losses: { fall: { pa: 1, share: 0 }, sag: { pa: 0, share: 0 }, sag_at: 'supply', valve: { from: 'supply', excess: { pa: PSI, share: 0.015 } } } }) ?? [];
  const valve = rows.find((r) => r.what === 'valve');
  expect(valve?.since).toBe('separator');
  expect(valve?.drop).toBeCloseTo(10 * PSI, 0);
});

test('nothing is told where nothing is known, and a small loss is not marked', () => {
  expect(account(pot({ name: 'oak', state: 'at-rest', word: 'not-proven', because: ['settling'] }))).toBeNull();
  const p = alder();
  const losses = { fall: { pa: 900, share: 0 }, sag: { pa: 900, share: 0 }, sag_at: 'supply' as const };
  expect(account({ ...p, losses })?.some((r) => r.worst)).toBe(false);
});

test('the beginning of a press marks nothing, in the table and in the line', () => {
  expect(account({ ...alder(), state_for_s: 7.9 })?.some((r) => r.worst)).toBe(false);
  expect(grade({ ...alder(), state_for_s: 7.9 }).worst).toBeNull();
  expect(account({ ...alder(), state_for_s: 8 })?.filter((r) => r.worst)).toHaveLength(1);
  expect(grade({ ...alder(), state_for_s: 8 }).worst?.segment).toBe('separator');
});

test('the server’s own vector has an account that can be drawn', () => {
  const decoded = decodeFrame(readFileSync(new URL('../../../../protocol/testdata/live/frame-snapshot.json', import.meta.url), 'utf8'));
  if (!decoded.ok) throw new Error(decoded.problem);
  const rows = account(decoded.frame.pots[0] ?? pot({ name: 'none', state: 'unknown', word: 'not-proven', because: ['vessel-old'] }));
  expect(rows?.map((r) => r.what)).toEqual(['sag', 'separator', 'valve']);
});

test('what a row is off by lies around the end of its bar, within the drawing', () => {
  const rows = account(alder()) ?? [];
  const hose = rows.find((r) => r.what === 'hose');
  expect(hose?.off?.pa).toBeCloseTo(0.28 * PSI, 0);
  expect(hose?.causesOff).toBeCloseTo(0.8 * PSI, 0);
  // 12.2 psi and 0.28 more are the longest.
  expect(hose?.bar.off?.to).toBeCloseTo(1, 6);
  expect(hose?.bar.off?.from).toBeCloseTo((12.2 - 0.28) / (12.2 + 0.28), 6);
  expect(rows.find((r) => r.what === 'sag')?.bar.off?.from).toBeCloseTo((1 - 0.19) / (12.2 + 0.28), 4);
  expect(rows.find((r) => r.what === 'valve')?.causesOff).toBeNull();
  const { doubt: _, ...sure } = alder();
  expect(account(sure)?.every((r) => r.off === null && r.bar.off === null && r.causesOff === null)).toBe(true);
});
