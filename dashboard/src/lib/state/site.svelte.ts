import type { Decoded } from '../protocol/decode';
import type { Pot, Priority, State, Unit } from '../protocol/types.gen';
import type { Lease, Stamp } from './lease';
import { SteadyOrder, urgency } from './order';
import type { Urgency } from './order';
import { PotState } from './pot.svelte';

/** What changed while the page heard nothing. States only: an answer of the past must not be read as one of now. */
export interface Missed {
  readonly forMs: number;
  readonly changes: readonly { readonly pot: string; readonly from: State; readonly to: State }[];
  readonly added: readonly string[];
  readonly gone: readonly string[];
}

/** All pots that the server tells of. */
export class SiteState {
  /** Names in the order to show. */
  order = $state.raw<readonly string[]>([]);
  /** Names by urgency, for the filter's counts. */
  urgencies = $state.raw<ReadonlyMap<string, Urgency>>(new Map());
  /** The site's name; empty before the first pot. */
  name = $state('');
  /** Unit of the site's screens, from its first pot. */
  unit = $state<Unit>('psi');
  /** A snapshot was received. */
  known = $state(false);
  /** How many pots' readings come from a simulator. */
  simulated = $state(0);
  /** What keeps the server from doing its whole work, a sentence each. */
  faults = $state.raw<readonly string[]>([]);
  /** Parts of messages that could not be read. */
  rejected = $state(0);

  /** The most urgent alarm in sight of a pot; null: none. */
  worst: (pot: Pot) => Priority | null = () => null;

  readonly #pots = new Map<string, PotState>();
  readonly #steady = new SteadyOrder();
  /** The urgencies as the order takes them: the same list while they are the same. */
  readonly #entries = $derived([...this.urgencies].map(([name, urgency]) => ({ name, urgency })));

  /** Tells whether there is a pot of the name. */
  has(name: string): boolean {
    return this.urgencies.has(name);
  }

  /** All names, in no order. */
  names(): readonly string[] {
    return [...this.#pots.keys()];
  }

  /** The pot of a name in order; an unknown name is a programmer's error. */
  pot(name: string): PotState {
    const pot = this.#pots.get(name);
    if (pot === undefined) throw new Error(`no pot ${name}`);
    return pot;
  }

  /**
   * Takes a frame; afterwards look says the answers. silentMs: how long nothing was heard before it. whole: a snapshot is
   * of all pots, so that others are gone.
   */
  apply({ frame, problems, unreadable }: Decoded, stamp: Stamp, silentMs: number, whole: boolean): Missed {
    const changes: { pot: string; from: State; to: State }[] = [];
    const added: string[] = [];
    const gone: string[] = [];
    for (const pot of frame.pots) {
      const old = this.#pots.get(pot.name);
      if (old === undefined) {
        this.#pots.set(pot.name, new PotState(pot, stamp));
        added.push(pot.name);
        continue;
      }
      if (old.latest.state !== pot.state) changes.push({ pot: pot.name, from: old.latest.state, to: pot.state });
      old.take(pot, stamp);
    }
    for (const name of unreadable) this.#pots.get(name)?.distrust();
    if (frame.type === 'snapshot' && whole) {
      const named = new Set([...frame.pots.map((p) => p.name), ...unreadable]);
      for (const name of [...this.#pots.keys()]) {
        if (named.has(name)) continue;
        this.#pots.delete(name);
        gone.push(name);
      }
    }
    this.rejected += problems.length;
    const faults = frame.faults ?? [];
    if (faults.join('\n') !== this.faults.join('\n')) this.faults = faults;
    this.#summarise();
    if (frame.type === 'snapshot') this.known = true;
    return { forMs: silentMs, changes, added, gone };
  }

  /** Counts a message that could not be read at all. */
  reject(): void {
    this.rejected++;
  }

  /** Says all answers anew and settles the order, at the instant mono, ms. */
  look(lease: Lease, mono: number, server: number | null, pointerDown: boolean): void {
    for (const pot of this.#pots.values()) pot.look(lease, mono, server);
    const order = this.#steady.update(this.#entries, mono, pointerDown);
    if (order !== this.order) this.order = order;
  }

  #summarise(): void {
    let [simulated, same] = [0, this.urgencies.size === this.#pots.size];
    let first: Pot | null = null;
    const next = new Map<string, Urgency>();
    for (const [name, { latest }] of this.#pots) {
      first ??= latest;
      if (latest.simulated) simulated++;
      const u = urgency(latest, this.worst(latest));
      same &&= this.urgencies.get(name) === u;
      next.set(name, u);
    }
    // Gone pots leave the order with the next look, so the order never names what is not there.
    if (!same) this.urgencies = next;
    if (!this.order.every((n) => this.#pots.has(n))) this.order = this.order.filter((n) => this.#pots.has(n));
    this.simulated = simulated;
    if (first !== null) {
      this.name = first.site;
      this.unit = first.unit;
    }
  }
}
