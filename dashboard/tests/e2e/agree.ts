// The page and the API of one server must agree. Used on a scripted server and on a real one.
//
// No clock of one program is held against another's, and nothing is inferred from when this program came to look: on a busy machine it
// looks seconds apart, and late. The page is held against the frames that it heard, by its own clock: R10. The frames are held against
// the API where both tell of the same reading, by its name and instant: then they must say the same word.
import { expect } from 'vitest';
import type { Browser, Page } from 'playwright-core';
import type { Frame, Pot } from '../../src/lib/protocol/types.gen';
import { record, watch } from './harness';

/** R10's 3 s. */
const LEASE_MS = 3000;

/** Why one reading's word may differ from one instant to the next: judged when it is said (R6, R8), or found by another (R2). */
const SERVED = ['vessel-old', 'no-echo', 'agent-silent', 'guard-absent', 'guard-differs', 'rules-differ', 'config-differs', 'second-agent', 'second-session', 'sensor-fault'];

/** What the server says of a pot, over either way. */
export interface Said {
  readonly pot: string;
  /** Instant of the newest reading. */
  readonly t: string | undefined;
  readonly word: string;
  readonly because: readonly string[];
  /** s; undefined: none stands behind it. */
  readonly age_s: number | undefined;
}

/** What happened to the page, each with its own monotonic time, ms. */
export type Event =
  /** A connection is tried, or a frame is acknowledged on it: nothing that comes next was sent earlier. */
  | { readonly what: 'asks'; readonly at: number }
  | { readonly what: 'frame'; readonly at: number; readonly pots: readonly Said[] }
  | { readonly what: 'closed'; readonly at: number }
  /** The page came to run; what was due has run before the next time. */
  | { readonly what: 'beat'; readonly at: number }
  /** A pot's answer is to fade from the screen by itself, and will be gone at the end. */
  | { readonly what: 'fade'; readonly at: number; readonly pot: string; readonly end: number }
  /** A pot's answer says another word. */
  | { readonly what: 'word'; readonly at: number; readonly pot: string; readonly word: string };

export interface Agreement {
  readonly pots: number;
  /** Pots that the page showed as VENTED at some time. */
  readonly vented: number;
}

/** What of the events breaks R10: VENTED is shown only from the newest frame, and until the sample behind that is 3 s old. In their order. */
export function breaches(events: readonly Event[]): string[] {
  const out: string[] = [];
  const shown = new Map<string, string>();
  const newest = new Map<string, { word: string; at: number; ends: number }>();
  let [floor, open, ran] = [Number.NEGATIVE_INFINITY, false, Number.NEGATIVE_INFINITY];
  const judge = (pot: string, at: number, late: (f: { ends: number }) => boolean, how = '') => {
    const f = newest.get(pot);
    const heard = f === undefined ? 'nothing' : `${f.word} ${Math.round(at - f.at)} ms before, good until ${Math.round(f.ends - at)} ms after`;
    if (f === undefined || !open || f.word !== 'vented' || f.at > f.ends || late(f)) out.push(`${pot} VENTED at ${Math.round(at)} ms${how}, heard ${open ? '' : 'before the connection was lost '}${heard}`);
  };
  for (const e of events) {
    if (e.what === 'asks') {
      floor = e.at;
      open = true;
    } else if (e.what === 'closed') open = false;
    else if (e.what === 'frame') {
      for (const { pot, word, age_s } of e.pots) newest.set(pot, { word, at: e.at, ends: floor + LEASE_MS - (age_s ?? Infinity) * 1000 });
    } else if (e.what === 'beat') {
      // A machine that kept the page from running let its script not say so in time. It must when it has run again; the fade did meanwhile.
      for (const [pot, word] of shown) if (word === 'VENTED') judge(pot, e.at, (f) => ran > f.ends);
      ran = e.at;
    } else if (e.what === 'fade') judge(e.pot, e.at, (f) => e.end > f.ends + 1, `, to fade until ${Math.round(e.end - e.at)} ms after`);
    else {
      shown.set(e.pot, e.word);
      if (e.word === 'VENTED') judge(e.pot, e.at, () => false);
    }
  }
  return out;
}

/** Holds what the API said against the frames. Each pair is of one pot and reading; both said vented in some. */
export function pairs(api: readonly Said[], frames: readonly Said[]): { vented: number; others: number; differ: string[] } {
  const by = new Map<string, Said[]>();
  const key = (s: Said) => `${s.pot} ${s.t}`;
  for (const f of frames) by.set(key(f), [...(by.get(key(f)) ?? []), f]);
  const out = { vented: 0, others: 0, differ: [] as string[] };
  for (const a of api) {
    const same = (a.t === undefined ? [] : (by.get(key(a)) ?? [])).filter((f) => ![...a.because, ...f.because].some((c) => SERVED.includes(c)));
    const other = same.find((f) => f.word !== a.word);
    if (other !== undefined) out.differ.push(`${a.pot} of ${a.t}: ${other.word} to the page, ${a.word} by the API`);
    else if (same.length > 0) out[a.word === 'vented' ? 'vented' : 'others']++;
  }
  return out;
}

