import { expect, test } from 'vitest';
import { alarm, idOf, standing } from '../../../tests/e2e/alarmfixtures';
import { alarmStates } from '../protocol/types.gen';
import { AlarmsState, MOST_LEFT, part } from './alarms.svelte';

function state(): AlarmsState {
  const s = new AlarmsState();
  s.apply(standing(), 0);
  return s;
}

test('counts those in sight, the most urgent first, and those of which nobody knows', () => {
  expect(state().counts).toEqual([
    { priority: 'critical', shown: 3, waiting: 1 },
    { priority: 'high', shown: 1, waiting: 1 },
    { priority: 'medium', shown: 3, waiting: 2 },
  ]);
  expect(state().loud.map((a) => a.alarm)).toEqual(['vessel-held']);
});

test('of a pot are its own and those of its agent', () => {
  const s = state();
  expect(s.of('rowan', 'quay-1').map((a) => a.alarm)).toEqual(['vent-slow', 'vessel-held']);
  expect(s.of('hazel', 'quay-2').map((a) => a.alarm)).toEqual(['agent-silent']); // its own is suppressed
  expect(s.of('maple', 'quay-1')).toEqual([]); // out of service
  expect(s.worst('hazel', 'quay-2')).toBe('critical');
  expect(s.worst('alder', 'quay-1')).toBe('high');
  expect(s.worst('maple', 'quay-1')).toBeNull();
  // What is over is not as urgent as what stands, or is not proven to be over.
  s.apply([alarm({ n: 1, alarm: 'agent-silent', priority: 'critical', agent: 'quay-1', state: 'returned-unacknowledged' })], 0);
  expect(s.worst('maple', 'quay-1')).toBe('medium');
  s.apply([alarm({ n: 1, alarm: 'vessel-held', priority: 'critical', pot: 'maple', state: 'latched-acknowledged' })], 0);
  expect(s.worst('maple', 'quay-1')).toBe('critical');
});

test('a frame without a list changes nothing, an empty list ends all', () => {
  const s = state();
  s.apply(undefined, 0);
  expect(s.list).toHaveLength(10);
  s.apply(standing(), 0, 40);
  expect(s.more).toBe(40);
  s.apply([], 2);
  expect(s.more).toBe(0);
  expect(s.list).toEqual([]);
  expect(s.counts).toEqual([]);
  expect(s.unreadable).toBe(2);
});

test('every state has its part, and only what is out of sight is in the last', () => {
  const of = alarmStates.map((state) => [state, part(alarm({ n: 1, alarm: 'nozzle-low', priority: 'medium', state }))]);
  expect(of.filter(([, p]) => p === 'shelved').map(([s]) => s)).toEqual(['shelved', 'suppressed', 'out-of-service']);
  expect(of.filter(([, p]) => p === 'acknowledged').map(([s]) => s)).toEqual(['acknowledged', 'latched-acknowledged']);
});

test('what leaves the list is remembered, the newest last and not without end, unless it comes back', () => {
  const s = state();
  const one = (n: number) => alarm({ n, alarm: 'nozzle-low', priority: 'medium', pot: 'birch' });
  s.apply([one(5), one(7)], 0);
  expect(s.left.map((a) => a.id)).toEqual([1, 2, 3, 4, 6, 8, 9, 10].map(idOf));
  s.apply([one(3)], 0);
  expect(s.left.map((a) => a.id)).toEqual([1, 2, 4, 6, 8, 9, 10, 5, 7].map(idOf));
  s.apply(undefined, 0);
  s.apply(Array.from({ length: 60 }, (_, i) => one(100 + i)), 0);
  s.apply([], 0);
  expect(s.left.map((a) => a.id)).toEqual(Array.from({ length: MOST_LEFT }, (_, i) => idOf(160 - MOST_LEFT + i)));
});
