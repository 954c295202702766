// Whoever looks after the alarms of a running server at one page: has the Alarms view open all the time, reads each alarm that is expected as
// it comes, acknowledges it with a name, sees how it goes on, and looks for it in the history once it is over. Everything is
// done with the keyboard, as rows may move; it looks where the page changes, and not by the clock.
import type { Browser, Locator, Page } from 'playwright-core';
import { alarmKinds, answerRule, gaugeFaults, points, priorities } from '../../src/lib/protocol/types.gen';
import type { AlarmKind, AlarmState, GaugeFault, Point, Priority } from '../../src/lib/protocol/types.gen';
import type { AlarmList } from '../../src/lib/state/route.svelte';
import { alarms as texts, alarmState, alarmStateShort, deed as deeds, deedDone, event as events, evidence, lists, priority as priorityNames, title, urgencyOf, words } from '../../src/lib/text/alarms.en';
import { displayName } from '../../src/lib/units/format';
import { laidOut } from './fit';
import { watch } from './harness';
import type { Watch } from './harness';

/** An alarm that is going to be raised. */
export interface Expected {
  /** Whose it is: a pot's, or else an agent's. */
  readonly pot?: string;
  readonly agent?: string;
  readonly kind: AlarmKind;
  /** Of a gauge's fault: whose and which; absent: any. */
  readonly point?: Point;
  readonly fault?: GaugeFault;
  /** The state in which it is acknowledged; absent: as it is found. */
  readonly acknowledge?: AlarmState;
  /** It is shelved first, and brought back. */
  readonly shelve?: boolean;
  /** Its end is not waited for: acknowledged it stands on. */
  readonly stays?: boolean;
}

/** What was seen of one at the page. Where something was not seen it is absent. */
export interface Followed extends Expected {
  id?: string;
  title?: string;
  priority?: Priority;
  /** States in which the page showed it, without repetitions. */
  states: (AlarmState | 'ended')[];
  /** What its evidence's pictures say to those who do not see them, and its words. */
  pictures?: string[];
  facts?: string[];
  /** What to do, as it stands there. */
  steps?: string[];
  /** The buttons beside it when it was read. */
  offers?: string[];
  shelved?: boolean;
  /** The state in which it was acknowledged. */
  acknowledged?: AlarmState;
  /** What the server said where it did not take that. */
  refused: string[];
  /** How long it lasted, as the history says. */
  lasted?: string;
  /** All is seen that was to be. */
  done: boolean;
  /** What was not as it should be. */
  wrong: string[];
}

/** An alarm that was seen and not expected, or came again. */
export interface Other {
  readonly id: string;
  readonly who: string;
  readonly title: string;
}

/** How long anything may take that is not about time, ms: beside other tests a second is nothing. */
const PATIENT = 90_000;
const NOTE = 'read at the page';

/** Which picture shows a kind of alarm; those that are not named are told in words. */
const drawn: Partial<Readonly<Record<AlarmKind, RegExp>>> = {
  'vent-slow': / after /,
  'vessel-held': / after /,
  'pressure-creep': / after /,
  'stop-slow': / after /,
  'over-pressure': new RegExp(`${evidence.rated} `),
  'nozzle-low': new RegExp(`${evidence.target} `),
  'supply-low': new RegExp(`(${evidence.target}|${evidence.baseline}) `),
  'pot-empty-soon': new RegExp(evidence.contents),
  'separator-restricted': new RegExp(evidence.trend),
  'valve-restricted': new RegExp(evidence.trend),
  'mixing-restricted': new RegExp(evidence.trend),
  'hose-restricted': new RegExp(evidence.trend),
  'exhaust-restricted': new RegExp(evidence.trend),
  'nozzle-worn': new RegExp(evidence.trend),
};

interface Row {
  readonly id: string;
  readonly priority: string;
  readonly title: string;
  readonly who: string;
  /** The state in the words of lists, and what else stands there. */
  readonly stands: string;
}

/** What a page shows. */
interface View {
  readonly list: AlarmList | '';
  readonly rows: readonly Row[];
  /** Alarms in each open list, as the page counts them. */
  readonly counts: readonly string[];
  readonly detail: { readonly id: string; readonly state: AlarmState | 'ended' } | null;
}

/** Everything that a page's Alarms view shows, told whenever it changes, but for ages. */
class Eye {
  view: View = { list: '', rows: [], counts: [], detail: null };
  onchange: (view: View) => void = () => undefined;
  #waiting: (() => void)[] = [];

