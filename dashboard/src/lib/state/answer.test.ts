import { describe, expect, test } from 'vitest';
import { maple, pot, PSI } from '../../../tests/e2e/fixtures';
import type { Pot } from '../protocol/types.gen';
import { shown } from './answer';
import { Lease } from './lease';
import type { Stamp } from './lease';

function steady(): [Lease, Stamp] {
  const lease = new Lease();
  lease.connecting({ mono: 0, wall: 0 });
  const stamp = lease.arrived({ mono: 10, wall: 10 });
  lease.acknowledged({ mono: 10, wall: 10 });
  return [lease, stamp];
}

const say = (p: Pot, mono = 100, unreadable = false) => {
  const [lease, stamp] = steady();
  return shown(p, stamp, unreadable, lease, mono);
};

describe('VENTED', () => {
  test('is said while it holds', () => {
    const got = say(maple);
    expect(got).toMatchObject({ word: 'vented', because: [], lapse: null });
    // Age 0.3 s at sending, sent after 0 ms: 2.7 s are left of the 3 s at 0; the frame of 10 ms lasts to 2010 ms.
    expect(got.holdsMs).toBeCloseTo(1910, 6);
  });

  test('ends with the lease', () => {
    expect(say({ ...maple, answer: { ...maple.answer, age_s: 2.8 } })).toMatchObject({ word: 'not-proven', lapse: 'lease-ended' });
    expect(say(maple, 1300)).toMatchObject({ word: 'vented' });
    expect(say(maple, 1850)).toMatchObject({ word: 'not-proven' });
  });

  test('is not said of what the page cannot read', () => {
    expect(say(maple, 100, true)).toMatchObject({ word: 'not-proven', lapse: 'unreadable' });
  });

  test.each(['held', 'blasting', 'charging'] as const)('is not said of a pot that is %s', (state) => {
    expect(say({ ...maple, state })).toMatchObject({ word: 'not-proven', lapse: 'contradiction' });
  });

  test('is not said beside a vessel reading over twice the limit', () => {
    expect(say({ ...maple, pressure_pa: { vessel: 2.1 * PSI } })).toMatchObject({ lapse: 'contradiction' });
    expect(say({ ...maple, pressure_pa: { vessel: 1.5 * PSI } })).toMatchObject({ word: 'vented' });
  });
});

test('the other words keep their reasons while the server is heard', () => {
  const old = pot({ name: 'hazel', state: 'unknown', word: 'not-proven', because: ['vessel-old'], age_s: 14 });
  expect(say(old)).toMatchObject({ word: 'not-proven', because: ['vessel-old'], lapse: null });
  const guard: Pot = { ...maple, state: 'unknown', answer: { word: 'pressurised', because: ['guard-differs'] } };
  expect(say(guard)).toMatchObject({ word: 'pressurised', because: ['guard-differs'], lapse: null });
});

test('pressurised too is proven only by fresh readings', () => {
  const p = pot({ name: 'alder', state: 'blasting', word: 'pressurised', because: ['over-limit'], age_s: 0.2 });
  expect(say(p)).toMatchObject({ word: 'pressurised' });
  expect(say(p, 2500)).toMatchObject({ word: 'not-proven' });
});

test('nothing can raise a word', () => {
  for (const word of ['not-proven', 'pressurised'] as const) {
    for (let mono = 0; mono < 5000; mono += 50) {
      expect(say(pot({ name: 'oak', state: 'at-rest', word, because: ['settling'], psi: [0, 0, 0] }), mono).word).not.toBe('vented');
    }
  }
});
