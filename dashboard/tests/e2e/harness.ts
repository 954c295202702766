// A browser, and a scripted server that speaks the live protocol: it serves the built page and sends what a test
// says, keeping the rule of one frame in flight unless told to break it.
import { createServer } from 'node:http';
import type { IncomingMessage, Server, ServerResponse } from 'node:http';
import { existsSync, readFileSync } from 'node:fs';
import { extname, join, normalize } from 'node:path';
import type { AddressInfo } from 'node:net';
import { fileURLToPath } from 'node:url';
import { chromium } from 'playwright-core';
import type { Browser, Page } from 'playwright-core';
import { WebSocketServer } from 'ws';
import type { WebSocket } from 'ws';
import type { ActRequest, Frame, Pot, Request, StandingAlarm } from '../../src/lib/protocol/types.gen';

/** The built page; GRITWATCH_DIST names another folder that has one. */
const dist = process.env['GRITWATCH_DIST'] ?? fileURLToPath(new URL('../../dist/', import.meta.url));
const types: Readonly<Record<string, string>> = {
  '.html': 'text/html; charset=utf-8',
  '.js': 'text/javascript; charset=utf-8',
  '.css': 'text/css; charset=utf-8',
  '.svg': 'image/svg+xml',
};

/** The most pots of which a running vent is sent; of more it is sent of those that are held. */
const VENT_POTS = 4;

/** One page's connection: frames of the subscribed pots on a beat, each after the last was acknowledged. */
class Session {
  readonly #server: Scripted;
  readonly #ws: WebSocket;
  #seq = 0;
  #acknowledged = 0;
  #beat: NodeJS.Timeout;
  #names: readonly string[] | null = null;
  #renewed = true;
  #alarms: readonly StandingAlarm[] | null = null;

