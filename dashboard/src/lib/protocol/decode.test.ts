import { readdirSync, readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { decodeFrame } from './decode';
import { codes, sentences } from './types.gen';
import type { Frame } from './types.gen';

const folder = new URL('../../../../protocol/testdata/live/', import.meta.url);
const read = (name: string) => readFileSync(new URL(name, folder), 'utf8');
const vectors = readdirSync(folder).filter((f) => f.startsWith('frame-'));

// The Go side checks that these files are, byte for byte, what its messages encode to.
test.each(vectors)('%s is read whole', (name) => {
  const text = read(name);
  const got = decodeFrame(text);
  expect(got).toEqual({ ok: true, frame: JSON.parse(text) as unknown, problems: [], unreadable: [], unreadableAlarms: 0 });
});

test('there are vectors', () => expect(vectors.length).toBeGreaterThanOrEqual(3));

describe('alarms', () => {
  const frame = (change: (a: Record<string, unknown>) => void) => {
    const f = JSON.parse(read('frame-alarms.json')) as { alarms: Record<string, unknown>[] };
    const first = f.alarms[0];
    if (first === undefined) throw new Error('no alarm in the vector');
    change(first);
    return decodeFrame(JSON.stringify(f));
  };
  const count = (JSON.parse(read('frame-alarms.json')) as { alarms: unknown[] }).alarms.length;

  test('of a kind or with a deed that this page does not know are shown, without that deed', () => {
    const got = frame((a) => {
      a['alarm'] = 'hatch-open';
      a['can'] = ['sing', 'acknowledge'];
    });
    expect(got).toMatchObject({ ok: true, unreadableAlarms: 0, problems: [] });
    if (got.ok) expect(got.frame.alarms?.[0]).toMatchObject({ alarm: 'hatch-open', can: ['acknowledge'] });
  });

  test.each([
    ['a priority that is none', (a: Record<string, unknown>) => (a['priority'] = 'urgent'), /priority: "urgent"/],
    ['a state that is none', (a: Record<string, unknown>) => (a['state'] = 'gone'), /state: "gone"/],
    ['nothing of whether it sounds', (a: Record<string, unknown>) => delete a['loud'], /loud: not true or false/],
    ['a time that is none', (a: Record<string, unknown>) => (a['raised'] = 'noon'), /raised: not an RFC 3339 time/],
  ])('with %s are counted as not read, and the others stay', (_, change, problem) => {
    const got = frame(change);
    if (!got.ok) throw new Error(got.problem);
    expect(got.unreadableAlarms).toBe(1);
    expect(got.problems.join()).toMatch(problem);
    expect(got.frame.alarms).toHaveLength(count - 1);
    expect(got.unreadable).toEqual([]);
  });
});

test('every code has a sentence', () => {
  for (const code of codes) expect(sentences[code]).toMatch(/^[A-Z].*\.$/);
});

/** The snapshot with its first pot changed. */
function changed(change: (pot: Record<string, unknown>) => void): string {
  const frame = JSON.parse(read('frame-snapshot.json')) as { pots: Record<string, unknown>[] };
  const first = frame.pots[0];
  if (first === undefined) throw new Error('no pot in the vector');
  change(first);
  return JSON.stringify(frame);
}

const answer = (value: unknown) => changed((p) => (p['answer'] = value));

describe('a pot that does not fit is left out, named, and the others stay', () => {
  test.each([
    ['a word that is none', answer({ word: 'open', because: [], age_s: 1 }), /answer.word: "open"/],
    ['a word in capitals', answer({ word: 'VENTED', because: [], age_s: 1 }), /answer.word/],
    ['vented with a reason against it', answer({ word: 'vented', because: ['settling'], age_s: 1 }), /with reasons against it/],
    ['vented without an age', answer({ word: 'vented', because: [] }), /without an age/],
    ['vented with an age that is text', answer({ word: 'vented', because: [], age_s: '0.1' }), /age_s: not a number/],
    ['vented with an age that is null', answer({ word: 'vented', because: [], age_s: null }), /age_s: not a number/],
    ['vented from the future', answer({ word: 'vented', because: [], age_s: -1 }), /age_s: negative/],
    ['not proven without a reason', answer({ word: 'not-proven', because: [] }), /without a reason/],
    ['no reasons at all', answer({ word: 'pressurised' }), /because: not a list/],
    ['no answer', answer(undefined), /answer: not an object/],
    ['an answer that is a list', answer([]), /answer: not an object/],
    ['a pressure that is text', changed((p) => (p['pressure_pa'] = { vessel: '0' })), /pressure_pa.vessel: not a number/],
    ['a pressure of an unknown point', changed((p) => (p['pressure_pa'] = { lid: 0 })), /"lid" is not one of/],
    ['a state that is none', changed((p) => (p['state'] = 'empty')), /state: "empty"/],
    ['air that is none', changed((p) => (p['air'] = 'maybe')), /air/],
    ['no word on the simulator', changed((p) => delete p['simulated']), /simulated: not true or false/],
    ['a time that is none', changed((p) => (p['t'] = 'noon')), /\.t: not an RFC 3339 time/],
    ['a quality that is none', changed((p) => (p['quality'] = { vessel: 'fine' })), /quality.vessel/],
    ['a point that is none', changed((p) => (p['points'] = ['lid'])), /points\[0\]/],
  ])('%s', (_, text, problem) => {
    const got = decodeFrame(text);
    if (!got.ok) throw new Error(got.problem);
    expect(got.problems).toHaveLength(1);
    expect(got.problems[0]).toMatch(problem);
    expect(got.unreadable).toEqual(['alder']);
    expect(got.frame.pots.map((p) => p.name)).toEqual(['rowan', 'maple']);
  });

  test('without a legible name', () => {
    const got = decodeFrame(changed((p) => (p['name'] = 7)));
    expect(got).toMatchObject({ ok: true, unreadable: [] });
    expect(got.ok && got.problems).toHaveLength(1);
  });

  test('a pot that stands twice is believed in neither place', () => {
    const frame = JSON.parse(read('frame-snapshot.json')) as Frame;
    const got = decodeFrame(JSON.stringify({ ...frame, pots: [...frame.pots, frame.pots[0]] }));
    expect(got).toMatchObject({ ok: true, unreadable: ['alder'] });
    expect(got.ok && got.frame.pots.map((p) => p.name)).toEqual(['rowan', 'maple']);
  });
});

test.each([
  [(p: Record<string, unknown>) => (p['losses'] = { ...(p['losses'] as object), separator: { from: 'supply', excess: { pa: '1', share: 0 } } }), 'frame.pots[0].losses.separator.excess.pa: not a number'],
  [(p: Record<string, unknown>) => (p['pressure_pa'] = { vessel: null }), 'frame.pots[0].pressure_pa.vessel: not a number'],
  [(p: Record<string, unknown>) => (p['points'] = ['vessel', 3]), 'frame.pots[0].points[1]: 3 is not one of supply, separator, vessel, hose, nozzle, control'],
  [(p: Record<string, unknown>) => (p['findings'] = ['', {}]), 'frame.pots[0].findings[1]: not a text'],
  [(p: Record<string, unknown>) => (p['used_kg'] = -1), 'frame.pots[0].used_kg: negative'],
  [(p: Record<string, unknown>) => (p['baseline'] = 7), 'frame.pots[0].baseline: not an object'],
  [(p: Record<string, unknown>) => (p['resistance'] = { hose: 'x' }), 'frame.pots[0].resistance.hose: not a number'],
])('what does not fit is told with where it stands (%#)', (change, problem) => {
  expect(decodeFrame(changed(change))).toMatchObject({ problems: [problem] });
});

test('what a newer server adds is passed over', () => {
  const got = decodeFrame(changed((p) => (p['level_kg'] = 12)));
  expect(got).toMatchObject({ ok: true, problems: [] });
  const code = decodeFrame(answer({ word: 'not-proven', because: ['moonlight'], age_s: 1 }));
  expect(code).toMatchObject({ ok: true, problems: [] });
});

describe('a frame that does not fit is refused', () => {
  const frame = { type: 'change', seq: 2, server_t: '2026-11-24T14:32:07.300Z', pots: [] };
  test.each([
    ['', /not JSON/],
    ['{"type":"snapshot"', /not JSON/],
    ['null', /not an object/],
    ['[]', /not an object/],
    ['"vented"', /not an object/],
    [JSON.stringify({ ...frame, type: 'hello' }), /frame.type/],
    [JSON.stringify({ ...frame, seq: 0 }), /frame.seq/],
    [JSON.stringify({ ...frame, seq: 1.5 }), /frame.seq/],
    [JSON.stringify({ ...frame, seq: '2' }), /frame.seq/],
    [JSON.stringify({ ...frame, server_t: 1 }), /frame.server_t/],
    [JSON.stringify({ ...frame, pots: null }), /frame.pots/],
  ])('%s', (text, problem) => {
    const got = decodeFrame(text);
    expect(got.ok).toBe(false);
    expect(!got.ok && got.problem).toMatch(problem);
  });
});