  /** Call before the first navigation. */
  async open(page: Page): Promise<void> {
    await page.exposeFunction('gritwatchSeen', (text: string) => {
      this.view = JSON.parse(text) as View;
      this.onchange(this.view);
      for (const go of this.#waiting.splice(0)) go();
    });
    await page.addInitScript(() => {
      let last = '';
      const look = () => {
        const list = document.querySelector<HTMLElement>('[data-list]');
        const detail = document.querySelector<HTMLElement>('[data-detail]');
        const part = (el: Element, of: string) => el.querySelector(of)?.textContent?.trim() ?? '';
        const view = {
          list: list?.dataset['list'] ?? '',
          rows: [...(list?.querySelectorAll<HTMLElement>('[data-alarm]') ?? [])].map((el) => ({
            id: el.dataset['alarm'] ?? '',
            priority: part(el, '.unseen').replace(':', ''),
            title: part(el, 'b'),
            who: part(el, '.who'),
            stands: part(el, '.state').split(' · ')[0] ?? '',
          })),
          counts: [...document.querySelectorAll('nav .count')].map((el) => el.textContent ?? ''),
          detail: detail === null ? null : { id: detail.dataset['detail'] ?? '', state: detail.dataset['state'] ?? '' },
        };
        const text = JSON.stringify(view);
        if (text === last) return;
        last = text;
        (window as unknown as { gritwatchSeen: (text: string) => void }).gritwatchSeen(text);
      };
      new MutationObserver(look).observe(document, { subtree: true, childList: true, characterData: true, attributeFilter: ['data-alarm', 'data-detail', 'data-list', 'data-state'] });
    });
  }

  /** Waits for a change, at most for ms. */
  async change(ms: number): Promise<void> {
    let timer: NodeJS.Timeout | undefined;
    await new Promise<void>((done) => {
      this.#waiting.push(done);
      timer = setTimeout(done, ms);
    });
    clearTimeout(timer);
  }

  /** Waits until the page shows what is asked for; what: in words, for the error. */
  async until(what: string, ok: (view: View) => boolean): Promise<void> {
    for (const end = Date.now() + PATIENT; !ok(this.view); ) {
      const left = end - Date.now();
      if (left <= 0) throw new Error(`not shown: ${what}`);
      await this.change(left);
    }
  }
}

/** The names under which an alarm may stand in a list, and what of it tells its words. */
function titlesOf(e: Expected): ReadonlyMap<string, { readonly point?: Point; readonly fault?: GaugeFault }> {
  if (e.kind !== 'sensor-fault') return new Map([[title({ alarm: e.kind, priority: 'low' }), {}]]);
  const of = (e.point === undefined ? points : [e.point]).flatMap((point) => (e.fault === undefined ? gaugeFaults : [e.fault]).map((fault) => ({ point, fault })));
  return new Map(of.map((g) => [title({ alarm: e.kind, priority: 'low', ...g }), g]));
}

const whoOf = (e: Expected) => (e.pot !== undefined ? displayName(e.pot) : texts.agent(e.agent ?? ''));
const stateNamed = (stands: string) => (Object.keys(alarmStateShort) as AlarmState[]).find((s) => alarmStateShort[s] === stands);
const knownOf = new Set<string>(['acknowledged', 'latched-acknowledged', 'ended'] satisfies (AlarmState | 'ended')[]);
/** So often an acknowledgement may be refused: what begins anew while somebody writes has to be looked at again. */
const REFUSALS = 3;
/** So many alarms a page of the history has here: a test's alarms would else all stand on the first. */
const HISTORY_PAGE = 4;

/** A history that was gone through. */
export interface Paged {
  /** Pages that the server was asked for, and alarms on them. */
  readonly pages: number;
  readonly alarms: number;
  /** What was not as the server has it. */
  readonly wrong?: string;
}

export class Follower {
  readonly followed: readonly Followed[];
  readonly others: Other[] = [];
  readonly #page: Page;
  readonly #base: string;
  readonly #by: string;
  readonly #eye = new Eye();
  readonly #tell: (what: Followed | 'open') => void;
  /** Acknowledged alarms have to be looked at: their number has changed, or something was done. */
  #changed = false;
  #counts = '';
  /** Which of those that wait for somebody are not among the active ones. */
  #missing = '';
  /** Those that are over for all that the lists of open ones show. */
  readonly #gone = new Set<Followed>();
  readonly #read = new Set<Followed>();
  /** Something went wrong with it by which it cannot be followed any longer. */
  readonly #lost = new Set<Followed>();
  /** Where pictures of each are put; absent: none are taken. */
  readonly #pictures: string | undefined;
  #seen: Watch = { foreign: [], errors: [] };
  /** What the history came to, page by page; null: it was not gone through. */
  history: Paged | null = null;

