import { units } from '../protocol/types.gen';
import type { Pot, Unit } from '../protocol/types.gen';
import { displayName } from '../units/format';
import type { Urgency } from './order';

export const filters = ['all', 'look', 'blasting', 'rest'] as const;
export type Filter = (typeof filters)[number];
export const densities = ['full', 'compact'] as const;
export type Density = (typeof densities)[number];

/** With more pots than this the rows are compact unless the viewer says otherwise. */
export const COMPACT_ABOVE = 24;

/** What a viewer chose, kept on their device; answers never are. */
export class View {
  readonly #store: Pick<Storage, 'getItem' | 'setItem'> | null;
  search = $state('');
  filter = $state<Filter>('all');
  /** Who uses this device, as they said when they last did something with an alarm. */
  by = $state('');
  #unit = $state<Unit | null>(null);
  #density = $state<Density | null>(null);

  constructor(store: Pick<Storage, 'getItem' | 'setItem'> | null) {
    this.#store = store;
    this.#unit = units.find((u) => u === this.#read('unit')) ?? null;
    this.by = this.#read('by') ?? '';
    this.#density = densities.find((d) => d === this.#read('rows')) ?? null;
  }

  /** The chosen unit, else the site's. */
  unit(site: Unit): Unit {
    return this.#unit ?? site;
  }

  setUnit(unit: Unit): void {
    this.#unit = unit;
    this.#write('unit', unit);
  }

  setBy(name: string): void {
    this.by = name;
    this.#write('by', name);
  }

  density(pots: number): Density {
    return this.#density ?? (pots > COMPACT_ABOVE ? 'compact' : 'full');
  }

  setDensity(density: Density): void {
    this.#density = density;
    this.#write('rows', density);
  }

  /** Tells whether a pot passes search and filter. A pot whose vent stalled passes every filter. */
  shows(pot: Pick<Pot, 'name' | 'state'>, urgency: Urgency): boolean {
    return this.#matches(pot) && (this.filter === 'all' || urgency === 0 || group(pot, urgency) === this.filter);
  }

  #matches(pot: Pick<Pot, 'name'>): boolean {
    const want = this.search.trim().toLowerCase();
    return want === '' || pot.name.includes(want) || displayName(pot.name).toLowerCase().includes(want);
  }

  // A browser may forbid storage; the choice then lasts as long as the page.
  #read(key: string): string | null {
    try {
      return this.#store?.getItem(`gritwatch.${key}`) ?? null;
    } catch {
      return null;
    }
  }

  #write(key: string, value: string): void {
    try {
      this.#store?.setItem(`gritwatch.${key}`, value);
    } catch {
      return;
    }
  }
}

/** The filter a pot belongs to. */
export function group(pot: Pick<Pot, 'state'>, urgency: Urgency): Exclude<Filter, 'all'> {
  if (urgency < 2) return 'look';
  return pot.state === 'blasting' || pot.state === 'charging' || pot.state === 'venting' ? 'blasting' : 'rest';
}