/** Notes the page's events. Call before the first navigation, after record. */
export async function note(page: Page): Promise<void> {
  await page.addInitScript(() => {
    const now = performance.now.bind(performance);
    type Fade = { what: 'fade'; at: number; pot: string; end: number | null };
    const events: (Fade | { what: string; at: number; text?: string; pot?: string; word?: string })[] = [];
    Object.assign(window, { events });
    const { WebSocket: Socket } = window;
    let newest: WebSocket | null = null;
    window.WebSocket = class extends Socket {
      constructor(...to: ConstructorParameters<typeof Socket>) {
        events.push({ what: 'asks', at: now() });
        super(...to);
        newest = this;
        this.addEventListener('message', (e) => newest === this && events.push({ what: 'frame', at: now(), text: String(e.data) }));
        this.addEventListener('close', () => newest === this && events.push({ what: 'closed', at: now() }));
      }
      override send(text: string): void {
        if ('ack' in JSON.parse(text)) events.push({ what: 'asks', at: now() });
        super.send(text);
      }
    };
    setInterval(() => events.push({ what: 'beat', at: now() }), 25);
    const { animate } = Element.prototype;
    Element.prototype.animate = function (...how) {
      const animation = animate.apply(this, how);
      const pot = this.closest('[data-word]')?.closest<HTMLElement>('[data-pot]')?.dataset['pot'];
      if (pot === undefined) return animation;
      const fade: Fade = { what: 'fade', at: now(), pot, end: null };
      events.push(fade);
      // Its end is known once it is drawn. One that is renewed before is never drawn.
      void animation.ready.then(
        ({ startTime }) => (fade.end = Number(startTime) + Number(animation.effect?.getComputedTiming().endTime)),
        () => (fade.end = Number.NEGATIVE_INFINITY),
      );
      return animation;
    };
    // In their order among the others, for the clock is too coarse to tell it.
    const { answers } = window as unknown as { answers: { t: number; pot: string; word: string }[] };
    answers.push = (...said) => {
      for (const { pot, word } of said) events.push({ what: 'word', at: now(), pot, word });
      return Array.prototype.push.apply(answers, said);
    };
  });
}

/** Takes what was noted since the last time, up to a fade of which the end is not known yet; last: all. */
export async function noted(page: Page, last: boolean): Promise<Event[]> {
  const events = await page.evaluate((last) => {
    const { events } = window as unknown as { events: { what: string; at: number; text?: string; end?: number | null }[] };
    const waits = last ? -1 : events.findIndex((e) => e.end === null);
    return events.splice(0, waits < 0 ? events.length : waits);
  }, last);
  return events.flatMap((e) => {
    if (e.what === 'fade') return [{ ...e, end: e.end ?? Number.NEGATIVE_INFINITY } as Event];
    if (e.what !== 'frame') return [e as Event];
    const { pots } = JSON.parse(e.text ?? '') as Partial<Frame>; // an outcome of an act has none
    return pots === undefined ? [] : [{ what: 'frame', at: e.at, pots: pots.map(saidOf) } as const];
  });
}

function saidOf(p: Pot): Said {
  return { pot: p.name, t: p.t, word: p.answer.word, because: p.answer.because, age_s: p.answer.age_s };
}

async function ask(base: string): Promise<Said[]> {
  const response = await fetch(new URL('/api/v1/pots', base));
  expect(response.status).toBe(200);
  return ((await response.json()) as { pots: readonly Pot[] }).pots.map(saidOf);
}

/** How many answers of the API must have been found in a frame too, in all and of those that say vented. */
const ENOUGH = { pairs: 15, vented: 4 };

/**
 * Watches page and API side by side for ms, and on until enough was compared, six times as long at most. Every pot of the API stands on
 * the page; the page shows VENTED only as R10 lets it, from frames that say what the API says; it asks no other host and reports no
 * error. spoil makes the page wrong, to see that it is found.
 */
export async function agree(browser: Browser, base: string, ms: number, spoil?: (page: Page) => Promise<void>): Promise<Agreement> {
  const page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
  try {
    const seen = watch(page, base);
    await record(page);
    await note(page);
    await spoil?.(page);
    await page.goto(base);
    await page.locator('[data-pot]').first().waitFor();
    const api: Said[] = [];
    let names: string[] = [];
    const events: Event[] = [];
    let got = pairs([], []);
    const heard = () => events.flatMap((e) => (e.what === 'frame' ? e.pots : []));
    const enough = () => got.vented >= ENOUGH.vented && got.vented + got.others >= ENOUGH.pairs;
    for (const start = Date.now(), gone = () => Date.now() - start; gone() < ms || (gone() < 6 * ms && !enough()); ) {
      for (const next = Date.now() + Math.min(ms, 2500); Date.now() < next; ) {
        await page.waitForTimeout(250);
        const said = await ask(base);
        names = said.map((s) => s.pot);
        api.push(...said);
      }
      events.push(...(await noted(page, false)));
      got = pairs(api, heard());
      if (got.differ.length > 0 || breaches(events).length > 0) break; // it is told below
    }
    events.push(...(await noted(page, true)));
    got = pairs(api, heard());
    const onPage = await page.locator('[data-pot]').evaluateAll((els) => els.map((e) => e.getAttribute('data-pot')));
    expect(onPage.toSorted()).toEqual(names.toSorted());
    expect(breaches(events), 'VENTED against R10').toEqual([]);
    expect(got.differ, 'frames and API').toEqual([]);
    expect(enough(), `enough was compared: ${JSON.stringify(got)}`).toBe(true);
    expect(seen).toEqual({ foreign: [], errors: [] });
    const vented = new Set(events.flatMap((e) => (e.what === 'word' && e.word === 'VENTED' ? [e.pot] : [])));
    return { pots: names.length, vented: vented.size };
  } finally {
    await page.close();
  }
}