  /** by: the person's name. tell: is told when the page is open, and of each step. */
  constructor(page: Page, base: string, expected: readonly Expected[], by: string, tell: (what: Followed | 'open') => void, pictures?: string) {
    this.#page = page;
    this.#base = base;
    this.#by = by;
    this.#tell = tell;
    this.#pictures = pictures;
    for (const e of expected) {
      if (!alarmKinds.includes(e.kind)) throw new Error(`${e.kind} is not a kind of alarm`);
      if ((e.pot === undefined) === (e.agent === undefined)) throw new Error(`${e.kind} must be of a pot or of an agent`);
    }
    this.followed = expected.map((e) => ({ ...e, states: [], refused: [], done: false, wrong: [] }));
    this.#eye.onchange = (view) => this.#look(view);
  }

  /** Errors of the page, and addresses of others that it asked. */
  get page(): Watch {
    return this.#seen;
  }

  /** Follows all of them until each is over, or ms have passed. */
  async run(ms: number): Promise<void> {
    const end = Date.now() + ms;
    this.#page.setDefaultTimeout(PATIENT);
    this.#seen = watch(this.#page, this.#base);
    await this.#eye.open(this.#page);
    await this.#page.route(/\/api\/v1\/alarms\?.*state=ended/, (route) => route.continue({ url: route.request().url().replace(/limit=\d+/, `limit=${HISTORY_PAGE}`) }));
    await this.#page.goto(`${this.#base}#/alarms/active`);
    await this.#eye.until('the list of active alarms', (v) => v.list === 'active');
    this.#tell('open');
    for (;;) {
      const next = this.#next();
      if (next !== null) {
        await this.#attempt(...next);
        continue;
      }
      if (this.followed.every((f) => this.#settled(f))) break;
      const left = end - Date.now();
      if (left <= 0) break;
      await this.#eye.change(left);
    }
    for (const f of this.followed) {
      if (f.id === undefined) f.wrong.push('was never shown');
      else if (!this.#settled(f)) f.wrong.push(f.acknowledged === undefined ? `was not acknowledged, as it was never ${f.acknowledge ?? 'in sight'}` : 'was not over at the end');
      else if (!this.#lost.has(f)) await this.#attempt(f, () => (f.stays === true ? this.#standsOn(f) : this.#standsInHistory(f)));
      f.done = f.wrong.length === 0;
      this.#tell(f);
    }
    this.history = await this.#goThrough().catch((e: unknown): Paged => ({ pages: 0, alarms: 0, wrong: String(e) }));
  }

  /** Goes through the history from page to page with the keyboard, and holds it against what the server has in one piece. */
  async #goThrough(): Promise<Paged> {
    const ended = this.#page.locator('[data-list="history"] [data-alarm]');
    const older = this.#page.getByRole('button', { name: texts.older });
    // What ends meanwhile comes to the list by itself, and may lie on a page that was not asked for yet.
    for (const end = Date.now() + PATIENT; ; ) {
      await this.#show('active');
      await this.#show('history');
      await ended.first().waitFor();
      let pages = 1;
      for (; (await older.count()) > 0; pages++) {
        const before = await ended.count();
        await older.press('Enter');
        await ended.nth(before).waitFor();
        const here = await this.#page.evaluate(() => document.activeElement?.getAttribute('data-alarm') ?? null);
        const first = await ended.nth(before).getAttribute('data-alarm');
        if (here !== first) return { pages, alarms: before, wrong: `the keyboard stands at ${here}, and the older ones begin at ${first}` };
      }
      const shown = await ended.evaluateAll((rows) => rows.map((r) => r.getAttribute('data-alarm')));
      const stored = await this.#page.evaluate(async () => {
        const got = (await (await fetch('/api/v1/alarms?limit=1000')).json()) as { alarms: { id: string; ended?: string }[] };
        return got.alarms.filter((a) => a.ended !== undefined).map((a) => a.id);
      });
      const wrong = shown.join() === stored.join() ? undefined : `shows ${shown.join()}, and the server has ${stored.join()}`;
      if (wrong === undefined || Date.now() > end) return { pages, alarms: shown.length, ...(wrong !== undefined && { wrong }) };
      await this.#page.waitForTimeout(1000);
    }
  }

  /** Takes in what the page shows. */
  #look(view: View): void {
    if (view.detail !== null) this.#note(view.detail.id, view.detail.state);
    if (view.list === '' || view.list === 'history') return;
    for (const row of view.rows) {
      if (!this.followed.some((f) => f.id === row.id) && !this.others.some((o) => o.id === row.id)) this.#meet(row);
      const state = stateNamed(row.stands);
      if (state !== undefined) this.#note(row.id, state);
    }
    const counts = view.counts.slice(1).join();
    const missing = view.list !== 'active' ? this.#missing : this.#waiting().flatMap((f) => (view.rows.some((r) => r.id === f.id) ? [] : [f.id])).join();
    this.#changed ||= counts !== this.#counts || missing !== this.#missing;
    this.#counts = counts;
    this.#missing = missing;
  }

