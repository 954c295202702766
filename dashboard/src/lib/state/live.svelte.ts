// Joins the page's parts: socket, lease, clock and pots, and what the browser says of the page itself.
import { flushSync } from 'svelte';
import type { Got } from '../net/ask';
import { LiveSocket } from '../net/socket';
import type { Deps } from '../net/socket';
import type { AlarmAct, AlarmDeed } from '../protocol/types.gen';
import { AlarmsState } from './alarms.svelte';
import { Clock } from './clock.svelte';
import { Connection } from './connection.svelte';
import { Lease, SILENCE_MS, TICK_MS } from './lease';
import type { Now } from './lease';
import { SiteState } from './site.svelte';

/** What the page needs of the browser. */
export interface Browser {
  readonly url: string;
  readonly document: Pick<Document, 'visibilityState' | 'addEventListener' | 'removeEventListener'>;
  readonly window: Pick<Window, 'addEventListener' | 'removeEventListener'>;
  readonly read: () => Now;
  readonly every: (run: () => void, ms: number) => () => void;
  readonly socket: Deps;
}

/** The server takes so many names in a subscription; of a larger site the page hears all, always. */
const MOST_NAMES = 1000;

export class Live {
  readonly clock: Clock;
  readonly connection = new Connection();
  readonly site = new SiteState();
  readonly alarms = new AlarmsState();
  readonly #browser: Browser;
  readonly #lease = new Lease();
  readonly #socket: LiveSocket;
  #pointers = new Set<number>();
  #watched: readonly string[] | null = null;
  /** This connection was asked for less than all pots: a snapshot may be of some only. */
  #narrowed = false;
  #undo: (() => void)[] = [];

  constructor(browser: Browser) {
    this.#browser = browser;
    this.site.worst = (pot) => this.alarms.worst(pot.name, pot.agent);
    this.clock = new Clock(browser.read);
    this.#socket = new LiveSocket(browser.url, browser.socket, {
      connecting: () => {
        this.#narrowed = false;
        this.#lease.connecting(this.clock.look());
      },
      frame: (decoded) => {
        const now = this.clock.look();
        const stamp = this.#lease.arrived(now);
        this.clock.setServer(decoded.frame.server_t, now);
        this.alarms.apply(decoded.frame.alarms, decoded.unreadableAlarms, decoded.frame.alarms_more);
        const missed = this.site.apply(decoded, stamp, this.connection.silentMs(now.mono), !this.#narrowed);
        this.connection.heard(now.mono, missed);
      },
      subscription: () => {
        const names = this.#watched !== null && this.site.names().length <= MOST_NAMES ? this.#watched : null;
        if (names !== null) this.#narrowed = true;
        return names;
      },
      acknowledged: () => {
        this.#lease.acknowledged(this.clock.look());
        this.#say();
      },
      closed: (ending, problem) => {
        this.#lease.closed(this.clock.look());
        if (ending === 'refused-frame' || ending === 'out-of-order') this.site.reject();
        this.connection.closed(ending, problem);
        this.#say();
      },
    });
  }

  start(): void {
    const { document, window } = this.#browser;
    const at = (target: Browser['document'] | Browser['window'], type: string, run: (event: Event) => void) => {
      target.addEventListener(type, run, { capture: true, passive: true });
      this.#undo.push(() => target.removeEventListener(type, run, { capture: true }));
    };
    // Whatever the browser keeps of a page that goes out of sight must not show an answer: say it before it sleeps.
    at(document, 'visibilitychange', () => this.#seen());
    at(document, 'freeze', () => this.#now(() => this.#lease.restored(this.clock.look())));
    at(document, 'resume', () => this.#now(() => this.#lease.restored(this.clock.look())));
    at(window, 'pagehide', () => this.#now(() => this.#lease.restored(this.clock.look())));
    at(window, 'pageshow', (e) => {
      if ((e as PageTransitionEvent).persisted) this.#now(() => this.#lease.restored(this.clock.look()));
    });
    at(window, 'pointerdown', (e) => this.#pointers.add((e as PointerEvent).pointerId));
    for (const type of ['pointerup', 'pointercancel']) at(window, type, (e) => this.#pointers.delete((e as PointerEvent).pointerId));
    at(window, 'online', () => this.#socket.retryNow());
    this.#undo.push(this.#browser.every(() => this.#tick(), TICK_MS));
    if (document.visibilityState === 'hidden') this.#lease.hidden(this.clock.look());
    this.#socket.start();
  }

  stop(): void {
    this.#socket.stop();
    for (const undo of this.#undo.splice(0)) undo();
  }

  /** Tells which pots are looked at, so that the server sends those; null: all. Alarms come for all in any case. */
  watch(names: readonly string[] | null): void {
    if (same(names, this.#watched)) return;
    this.#watched = names;
    const all = this.site.names();
    if (all.length > MOST_NAMES) return;
    if (names !== null) this.#narrowed = true;
    this.#socket.subscribe(names ?? all);
  }

  /** A finger or a button is down: nothing may move under it. */
  get pressing(): boolean {
    return this.#pointers.size > 0;
  }

  retryNow(): void {
    this.#socket.retryNow();
  }

  /** Asks over the live connection that something is done with an alarm; null while there is none. */
  act(id: string, deed: AlarmDeed, act: AlarmAct): Promise<Got<null>> | null {
    return this.#socket.act(id, deed, act);
  }

  #seen(): void {
    this.#now(() => {
      const now = this.clock.look();
      if (this.#browser.document.visibilityState === 'hidden') {
        this.#pointers.clear();
        this.#lease.hidden(now);
        return;
      }
      this.#lease.shown(now);
      this.#socket.retryNow();
    });
  }

  /** Changes the lease and writes the answers into the page before anything else can happen. */
  #now(change: () => void): void {
    change();
    this.#say();
    flushSync();
  }

  #tick(): void {
    const now = this.clock.look();
    this.#lease.observe(now);
    if (this.connection.live && this.connection.silentMs(now.mono) + TICK_MS > SILENCE_MS) this.connection.quiet();
    this.#say();
  }

  #say(): void {
    this.site.look(this.#lease, this.clock.mono, this.clock.server, this.#pointers.size > 0);
  }
}

function same(a: readonly string[] | null, b: readonly string[] | null): boolean {
  return a === b || (a !== null && b !== null && a.length === b.length && a.every((n, i) => n === b[i]));
}
