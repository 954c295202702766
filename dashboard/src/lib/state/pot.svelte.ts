import type { Pot, State } from '../protocol/types.gen';
import { shown } from './answer';
import type { Shown } from './answer';
import { TICK_MS } from './lease';
import type { Lease, Stamp } from './lease';

/** A reading this old, s, is marked old. */
export const OLD_S = 2;
/** The server leaves no more than this between two frames, ms; what goes beyond it is delay on the way. */
const PACE_MS = 1000;
/** A pot out of sight is drawn anew so often, ms. */
const CALM_MS = 2000;
/** Of how many kinds the instants are at which they are. */
const TURNS = 8;

const nothing: Shown = { word: 'not-proven', because: [], lapse: 'not-confirmed', holdsMs: 0 };

/** Since when a word stands, server time, ms; exact only where this page saw it change. */
export interface Since {
  readonly at: number;
  readonly exact: boolean;
}

/** A pot as it was a moment ago. */
export interface Calm {
  readonly pot: Pot;
  /** Age of the newest sample, s; null where none was ever heard. */
  readonly age: number | null;
  /** How long the state has lasted, s; null where that is not known. */
  readonly lasts: number | null;
}

let turns = 0;

/** One pot: its newest estimate, and what the page says of it now. */
export class PotState {
  latest = $state.raw<Pot>() as Pot;
  /** The newest estimate's: what follows it alone need not look at each estimate. */
  state = $state<State>('unknown');
  answer = $state.raw<Shown>(nothing);
  since = $state.raw<Since | null>(null);
  /** Monotonic instant at which a vented answer ends without news, ms; null where none is shown. */
  endsAt = $state.raw<number | null>(null);
  /** The newest sample is old, or none was ever heard; true rather a tick too early than too late. */
  old = $state(true);
  /**
   * What is drawn of the pot where nobody sees it: its figures of up to CALM_MS ago, each pot's renewed in its turn, so that not all
   * are at once. Nothing of the answer is taken from it, and it is renewed at once where state or air differ.
   */
  calm = $state.raw<Calm>() as Calm;
  /** Which one it is of all that were made, so that what many do now and then each does at its own time. */
  readonly turn = turns++;
  #round = -1;
  #stamp: Stamp;
  #arrived = $state(0);
  #late = $state(0);
  #unreadable = false;

  constructor(pot: Pot, stamp: Stamp) {
    this.latest = pot;
    this.#stamp = stamp;
    this.take(pot, stamp);
    this.#rest(stamp.arrived);
  }

  /** Takes a newer estimate. */
  take(pot: Pot, stamp: Stamp): void {
    this.latest = pot;
    this.state = pot.state;
    this.#stamp = stamp;
    this.#unreadable = false;
    this.#arrived = stamp.arrived;
    this.#late = Number.isFinite(stamp.floor) ? Math.max(0, stamp.arrived - stamp.floor - PACE_MS) : 0;
  }

  /** The newest estimate could not be read: what was said before counts no longer. */
  distrust(): void {
    this.#unreadable = true;
  }

  /** Says the answer anew for the instant mono, ms. server: the server's time then, ms, if known. */
  look(lease: Lease, mono: number, server: number | null): void {
    const age = this.age(mono + TICK_MS);
    this.old = age === null || age > OLD_S;
    const round = Math.floor(mono / CALM_MS + (this.turn % TURNS) / TURNS);
    if (round !== this.#round || differs(this.calm.pot, this.latest)) {
      this.#round = round;
      this.#rest(mono);
    }
    const next = shown(this.latest, this.#stamp, this.#unreadable, lease, mono);
    const endsAt = next.word === 'vented' ? mono + next.holdsMs : null;
    if (endsAt === null || this.endsAt === null || Math.abs(endsAt - this.endsAt) > 1) this.endsAt = endsAt;
    const last = this.answer;
    if (same(last, next)) return;
    if (last.word !== next.word || this.since === null) {
      this.since = server === null ? null : { at: server, exact: last.lapse === null };
    }
    this.answer = next;
  }

  /** Age of the newest sample at the instant mono, s; null where none was ever heard. */
  age(mono: number): number | null {
    const age = this.latest.age_s;
    return age === undefined ? null : age + this.#since(mono);
  }

  /** How long the state has lasted at the instant mono, s; null where that is not known. */
  stateFor(mono: number): number | null {
    const s = this.latest.state_for_s;
    return s === undefined ? null : s + this.#since(mono);
  }

  #rest(mono: number): void {
    this.calm = { pot: this.latest, age: this.age(mono), lasts: this.stateFor(mono) };
  }

  #since(mono: number): number {
    return (Math.max(0, mono - this.#arrived) + this.#late) / 1000;
  }
}

function differs(a: Pot, b: Pot): boolean {
  return a.state !== b.state || a.air !== b.air || a.simulated !== b.simulated || (a.age_s === undefined) !== (b.age_s === undefined);
}

function same(a: Shown, b: Shown): boolean {
  return (
    a.word === b.word && a.lapse === b.lapse && a.because.length === b.because.length && a.because.every((c, i) => c === b.because[i])
  );
}