  constructor(server: Scripted, ws: WebSocket) {
    this.#server = server;
    this.#ws = ws;
    ws.on('message', (data) => {
      const request = JSON.parse(String(data)) as Request;
      this.#acknowledged = Math.max(this.#acknowledged, request.ack ?? 0);
      if (request.ack !== undefined) server.acknowledged++;
      if (request.act !== undefined && !server.mute) this.#act(request.act);
      if (request.subscribe === undefined) return;
      this.#names = request.subscribe;
      this.#renewed = true;
      server.subscriptions.push(request.subscribe);
    });
    this.#beat = setInterval(() => this.#send(), server.everyMs);
    ws.on('close', () => clearInterval(this.#beat));
    this.#send();
  }

  /** Does what a POST does, and tells what came of it. */
  #act({ request, alarm, deed, ...body }: ActRequest): void {
    const { status, body: answer } = this.#server.post({ method: 'POST', url: new URL(`/api/v1/alarms/${alarm}/${deed}`, this.#server.url), body });
    this.#ws.send(JSON.stringify(status < 400 ? { type: 'done', request } : { type: 'refused', request, problem: answer }));
  }

  #send(): void {
    if (this.#server.mute || this.#acknowledged < this.#seq) return;
    this.#seq++;
    const { alarms, pots } = this.#server;
    const names = this.#names;
    const of = names === null ? pots : pots.filter((p) => names.includes(p.name));
    const frame: Frame = {
      type: this.#renewed ? 'snapshot' : 'change',
      seq: this.#seq,
      server_t: new Date(Date.now() + this.#server.clockMs).toISOString(),
      pots: of.length <= VENT_POTS ? of : of.map(({ vent, ...p }) => (p.state === 'held' && vent !== undefined ? { ...p, vent } : p)),
      ...((this.#renewed || alarms !== this.#alarms) && { alarms }),
      ...(this.#server.faults.length > 0 && { faults: [...this.#server.faults] }),
    };
    this.#renewed = false;
    this.#alarms = alarms;
    const text = this.#server.mangle(JSON.stringify(frame));
    this.#server.sent++;
    if (this.#server.delayMs === 0) this.#ws.send(text);
    else setTimeout(() => this.#ws.readyState === this.#ws.OPEN && this.#ws.send(text), this.#server.delayMs);
  }
}

/** What a test answers to a request of the API. */
export interface Reply {
  readonly status: number;
  readonly body: unknown;
}

export interface Asked {
  readonly method: string;
  readonly url: URL;
  readonly body: unknown;
}

export class Scripted {
  pots: readonly Pot[] = [];
  /** Open alarms; another list is sent with the next frame. */
  alarms: readonly StandingAlarm[] = [];
  /** Answers of the API by the path asked for; of those that match the longest. A path that ends in * matches what begins so. */
  readonly routes = new Map<string, (asked: Asked) => Reply>();
  /** What was posted, or asked for over a connection. */
  readonly posted: Asked[] = [];
  /** Subscriptions that pages asked for. */
  readonly subscriptions: (readonly string[])[] = [];
  /** What becomes of a frame's text before it is sent. */
  mangle: (text: string) => string = (text) => text;
  /** The build that index.html says to be; null: as it was built. */
  build: string | null = null;
  /** Time between frames. */
  everyMs = 250;
  /** How far the server's clock is ahead of the browser's. */
  clockMs = 0;
  faults: readonly string[] = [];
  /** Connections stay, but nothing is said. */
  mute = false;
  /** Every frame is late by so much. */
  delayMs = 0;
  sent = 0;
  /** Frames that pages have acknowledged. */
  acknowledged = 0;
  #http: Server | null = null;
  #ws: WebSocketServer | null = null;
  #port = 0;

  get url(): string {
    return `http://127.0.0.1:${this.#port}/`;
  }

  /** Starts, on the port it had before if it was stopped. */
  async start(): Promise<void> {
    const http = createServer((request, response) => void this.#answer(request, response));
    const ws = new WebSocketServer({ noServer: true });
    http.on('upgrade', (request: IncomingMessage, socket, head) => {
      if (request.url !== '/api/v1/live') socket.destroy();
      else ws.handleUpgrade(request, socket, head, (client) => new Session(this, client));
    });
    await new Promise<void>((done, fail) => {
      http.once('error', fail);
      http.listen(this.#port, '127.0.0.1', () => done());
    });
    this.#port = (http.address() as AddressInfo).port;
    this.#http = http;
    this.#ws = ws;
  }

  async #answer(request: IncomingMessage, response: ServerResponse): Promise<void> {
    const url = new URL(request.url ?? '/', this.url);
    if (url.pathname.startsWith('/api/')) {
      const chunks: Buffer[] = [];
      for await (const chunk of request) chunks.push(chunk as Buffer);
      const text = Buffer.concat(chunks).toString();
      const asked: Asked = { method: request.method ?? 'GET', url, body: text === '' ? undefined : JSON.parse(text) };
      const { status, body } = asked.method === 'POST' ? this.post(asked) : this.#api(asked);
      response.writeHead(status, { 'content-type': status < 400 ? 'application/json' : 'application/problem+json', 'cache-control': 'no-store' });
      response.end(JSON.stringify(body));
      return;
    }
    const path = normalize(url.pathname);
    const file = join(dist, path === '/' ? 'index.html' : path);
    if (!file.startsWith(dist) || !existsSync(file)) {
      response.writeHead(404).end();
      return;
    }
    response.writeHead(200, { 'content-type': types[extname(file)] ?? 'application/octet-stream', 'cache-control': 'no-store' });
    const content = readFileSync(file);
    response.end(this.build === null || path !== '/' ? content : content.toString().replace(/(<meta name="build" content=")[^"]*/, `$1${this.build}`));
  }

  /** Takes what is posted, or asked for over a connection. */
  post(asked: Asked): Reply {
    this.posted.push(asked);
    return this.#api(asked);
  }

  #api(asked: Asked): Reply {
    const { pathname } = asked.url;
    const server_t = new Date(Date.now() + this.clockMs).toISOString();
    const match = [...this.routes.keys()]
      .filter((k) => k === pathname || (k.endsWith('*') && pathname.startsWith(k.slice(0, -1))))
      .toSorted((a, b) => b.length - a.length)[0];
    const route = match === undefined ? undefined : this.routes.get(match);
    if (route !== undefined) return route(asked);
    if (pathname === '/api/v1/pots') return { status: 200, body: { pots: this.pots, server_t } };
    return { status: 404, body: { type: 'about:blank', title: 'Not Found', status: 404, detail: `nothing at ${pathname}` } };
  }

  /** Stops as if killed. */
  async stop(): Promise<void> {
    for (const client of this.#ws?.clients ?? []) client.terminate();
    this.#ws?.close();
    const http = this.#http;
    this.#http = null;
    if (http === null) return;
    http.closeAllConnections();
    await new Promise((done) => http.close(done));
  }
}

/** Starts the Chromium of the machine; GRITWATCH_CHROMIUM names another. */
export function launch(): Promise<Browser> {
  return chromium.launch({
    executablePath: process.env['GRITWATCH_CHROMIUM'] ?? '/usr/bin/chromium',
    args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
  });
}

/**
 * One page that tests use one after another: a new one costs the browser three times what another address does. Each test's server has
 * a port, and so an origin and a store of its own. What a page keeps beyond that (a touch, turned clocks, a policy) needs one of its own.
 */
export class Tab {
  readonly #browser: Browser;
  #page: Page | null = null;

  constructor(browser: Browser) {
    this.#browser = browser;
  }

  /** The page, empty. */
  async take(): Promise<Page> {
    if (this.#page === null || this.#page.isClosed()) this.#page = await this.#browser.newPage({ viewport: DESK });
    else await this.#page.goto('about:blank');
    return this.#page;
  }

  /** Ends the use of a page, of this one or another; what is watched is not told of any more. spoilt: it is not used again. */
  async leave(page: Page, spoilt: boolean): Promise<void> {
    if (page !== this.#page || spoilt) {
      await page.close();
      return;
    }
    for (const [type, note] of notes.get(page) ?? []) page.off(type as 'request', note as () => void);
    notes.delete(page);
    await page.goto('about:blank');
    await page.emulateMedia({ media: null, colorScheme: null });
    await page.setViewportSize(DESK);
    await page.mouse.move(0, 0);
  }
}

/** A screen on a desk, CSS pixels. */
export const DESK = { width: 1280, height: 800 } as const;

export interface Watch {
  /** Requests to anywhere but the server under test. */
  readonly foreign: string[];
  /** Errors on the page's console, and uncaught ones. */
  readonly errors: string[];
}

/** Notes what a page must not do. Call before the first navigation. */
export function watch(page: Page, base: string): Watch {
  const host = new URL(base).host;
  const seen: Watch = { foreign: [], errors: [] };
  const note = (url: string) => {
    if (!/^(data|blob):/.test(url) && new URL(url).host !== host) seen.foreign.push(url);
  };
  const on = <T>(type: string, run: (what: T) => void) => {
    page.on(type as 'request', run as () => void);
    notes.set(page, [...(notes.get(page) ?? []), [type, run]]);
  };
  on('request', (r: { url: () => string }) => note(r.url()));
  on('websocket', (w: { url: () => string }) => note(w.url()));
  on('pageerror', (e: Error) => seen.errors.push(e.message));
  on('console', (m: { type: () => string; text: () => string }) => {
    if (m.type() === 'error' && !/WebSocket connection|ERR_CONNECTION/.test(m.text())) seen.errors.push(m.text());
  });
  return seen;
}

/** What pages tell of to watch. */
const notes = new WeakMap<Page, readonly (readonly [type: string, run: unknown])[]>();
const recorded = new WeakSet<Page>();

/** What a page's own clock says, ms. */
interface Heard {
  /** When the newest frame arrived. */
  last: number;
  /** The longest time since then in which the page did not come to run: the machine was busy, not the page slow. */
  lag: number;
  /** The longest time ever without that, or without a frame. */
  worst: number;
}

/**
 * Records every word that a pot's answer shows, with the page's time, and when frames arrive. It looks at each change of the page, so
 * that a word shown for a moment is found too. Call before the first navigation.
 */
export async function record(page: Page): Promise<void> {
  if (recorded.has(page)) return;
  recorded.add(page);
  await page.addInitScript(() => {
    const heard = { last: 0, lag: 0, worst: 0 };
    (window as unknown as { heard: typeof heard }).heard = heard;
    let looked = performance.now();
    setInterval(() => {
      const now = performance.now();
      heard.lag = Math.max(heard.lag, now - looked);
      heard.worst = Math.max(heard.worst, heard.lag);
      looked = now;
    }, 25);
    const { WebSocket: Socket } = window;
    window.WebSocket = class extends Socket {
      constructor(...to: ConstructorParameters<typeof Socket>) {
        super(...to);
        this.addEventListener('message', () => {
          const now = performance.now();
          if (heard.last > 0) heard.worst = Math.max(heard.worst, now - heard.last);
          heard.last = now;
          heard.lag = 0;
        });
      }
    };
    const log: { t: number; pot: string; word: string }[] = [];
    const last = new Map<string, string>();
    (window as unknown as { answers: typeof log }).answers = log;
    const look = () => {
      for (const el of document.querySelectorAll<HTMLElement>('[data-pot]')) {
        const pot = el.dataset['pot'] ?? '';
        const word = el.querySelector('[data-word] strong')?.textContent ?? '';
        if (last.get(pot) === word) continue;
        last.set(pot, word);
        log.push({ t: performance.now(), pot, word });
      }
    };
    new MutationObserver(look).observe(document, { subtree: true, childList: true, characterData: true, attributes: true });
  });
}

/** How long after the newest frame a pot's last word came, ms, less what the machine kept the page from running meanwhile. */
export async function saidAfter(page: Page, pot: string): Promise<number> {
  const said = await words(page, pot);
  const { last, lag } = await page.evaluate(() => (window as unknown as { heard: Heard }).heard);
  return (said.at(-1)?.t ?? Infinity) - last - lag;
}

/**
 * What a pot's answer said while nothing was wrong, of the first of five tries in which the page was let run and heard a frame each
 * second: a machine that keeps it waiting for longer makes it say NOT PROVEN, as it must. open: opens the page, and looks for a while.
 */
export async function saidInPeace(open: () => Promise<Page>, pot: string): Promise<readonly string[]> {
  for (let tries = 1; ; tries++) {
    const page = await open();
    const said = (await words(page, pot)).map((w) => w.word);
    const { worst } = await page.evaluate(() => (window as unknown as { heard: Heard }).heard);
    if (worst < 1000 || tries === 5) return said;
  }
}

export function words(page: Page, pot: string): Promise<{ t: number; word: string }[]> {
  return page.evaluate(
    (pot) => (window as unknown as { answers: { t: number; pot: string; word: string }[] }).answers.filter((a) => a.pot === pot),
    pot,
  );
}

/** Makes the page believe that it was hidden or shown, as a browser tells it. */
export function setVisible(page: Page, visible: boolean): Promise<void> {
  return page.evaluate((visible) => {
    Object.defineProperty(document, 'visibilityState', { configurable: true, get: () => (visible ? 'visible' : 'hidden') });
    Object.defineProperty(document, 'hidden', { configurable: true, get: () => !visible });
    document.dispatchEvent(new Event('visibilitychange', { bubbles: true }));
  }, visible);
}