  #meet(row: Row): void {
    const f = this.followed.find((f) => f.id === undefined && whoOf(f) === row.who && titlesOf(f).has(row.title));
    if (f === undefined) {
      this.others.push({ id: row.id, who: row.who, title: row.title });
      return;
    }
    f.id = row.id;
    f.title = row.title;
    const priority = priorities.find((p) => priorityNames[p] === row.priority);
    if (priority === undefined) f.wrong.push(`has the priority ${row.priority} in the list`);
    else f.priority = priority;
    this.#tell(f);
  }

  #note(id: string, state: AlarmState | 'ended'): void {
    const f = this.followed.find((f) => f.id === id);
    if (f !== undefined && f.states.at(-1) !== state) f.states.push(state);
  }

  /** Those that were shown and that nobody has acknowledged. */
  #waiting(): Followed[] {
    return this.followed.filter((f) => f.id !== undefined && f.acknowledged === undefined && !this.#gone.has(f) && !this.#lost.has(f));
  }

  /** Whether no more of it is to come. */
  #settled(f: Followed): boolean {
    return this.#lost.has(f) || this.#gone.has(f) || (f.stays === true && f.acknowledged !== undefined);
  }

  /** What is to be done next: the most urgent first, and what can be acknowledged before what is to be read. */
  #next(): readonly [Followed, () => Promise<void>] | null {
    const here = new Set(this.#eye.view.list === 'active' ? this.#eye.view.rows.map((r) => r.id) : []);
    const open = this.#waiting()
      .filter((f) => here.has(f.id ?? ''))
      .toSorted((a, b) => priorities.indexOf(a.priority ?? 'low') - priorities.indexOf(b.priority ?? 'low'));
    const due = open.find((f) => (f.acknowledge === undefined || f.states.at(-1) === f.acknowledge) && (f.shelve !== true || f.shelved === true));
    if (due !== undefined) return [due, () => this.#acknowledge(due)];
    const unread = open.find((f) => !this.#read.has(f));
    if (unread !== undefined) return [unread, () => this.#readIt(unread)];
    const shelf = open.find((f) => f.shelve === true && f.shelved !== true);
    if (shelf !== undefined) return [shelf, () => this.#shelve(shelf)];
    const f = this.followed.find((f) => f.id !== undefined && !this.#settled(f));
    if (!this.#changed || f === undefined) return null;
    this.#changed = false;
    return [f, () => this.#lookAround()];
  }

  async #attempt(f: Followed, deed: () => Promise<void>): Promise<void> {
    try {
      await deed();
    } catch (e) {
      f.wrong.push(`${e instanceof Error ? (e.message.split('\n')[0] ?? '') : String(e)} (${JSON.stringify(this.#eye.view.detail)})`);
      this.#lost.add(f);
    }
    this.#tell(f);
    await this.#show('active').catch((e: unknown) => f.wrong.push(`the active alarms: ${String(e)}`));
  }

  /** Goes to a list. */
  async #show(list: AlarmList): Promise<void> {
    if (this.#eye.view.list === list) return;
    await this.#page.getByRole('navigation', { name: texts.parts }).getByRole('link', { name: lists[list] }).press('Enter');
    await this.#eye.until(`the list ${list}`, (v) => v.list === list);
  }

  /** Opens one from the list in which it stands, if it is not open. */
  async #open(f: Followed): Promise<Locator> {
    if (this.#eye.view.detail?.id === f.id) return this.#page.locator(`[data-detail="${f.id}"]`);
    await this.#page.locator(`[data-alarm="${f.id}"]`).press('Enter');
    await this.#eye.until('its detail', (v) => v.detail?.id === f.id);
    return this.#page.locator(`[data-detail="${f.id}"]`);
  }

  /** Which of the followed alarms have left the lists of open ones. One that has moved from list to list meanwhile says itself that it stands. */
  async #lookAround(): Promise<void> {
    const known = this.followed.filter((f) => f.id !== undefined && !this.#settled(f));
    const here = new Set<string>();
    for (const list of ['active', 'acknowledged', 'shelved'] as const) {
      await this.#show(list);
      for (const r of this.#eye.view.rows) here.add(r.id);
    }
    for (const f of known) {
      if (here.has(f.id ?? '')) continue;
      await this.#page.goto(`${this.#base}#/alarms/${f.id}`);
      await this.#eye.until('its detail', (v) => v.detail?.id === f.id);
      if (this.#eye.view.detail?.state !== 'ended') {
        this.#changed = true;
        continue;
      }
      this.#gone.add(f);
      if (f.states.at(-1) !== 'ended') f.states.push('ended');
      if (f.acknowledged === undefined) f.wrong.push(`was gone before it could be acknowledged, after ${f.states.join()}`);
      this.#tell(f);
    }
  }

  /** Reads an alarm's detail. */
  async #readIt(f: Followed): Promise<void> {
    if (this.#read.has(f)) return;
    const detail = await this.#open(f);
    // A server that is started anew cannot tell for a while.
    const again = detail.getByRole('button', { name: texts.retry, exact: true });
    for (const end = Date.now() + PATIENT; ; ) {
      await detail.locator('.shows figure, .shows p:not(.pale)').first().waitFor();
      if ((await again.count()) === 0 || Date.now() > end) break;
      await again.first().press('Enter');
      await this.#page.waitForTimeout(1000);
    }
    const d = await detail.evaluate((el: HTMLElement) => {
      const all = (of: string) => [...el.querySelectorAll<HTMLElement>(of)];
      return {
        state: el.dataset['state'] ?? '',
        heading: el.querySelector('h2')?.textContent ?? '',
        head: el.querySelector('header')?.innerText ?? '',
        text: el.innerText,
        steps: all('.steps li').map((x) => x.innerText),
        word: el.querySelector('[data-word]')?.getAttribute('data-word') ?? '',
        pictures: all('.shows figure svg').map((x) => {
          const box = x.getBoundingClientRect();
          const paths = [...x.querySelectorAll('path, rect, circle')].map((p) => p.outerHTML).join();
          return { says: x.getAttribute('aria-label') ?? '', drawn: box.width > 150 && box.height > 30 && paths !== '', spoilt: /NaN|Infinity|undefined/.test(paths) };
        }),
        facts: all('.shows p').map((x) => x.innerText),
        events: all('.life li span').map((x) => x.innerText),
        buttons: all('.acts button').map((x) => x.innerText),
      };
    });
    this.#read.add(f);
    f.steps = d.steps;
    f.facts = d.facts;
    f.offers = d.buttons;
    f.pictures = d.pictures.map((p) => p.says);
    const holds = (ok: boolean, what: string) => void (ok || f.wrong.push(what));
    const priority = f.priority ?? 'low';
    const told = words({ alarm: f.kind, priority, ...titlesOf(f).get(f.title ?? '') });
    holds(d.heading === f.title, `is headed ${d.heading}`);
    holds(d.head.includes(whoOf(f)), `does not say whose it is: ${d.head}`);
    holds(d.head.includes(`${priorityNames[priority]}, ${urgencyOf[priority]}`), `does not say how urgent it is: ${d.head}`);
    holds(d.state === 'ended' || d.head.includes(alarmState[d.state as AlarmState]), `does not say that it is ${d.state}: ${d.head}`);
    for (const sentence of [told?.says, told?.consequence, ...(told?.causes ?? [])]) holds(sentence !== undefined && d.text.includes(sentence), `does not say: ${sentence}`);
    holds(JSON.stringify(d.steps) === JSON.stringify(told?.do), `says to do ${JSON.stringify(d.steps)}`);
    holds(d.text.includes(answerRule), 'has no rule of the answer beside it');
    holds(f.pot === undefined || d.word !== '', 'has no answer beside it');
    const picture = drawn[f.kind];
    if (picture === undefined) holds(f.pictures.length > 0 || (d.facts.length > 0 && !d.facts.includes(evidence.nothing)), `has nothing that shows it: ${d.facts.join()}`);
    else holds(d.pictures.some((p) => picture.test(p.says)), `has no picture of its evidence, but ${JSON.stringify([f.pictures, d.facts])}`);
    for (const p of d.pictures) holds(p.drawn && !p.spoilt, `has a picture that is not drawn: ${p.says}`);
    holds(!/NaN|undefined|Infinity|\bnull\b/.test(d.text), `says what is no figure: ${d.text}`);
    holds(d.events[0] === events['raised'], `does not say that it was raised: ${d.events.join()}`);
    holds(d.buttons.includes(deeds.comment), `takes no comment: ${d.buttons.join()}`);
    if (!/unacknowledged$/.test(d.state)) return;
    holds(d.buttons.includes(deeds.acknowledge), `cannot be acknowledged: ${d.buttons.join()}`);
    // What is critical stays in sight. An agent may be taken out of service, as one that was sold.
    holds((priority !== 'critical') === d.buttons.includes(deeds.shelve), `${priority}, offers ${d.buttons.join()}`);
    holds(priority !== 'critical' || f.agent !== undefined || !d.buttons.includes(deeds['take-out']), `${priority}, offers ${d.buttons.join()}`);
    if (this.#pictures !== undefined) await this.#photograph(f, `${this.#pictures}follow-${f.kind}-${f.pot ?? f.agent}`);
  }

  async #photograph(f: Followed, path: string): Promise<void> {
    for (const viewport of [{ width: 390, height: 844 }, { width: 1280, height: 800 }]) {
      await this.#page.setViewportSize(viewport);
      await laidOut(this.#page);
      const over = await this.#page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
      if (over > 0) f.wrong.push(`is ${over} px wider than a window of ${viewport.width}`);
      await this.#page.screenshot({ path: `${path}-${viewport.width}.png`, fullPage: true });
    }
  }

  /** Does something with the alarm that is open. Absent: it is done; else why not. */
  async #do(detail: Locator, deed: 'acknowledge' | 'shelve' | 'unshelve', minutes?: string): Promise<string | undefined> {
    await detail.getByRole('button', { name: deeds[deed], exact: true }).press('Enter');
    const form = detail.getByRole('form', { name: deeds[deed], exact: true });
    await form.getByLabel(texts.by).fill(this.#by);
    if (minutes !== undefined) await form.getByRole('radio', { name: minutes }).check();
    const note = form.getByLabel(texts.note);
    await note.fill(NOTE);
    await note.press('Enter');
    const outcome = detail.locator('.acts .done:not(:empty), .acts .wrong:not(:empty)');
    const said = await outcome.first().innerText();
    if (said === deedDone[deed]) return undefined;
    await form.press('Escape');
    return said;
  }

  async #acknowledge(f: Followed): Promise<void> {
    await this.#readIt(f);
    await this.#show('active');
    const was = f.states.at(-1);
    if (was === undefined || was === 'ended' || !this.#eye.view.rows.some((r) => r.id === f.id)) return;
    const detail = await this.#open(f);
    const refused = await this.#do(detail, 'acknowledge');
    if (refused !== undefined) {
      if (f.refused.push(refused) > REFUSALS) throw new Error(`is not acknowledged: ${refused}`);
      return;
    }
    f.acknowledged = was;
    this.#changed = true;
    await this.#eye.until('that it is acknowledged', (v) => v.detail !== null && v.detail.id === f.id && knownOf.has(v.detail.state));
    await this.#tellsOfAll(f, detail);
    const { state, head } = await detail.evaluate((el: HTMLElement) => ({ state: el.dataset['state'] ?? '', head: el.querySelector('header')?.innerText ?? '' }));
    if (state !== 'ended' && !head.includes(alarmState[state as AlarmState])) f.wrong.push(`does not say that it is ${state}: ${head}`);
    if (knownOf.has(state) && state !== 'ended' && !head.includes(`acknowledged by ${this.#by}`)) f.wrong.push(`does not say by whom it is acknowledged: ${head}`);
  }

  async #shelve(f: Followed): Promise<void> {
    let detail = await this.#open(f);
    const refused = await this.#do(detail, 'shelve', '15 min');
    if (refused !== undefined) throw new Error(`is not shelved: ${refused}`);
    f.shelved = true;
    await this.#eye.until('that it is shelved', (v) => v.detail !== null && v.detail.id === f.id && v.detail.state === 'shelved');
    await detail.getByText(/^until .* left$/).waitFor();
    await this.#show('active');
    await this.#eye.until('the active ones without it', (v) => v.list === 'active' && !v.rows.some((r) => r.id === f.id));
    await this.#show('shelved');
    await this.#eye.until('it among the shelved ones', (v) => v.list === 'shelved' && v.rows.some((r) => r.id === f.id && r.stands === alarmStateShort.shelved));
    detail = await this.#open(f);
    const kept = await this.#do(detail, 'unshelve');
    if (kept !== undefined) throw new Error(`is not brought back: ${kept}`);
    await this.#eye.until('that it is back', (v) => v.detail !== null && v.detail.id === f.id && v.detail.state !== 'shelved');
    await detail.getByText(`${events['unshelved']}, ${this.#by}: ${NOTE}`).waitFor();
  }

  /** Acknowledged, and not over, unless it is over all the same. */
  async #standsOn(f: Followed): Promise<void> {
    await this.#show('acknowledged');
    if (!this.#eye.view.rows.some((r) => r.id === f.id)) return this.#standsInHistory(f);
    await this.#tellsOfAll(f, await this.#open(f));
    return undefined;
  }

  /** What was done with it stands beside it. */
  async #tellsOfAll(f: Followed, detail: Locator): Promise<void> {
    const done = [...(f.acknowledged === undefined ? [] : ['acknowledged']), ...(f.shelved === true ? ['shelved', 'unshelved'] : [])];
    for (const event of done) await detail.getByText(`${events[event]}, ${this.#by}: ${NOTE}`).first().waitFor();
  }

  /** Over: only the history has it, with all that was done. */
  async #standsInHistory(f: Followed): Promise<void> {
    const row = this.#page.locator(`[data-list="history"] [data-alarm="${f.id}"]`);
    const older = this.#page.getByRole('button', { name: texts.older });
    const ended = this.#page.locator('[data-list="history"] [data-alarm]');
    // What has ended may be stored after the list was asked for.
    for (const end = Date.now() + PATIENT; ; ) {
      await this.#show('history');
      await ended.first().waitFor();
      while ((await row.count()) === 0 && (await older.count()) > 0) {
        const before = await ended.count();
        await older.press('Enter');
        await ended.nth(before).waitFor();
      }
      if ((await row.count()) > 0) break;
      if (Date.now() > end) throw new Error('does not stand in the history');
      await this.#page.waitForTimeout(1000);
      await this.#show('active');
    }
    const says = await row.innerText();
    f.lasted = /for (\d.*)$/.exec(says)?.[1] ?? '';
    if (f.lasted === '' || !says.includes(f.title ?? '') || !says.includes(whoOf(f))) f.wrong.push(`stands in the history as ${says}`);
    const detail = await this.#open(f);
    await this.#tellsOfAll(f, detail);
    const head = await detail.locator('header').innerText();
    const offers = await detail.locator('.acts button').allInnerTexts();
    if (this.#eye.view.detail?.state !== 'ended' || !head.includes('ended ')) f.wrong.push(`is not over in the history: ${head}`);
    if (offers.join() !== deeds.comment) f.wrong.push(`is over, and offers ${offers.join()}`);
    if (!(await detail.innerText()).includes(answerRule)) f.wrong.push('is over without the rule of the answer beside it');
  }
}

/** Follows the alarms that are expected at the page of a server, for ms at most. pictures: the folder into which pictures of each are put. */
export async function follow(browser: Browser, base: string, expected: readonly Expected[], by: string, ms: number, tell: (what: Followed | 'open') => void, pictures?: string): Promise<Follower> {
  const page = await browser.newPage({ viewport: { width: 1280, height: 800 } });
  try {
    const f = new Follower(page, base, expected, by, tell, pictures);
    await f.run(ms);
    return f;
  } finally {
    await page.close();
  }
}
