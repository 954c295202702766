import { expect, test } from 'vitest';
import { baselinesOf, cyclesOf, historyOf } from '../../../tests/e2e/potfixtures';
import { Stored } from './stored';
import type { Fetch } from './stored';

const signal = new AbortController().signal;
const at = Date.parse('2026-11-24T14:00:00Z');

function replies(body: unknown, status = 200): { readonly stored: Stored; readonly asked: string[] } {
  const asked: string[] = [];
  const fetch: Fetch = (path) => {
    asked.push(path);
    return Promise.resolve(new Response(JSON.stringify(body), { status }));
  };
  return { stored: new Stored(fetch), asked };
}

const real = (of: (asked: { method: string; url: URL; body: unknown }) => { body: unknown }, path: string) => of({ method: 'GET', url: new URL(path, 'http://x'), body: null }).body;

test('history is asked for by range and step, and read', async () => {
  const body = real((a) => historyOf(a, 0, 0), '/api/v1/pots/alder/history?from=2026-11-24T13:59:00.000Z&to=2026-11-24T14:00:00.000Z&step=2');
  const { stored, asked } = replies(body);
  const got = await stored.history('alder', at - 60_000, at, 2, signal, 'vessel');
  expect(asked).toEqual(['/api/v1/pots/alder/history?from=2026-11-24T13%3A59%3A00.000Z&to=2026-11-24T14%3A00%3A00.000Z&step=2&points=vessel']);
  if (!got.ok) throw new Error(got.problem);
  expect(got.value.steps).toBe(30);
  expect(got.value.traces.map((t) => t.point)).toEqual(['supply', 'separator', 'vessel', 'hose', 'nozzle', 'control']);
  expect(got.value).toEqual(body);
});

test('cycles and baselines', async () => {
  const body = real(cyclesOf, '/?limit=8');
  const c = replies(body);
  const cycles = await c.stored.cycles('alder', 8, null, signal);
  expect(c.asked).toEqual(['/api/v1/pots/alder/cycles?limit=8']);
  expect(cycles.ok && cycles.value.cycles.length).toBe(8);
  expect(cycles.ok && cycles.value.next).toBe('8');
  expect(cycles).toEqual({ ok: true, value: body });
  await c.stored.cycles('alder', 8, 'x/+', signal);
  expect(c.asked[1]).toBe('/api/v1/pots/alder/cycles?limit=8&after=x%2F%2B');
  const b = await replies(baselinesOf().body).stored.baselines('alder', signal);
  expect(b.ok && b.value.baselines[0]?.by).toBe('R. Quill');
});

test('a refusal says what the server says', async () => {
  const got = await replies({ type: 'about:blank', title: 'Bad Request', status: 400, detail: 'to does not lie after from' }, 400).stored.history('alder', at, at, 1, signal);
  expect(got).toEqual({ ok: false, problem: 'to does not lie after from' });
  expect(await replies({}, 503).stored.cycles('alder', 8, null, signal)).toEqual({ ok: false, problem: 'status 503' });
});

test.each([
  ['no object', 5],
  ['columns shorter than the steps', { ...(real((a) => historyOf(a, 0, 0), '/?from=2026-11-24T13:59:00.000Z&to=2026-11-24T14:00:00.000Z&step=2') as object), steps: 31 }],
  ['a step of nothing', { ...(real((a) => historyOf(a, 0, 0), '/?from=2026-11-24T13:59:00.000Z&to=2026-11-24T14:00:00.000Z&step=2') as object), step_s: 0 }],
  ['an instant that is none', { ...(real((a) => historyOf(a, 0, 0), '/?from=2026-11-24T13:59:00.000Z&to=2026-11-24T14:00:00.000Z&step=2') as object), from: 'yesterday' }],
])('what does not fit is refused whole: %s', async (_, body) => {
  const got = await replies(body).stored.history('alder', at - 60_000, at, 2, signal);
  expect(got.ok).toBe(false);
  expect(got.ok ? '' : got.problem).toMatch(/^history/);
});

test('a server that cannot be reached, and a question that was taken back', async () => {
  const gone = new Stored(() => Promise.reject(new TypeError('failed')));
  expect(await gone.baselines('alder', signal)).toEqual({ ok: false, problem: 'the server cannot be reached' });
  const aborted = new AbortController();
  aborted.abort();
  expect(await gone.baselines('alder', aborted.signal)).toEqual({ ok: false, problem: '' });
  const words = new Stored(() => Promise.resolve(new Response('<html>', { status: 502 })));
  expect(await words.baselines('alder', signal)).toEqual({ ok: false, problem: 'status 502' });
});
