import { expect, test } from 'vitest';
import { keyed } from './gestures';

function press(key: string): readonly unknown[] | null {
  const done: unknown[][] = [];
  const act = keyed(key, { pan: (share) => done.push(['pan', share]), zoom: (factor, around) => done.push(['zoom', factor, around]), live: () => done.push(['live']) });
  act?.();
  return done[0] ?? null;
}

test('keys move in time, zoom and come back', () => {
  expect(press('ArrowLeft')).toEqual(['pan', -0.2]);
  expect(press('ArrowRight')).toEqual(['pan', 0.2]);
  expect(press('PageUp')).toEqual(['pan', -1]);
  expect(press('PageDown')).toEqual(['pan', 1]);
  expect(press('+')).toEqual(['zoom', 0.5, 0.5]);
  expect(press('-')).toEqual(['zoom', 2, 0.5]);
  expect(press('End')).toEqual(['live']);
});

test('other keys stay the page’s', () => {
  for (const key of ['Tab', 'ArrowUp', 'ArrowDown', 'Enter', ' ', 'a', 'Escape']) expect(press(key)).toBeNull();
});
