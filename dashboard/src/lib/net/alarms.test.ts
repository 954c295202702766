import { describe, expect, test } from 'vitest';
import { AlarmDesk, history, idOf, standing } from '../../../tests/e2e/alarmfixtures';
import { Scripted } from '../../../tests/e2e/harness';
import { AlarmBook } from './alarms';
import type { Fetch } from './ask';

/** A server that answers without a network. */
function desk(): { readonly book: AlarmBook; readonly server: Scripted; readonly desk: AlarmDesk } {
  const server = new Scripted();
  const desk = new AlarmDesk(server, standing());
  const fetch: Fetch = (path, options) => {
    const url = new URL(path, 'http://x');
    const key = [...server.routes.keys()].filter((k) => k === url.pathname || (k.endsWith('*') && url.pathname.startsWith(k.slice(0, -1)))).toSorted((a, b) => b.length - a.length)[0] ?? '';
    const reply = server.routes.get(key)?.({ method: options.method ?? 'GET', url, body: options.body === undefined ? undefined : JSON.parse(String(options.body)) });
    return Promise.resolve(new Response(JSON.stringify(reply?.body), { status: reply?.status ?? 500 }));
  };
  return { book: new AlarmBook(fetch), server, desk };
}

const signal = new AbortController().signal;
const saying = (fetch: Fetch) => new AlarmBook(fetch);

describe('the book of alarms', () => {
  test('is read page by page to its end', async () => {
    const { book, desk: d } = desk();
    d.ended = history(120);
    const ids: string[] = [];
    let after: string | null = null;
    for (let n = 0; n < 5; n++) {
      const got = await book.ended(null, after, signal);
      if (!got.ok) throw new Error(got.problem);
      ids.push(...got.value.alarms.map((a) => a.id));
      after = got.value.next ?? null;
      if (after === null) break;
    }
    expect(ids).toEqual(d.ended.map((a) => a.id));
  });

  test('gives an alarm with what shows it and what to do', async () => {
    const got = await desk().book.detail(idOf(2), signal);
    expect(got).toMatchObject({ ok: true, value: { alarm: 'vessel-held', text: { says: expect.stringContaining('holds pressure') }, evidence: { trace: expect.anything(), envelope: expect.anything() } } });
  });

  test('sends who, what and for how long', async () => {
    const { book, server } = desk();
    expect(await book.act(idOf(5), 'shelve', { by: 'Ann Field', note: 'refill under way', for_s: 900 })).toEqual({ ok: true, value: null });
    expect(server.alarms.find((a) => a.id === idOf(5))).toMatchObject({ state: 'shelved' });
  });

  test('acts over the live connection where there is one, and else by a POST, never by both', async () => {
    const posted: string[] = [];
    const fetch: Fetch = (path) => {
      posted.push(path);
      return Promise.resolve(new Response('{}'));
    };
    const lost = { ok: false, why: 'unreached', problem: 'the server did not answer' } as const;
    expect(await new AlarmBook(fetch, () => Promise.resolve(lost)).act(idOf(5), 'acknowledge', { by: 'Ann' })).toEqual(lost);
    expect(posted).toEqual([]);
    expect(await new AlarmBook(fetch, () => null).act(idOf(5), 'acknowledge', { by: 'Ann' })).toEqual({ ok: true, value: null });
    expect(posted).toEqual([`/api/v1/alarms/${idOf(5)}/acknowledge`]);
  });

  test('tells a refusal in the server’s words, and what is gone apart from it', async () => {
    const { book, desk: d } = desk();
    d.refuse = { status: 409, detail: 'cannot shelve: it stays in sight' };
    expect(await book.act(idOf(2), 'shelve', { by: 'Ann', for_s: 900 })).toEqual({ ok: false, why: 'refused', problem: 'cannot shelve: it stays in sight' });
    expect(await book.detail('01JD', signal)).toMatchObject({ ok: false, why: 'gone' });
  });

  test('figures come with their benchmarks', async () => {
    expect(await desk().book.figures(signal)).toMatchObject({ ok: true, value: { benchmarks: { per_hour: 6 }, day: { alarms: 88 } } });
  });

  test('what cannot be read, reached or waited for is told', async () => {
    expect(await saying(() => Promise.resolve(new Response('{"alarms":[{}]}'))).ended(null, null, signal)).toMatchObject({ why: 'unfit', problem: 'alarms[0].id: not a text' });
    expect(await saying(() => Promise.resolve(new Response('<html>'))).ended(null, null, signal)).toMatchObject({ why: 'unfit' });
    expect(await saying(() => Promise.resolve(new Response('<html>', { status: 502 }))).figures(signal)).toMatchObject({ why: 'refused', problem: 'status 502' });
    expect(await saying(() => Promise.reject(new TypeError('down'))).figures(signal)).toMatchObject({ why: 'unreached' });
    expect(await saying(() => Promise.reject(new DOMException('', 'AbortError'))).figures(AbortSignal.abort())).toMatchObject({ why: 'aborted' });
  });
});
