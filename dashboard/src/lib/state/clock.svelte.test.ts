import { expect, test } from 'vitest';
import { Clock, TURNS } from './clock.svelte';
import { TICK_MS } from './lease';

test('each turn comes once a second, at its own time, and is never behind', () => {
  let mono = 123_456.7;
  const clock = new Clock(() => ({ mono, wall: 0 }));
  let before = [...clock.turns];
  const steps = before.map(() => 0);
  for (let i = 0; i < 10 * TURNS; i++) {
    mono += TICK_MS;
    clock.look();
    const moved = clock.turns.map((t, k) => t !== before[k]);
    expect(moved.filter(Boolean)).toHaveLength(1);
    clock.turns.forEach((t, k) => {
      expect(t).toBeGreaterThanOrEqual(mono);
      expect(t).toBeLessThanOrEqual(mono + 1000);
      if (moved[k] === true) steps[k] = (steps[k] ?? 0) + 1;
    });
    before = [...clock.turns];
  }
  expect(steps).toEqual(steps.map(() => 10));
});
