import { expect, test } from 'vitest';
import { many } from '../../../tests/e2e/fixtures';
import { urgency } from './order';
import { COMPACT_ABOVE, group, View } from './view.svelte';

class Store {
  readonly kept = new Map<string, string>();
  getItem(key: string): string | null {
    return this.kept.get(key) ?? null;
  }
  setItem(key: string, value: string): void {
    this.kept.set(key, value);
  }
}

test('choices are kept, and the site’s unit holds until one is made', () => {
  const store = new Store();
  const view = new View(store);
  expect([view.unit('bar'), view.density(6), view.density(COMPACT_ABOVE + 1)]).toEqual(['bar', 'full', 'compact']);
  view.setUnit('kPa');
  view.setDensity('full');
  const again = new View(store);
  expect([again.unit('bar'), again.density(200)]).toEqual(['kPa', 'full']);
});

test('rubbish in the store, or no store, changes nothing', () => {
  const store = new Store();
  store.setItem('gritwatch.unit', 'furlong');
  expect(new View(store).unit('psi')).toBe('psi');
  const forbidden = {
    getItem: (): string => {
      throw new Error('forbidden');
    },
    setItem: () => {
      throw new Error('forbidden');
    },
  };
  for (const v of [new View(forbidden), new View(null)]) {
    v.setUnit('bar');
    expect(v.unit('psi')).toBe('bar');
  }
});

test('filters split the pots without loss, and none hides a stalled vent', () => {
  const view = new View(null);
  const pots = many(100);
  const count = (filter: View['filter']) => {
    view.filter = filter;
    return pots.filter((p) => view.shows(p, urgency(p))).length;
  };
  const held = pots.filter((p) => urgency(p) === 0).length;
  expect(held).toBe(1);
  expect(count('look') + count('blasting') + count('rest')).toBe(count('all') + 2 * held);
  expect(count('all')).toBe(100);
  expect(pots.filter((p) => group(p, urgency(p)) === 'blasting').length).toBeGreaterThan(10);
});

test('search takes the name as written or as shown', () => {
  const view = new View(null);
  const pots = many(100);
  const find = (text: string) => {
    view.search = text;
    return pots.filter((p) => view.shows(p, urgency(p))).map((p) => p.name);
  };
  expect(find(' Acacia ')).toEqual(['acacia', 'acacia-2', 'acacia-3']);
  expect(find('acacia 2')).toEqual(['acacia-2']);
  expect(find('acacia-2')).toEqual(['acacia-2']);
  expect(find('nothing')).toEqual([]);
});
