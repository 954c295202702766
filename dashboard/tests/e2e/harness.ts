// A browser, and a scripted server that speaks the live protocol: it serves the built page and sends what a test
// says, keeping the rule of one frame in flight unless told to break it.
import { createServer } from 'node:http';
import type { IncomingMessage, Server } from 'node:http';
import { existsSync, readFileSync } from 'node:fs';
import { extname, join, normalize } from 'node:path';
import type { AddressInfo } from 'node:net';
import { fileURLToPath } from 'node:url';
import { chromium } from 'playwright-core';
import type { Browser, Page } from 'playwright-core';
import { WebSocketServer } from 'ws';
import type { WebSocket } from 'ws';
import type { Frame, Pot, Request } from '../../src/lib/protocol/types.gen';

const dist = fileURLToPath(new URL('../../dist/', import.meta.url));
const types: Readonly<Record<string, string>> = {
  '.html': 'text/html; charset=utf-8',
  '.js': 'text/javascript; charset=utf-8',
  '.css': 'text/css; charset=utf-8',
  '.svg': 'image/svg+xml',
};

/** One page's connection: frames of all pots on a beat, each after the last was acknowledged. */
class Session {
  readonly #server: Scripted;
  readonly #ws: WebSocket;
  #seq = 0;
  #acknowledged = 0;
  #beat: NodeJS.Timeout;

  constructor(server: Scripted, ws: WebSocket) {
    this.#server = server;
    this.#ws = ws;
    ws.on('message', (data) => {
      const request = JSON.parse(String(data)) as Request;
      this.#acknowledged = Math.max(this.#acknowledged, request.ack ?? 0);
    });
    this.#beat = setInterval(() => this.#send(), 250);
    ws.on('close', () => clearInterval(this.#beat));
    this.#send();
  }

  #send(): void {
    if (this.#server.mute || this.#acknowledged < this.#seq) return;
    this.#seq++;
    const frame: Frame = {
      type: this.#seq === 1 ? 'snapshot' : 'change',
      seq: this.#seq,
      server_t: new Date().toISOString(),
      pots: this.#server.pots,
      ...(this.#server.faults.length > 0 && { faults: [...this.#server.faults] }),
    };
    const text = JSON.stringify(frame);
    this.#server.sent++;
    if (this.#server.delayMs === 0) this.#ws.send(text);
    else setTimeout(() => this.#ws.readyState === this.#ws.OPEN && this.#ws.send(text), this.#server.delayMs);
  }
}

export class Scripted {
  pots: readonly Pot[] = [];
  faults: readonly string[] = [];
  /** Connections stay, but nothing is said. */
  mute = false;
  /** Every frame is late by so much. */
  delayMs = 0;
  sent = 0;
  #http: Server | null = null;
  #ws: WebSocketServer | null = null;
  #port = 0;

  get url(): string {
    return `http://127.0.0.1:${this.#port}/`;
  }

  /** Starts, on the port it had before if it was stopped. */
  async start(): Promise<void> {
    const http = createServer((request, response) => {
      if (request.url === '/api/v1/pots') {
        response.writeHead(200, { 'content-type': 'application/json' });
        response.end(JSON.stringify({ pots: this.pots, server_t: new Date().toISOString() }));
        return;
      }
      const path = normalize(new URL(request.url ?? '/', 'http://x').pathname);
      const file = join(dist, path === '/' ? 'index.html' : path);
      if (!file.startsWith(dist) || !existsSync(file)) {
        response.writeHead(404).end();
        return;
      }
      response.writeHead(200, { 'content-type': types[extname(file)] ?? 'application/octet-stream', 'cache-control': 'no-store' });
      response.end(readFileSync(file));
    });
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
  page.on('request', (r) => note(r.url()));
  page.on('websocket', (w) => note(w.url()));
  page.on('pageerror', (e) => seen.errors.push(e.message));
  page.on('console', (m) => {
    if (m.type() === 'error' && !/WebSocket connection|ERR_CONNECTION/.test(m.text())) seen.errors.push(m.text());
  });
  return seen;
}

/**
 * Records every word that a pot's answer shows, with the page's time. It looks at each change of the page, so that
 * a word shown for a moment is found too. Call before the first navigation.
 */
export async function record(page: Page): Promise<void> {
  await page.addInitScript(() => {
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
