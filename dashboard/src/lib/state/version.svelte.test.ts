import { expect, test } from 'vitest';
import { buildOf, Version } from './version.svelte';

const page = (build: string) => `<!doctype html><head><meta name="build" content="${build}"></head>`;

class Place {
  served = page('one');
  reloads = 0;
  readonly kept = new Map<string, string>();
  down = false;
  readonly store = { getItem: (k: string) => this.kept.get(k) ?? null, setItem: (k: string, v: string) => void this.kept.set(k, v) };
  readonly fetch = () => (this.down ? Promise.reject(new Error('down')) : Promise.resolve(this.served));
  readonly reload = () => void this.reloads++;
}

test('the same build is nothing to tell', async () => {
  const v = new Version('one', new Place());
  await v.check();
  expect(v.newer).toBeNull();
});

test('another build is told, and reloaded for once', async () => {
  const place = new Place();
  const v = new Version('one', place);
  place.served = page('two');
  await v.check();
  expect([v.newer, v.stuck]).toEqual(['two', false]);
  v.reload();
  expect(place.reloads).toBe(1);
  // A cache gave the old page again: it must not be reloaded for ever.
  const again = new Version('one', place);
  await again.check();
  expect([again.newer, again.stuck]).toEqual(['two', true]);
  // A third build is worth another try.
  place.served = page('three');
  await again.check();
  expect([again.newer, again.stuck]).toEqual(['three', false]);
});

test('what is no page of this project, or not reached, says nothing', async () => {
  const place = new Place();
  const v = new Version('one', place);
  place.served = '<p>not built';
  await v.check();
  place.down = true;
  await v.check();
  expect(v.newer).toBeNull();
  const unbuilt = new Version(null, place);
  place.down = false;
  place.served = page('two');
  await unbuilt.check();
  expect(unbuilt.newer).toBeNull();
  expect(buildOf('<meta name="build" content="">')).toBeNull();
});

test('going back to the own build takes it back', async () => {
  const place = new Place();
  const v = new Version('one', place);
  place.served = page('two');
  await v.check();
  place.served = page('one');
  await v.check();
  expect(v.newer).toBeNull();
});
