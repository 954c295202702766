// That agree() finds a page and a server that are wrong, and is not misled by a machine that is busy.
import type { Browser, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, test } from 'vitest';
import { agree, breaches, note, noted, pairs } from './agree';
import type { Event, Said } from './agree';
import { maple, pot } from './fixtures';
import { launch, record, Scripted } from './harness';

const said = (word: string, age_s: number | undefined = 0.4, because: readonly string[] = [], t = 'now'): Said => ({ pot: 'maple', t, word, because, age_s });
const frame = (at: number, ...pots: Said[]): Event => ({ what: 'frame', at, pots });
const word = (at: number, word: string): Event => ({ what: 'word', at, pot: 'maple', word });
const at = (what: 'asks' | 'beat' | 'closed', at: number): Event => ({ what, at });
const fade = (at: number, end: number): Event => ({ what: 'fade', at, pot: 'maple', end });
/** A frame that says vented, asked for at 1000 and heard at 1200: good until 3600. */
const vented = [at('asks', 1000), frame(1200, said('vented')), word(1200, 'VENTED'), at('beat', 1225)];

describe('R10 by the page’s own clock', () => {
  test.each<[string, Event[]]>([
    ['shown in time', [...vented, fade(1300, 3600), at('beat', 3575), word(3590, 'NOT PROVEN'), at('beat', 4000)]],
    ['no look of anybody else between', [at('asks', 1000), frame(1200, said('vented')), word(1201, 'VENTED')]],
    ['the page did not come to run for 5 s, and then said so', [...vented, at('beat', 8000), word(8001, 'NOT PROVEN'), at('beat', 8025)]],
    ['renewed', [...vented, at('asks', 1201), at('beat', 3000), frame(3100, said('vented')), at('beat', 4100), word(4101, 'NOT PROVEN')]],
    ['changed within the frame’s task', [...vented, at('asks', 1201), frame(1400, said('pressurised')), word(1400, 'PRESSURISED'), at('beat', 1400)]],
  ])('keeps it: %s', (_, events) => expect(breaches(events)).toEqual([]));

  test.each<[string, Event[]]>([
    ['it has run, and still says so', [...vented, at('beat', 3700), at('beat', 3725)]],
    ['stands after the newest frame says otherwise', [...vented, at('asks', 1201), frame(1400, said('pressurised')), at('beat', 1401)]],
    ['from no frame', [at('asks', 1000), word(1100, 'VENTED')]],
    ['from a frame that says otherwise', [at('asks', 1000), frame(1200, said('not-proven', undefined)), word(1200, 'VENTED')]],
    ['from a frame that was late', [at('asks', 1000), frame(3700, said('vented')), word(3700, 'VENTED')]],
    ['from a sample that was old', [at('asks', 1000), frame(1200, said('vented', 20)), word(1200, 'VENTED')]],
    ['from no sample', [at('asks', 1000), frame(1200, { ...said('vented'), age_s: undefined }), word(1200, 'VENTED')]],
    ['fades too late', [...vented, fade(1300, 3700)]],
    ['the connection is lost', [...vented, at('closed', 1300), at('beat', 1325)]],
  ])('breaks it: %s', (_, events) => expect(breaches(events)).not.toEqual([]));
});

describe('one reading', () => {
  test('has one word', () => {
    const api = [said('vented'), said('pressurised', 0.4, ['over-limit'], 'then'), said('vented', 0.4, [], 'never heard')];
    expect(pairs(api, [said('vented'), said('vented', 0.4, [], 'then')])).toEqual({ vented: 1, others: 0, differ: ['maple of then: vented to the page, pressurised by the API'] });
    expect(pairs([said('vented')], [said('not-proven', 0.4, ['settling'])]).differ).toHaveLength(1);
  });

  test('may have two where time alone made the difference, which is then no comparison', () => {
    expect(pairs([said('vented', 1.9)], [said('not-proven', 2.1, ['vessel-old'])])).toEqual({ vented: 0, others: 0, differ: [] });
  });
});

describe('with a browser', () => {
  let browser: Browser;
  let server: Scripted;
  beforeAll(async () => {
    browser = await launch();
  });
  afterAll(() => browser.close());
  beforeEach(async () => {
    server = new Scripted();
    server.pots = [maple];
    await server.start();
  });
  afterEach(() => server.stop());

  /** What a page runs before its own script. */
  const first = (script: () => void) => (page: Page) => page.addInitScript(script).then(() => undefined);
  /** The server falls silent once the page has heard some frames. */
  const silent = () => {
    server.mangle = (text) => {
      if (server.sent > 8) server.mute = true;
      return text;
    };
  };

  test('a page of which the clocks are slow holds VENTED for too long', async () => {
    silent();
    const slow = first(() => {
      for (const clock of [performance, Date]) {
        const [read, start] = [clock.now.bind(clock), clock.now()];
        clock.now = () => start + (read() - start) / 4;
      }
    });
    await expect(agree(browser, server.url, 8000, slow)).rejects.toThrow(/VENTED against R10/);
  });

  test('a page that goes on saying VENTED', async () => {
    const pressed = pot({ name: 'maple', state: 'blasting', word: 'pressurised', because: ['over-limit'], psi: [112, 111, 102, 100, 90, 95] });
    server.mangle = (text) => {
      if (server.sent === 8) server.pots = [pressed];
      return text;
    };
    const stuck = first(() => {
      setInterval(() => {
        const word = document.querySelector('[data-word="pressurised"] strong');
        if (word !== null) word.textContent = 'VENTED';
      }, 10);
    });
    await expect(agree(browser, server.url, 6000, stuck)).rejects.toThrow(/VENTED against R10/);
  });

  test('a server that tells the page what its API does not say', async () => {
    server.pots = [pot({ name: 'maple', state: 'at-rest', word: 'pressurised', because: ['over-limit'], psi: [114, 114, 0.1, 0, 0, 0] })];
    server.mangle = (text) => text.replace('"word":"pressurised","because":["over-limit"]', '"word":"vented","because":[]');
    await expect(agree(browser, server.url, 2000)).rejects.toThrow(/frames and API/);
  });

  test('what was not compared is not taken for agreed', async () => {
    server.pots = [pot({ name: 'maple', state: 'at-rest', word: 'not-proven', because: ['no-vent-seen'], psi: [114, 114, 0.1, 0, 0, 0] })];
    await expect(agree(browser, server.url, 300)).rejects.toThrow(/enough was compared/);
  });

  test('VENTED is gone from the screen in time, though the page was kept from drawing it at first', async () => {
    server.mangle = (text) => {
      server.mute = true; // after this one
      return text;
    };
    const page = await browser.newPage();
    try {
      await record(page);
      await note(page);
      await page.addInitScript(() => {
        let hung = false;
        const look = () => {
          if (hung || document.querySelector('[data-word="vented"]') === null) return;
          hung = true;
          for (const end = performance.now() + 1200; performance.now() < end; );
        };
        new MutationObserver(look).observe(document, { subtree: true, childList: true, attributes: true });
      });
      await page.goto(server.url);
      await expect.poll(() => page.locator('[data-word]').getAttribute('data-word')).toBe('not-proven');
      await expect.poll(() => page.locator('[data-word="not-proven"]').innerText()).toContain('said nothing');
      const events = await noted(page, true);
      expect(events.some((e) => e.what === 'word' && e.word === 'VENTED')).toBe(true);
      expect(events.some((e) => e.what === 'fade' && e.end > e.at)).toBe(true);
      expect(breaches(events)).toEqual([]);
    } finally {
      await page.close();
    }
  });
});
