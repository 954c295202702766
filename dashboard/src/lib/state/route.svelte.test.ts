import { describe, expect, test } from 'vitest';
import { href, read, Router } from './route.svelte';
import type { Route } from './route.svelte';

describe('read', () => {
  test.each<[string, Route]>([
    ['', { view: 'site' }],
    ['#/', { view: 'site' }],
    ['#/nonsense/x', { view: 'site' }],
    ['#/pot/alder', { view: 'pot', name: 'alder' }],
    ['#/pot/pot-12', { view: 'pot', name: 'pot-12' }],
    ['#/pot/', { view: 'site' }],
    ['#/pot/<b>', { view: 'site' }],
    ['#/pot/%E0%A4', { view: 'site' }],
    ['#/alarms', { view: 'alarms', list: null, alarm: null }],
    ['#/alarms/shelved', { view: 'alarms', list: 'shelved', alarm: null }],
    ['#/alarms/active/01JD0000000000000000000001', { view: 'alarms', list: 'active', alarm: '01JD0000000000000000000001' }],
    ['#/alarms/01JD0000000000000000000001', { view: 'alarms', list: null, alarm: '01JD0000000000000000000001' }],
    ['#/alarms/active/../../x', { view: 'alarms', list: 'active', alarm: null }],
  ])('%s', (hash, route) => expect(read(hash)).toEqual(route));

  test('an address is read as what it was made of', () => {
    const routes: Route[] = [
      { view: 'site' },
      { view: 'pot', name: 'alder' },
      { view: 'alarms', list: null, alarm: null },
      { view: 'alarms', list: 'history', alarm: null },
      { view: 'alarms', list: 'history', alarm: '01JD' },
      { view: 'alarms', list: null, alarm: '01JD' },
    ];
    for (const r of routes) expect(read(href(r))).toEqual(r);
  });
});

test('the route follows the address', () => {
  let changed: () => void = () => undefined;
  const place = { location: { hash: '#/pot/alder' }, addEventListener: (_: string, run: () => void) => void (changed = run) };
  const router = new Router(place);
  expect(router.route).toEqual({ view: 'pot', name: 'alder' });
  router.go({ view: 'alarms', list: 'active', alarm: null });
  expect(place.location.hash).toBe('#/alarms/active');
  changed();
  expect(router.route).toEqual({ view: 'alarms', list: 'active', alarm: null });
});
