import { describe, expect, test } from 'vitest';
import { age, displayName, drop, duration, pressure, workLost } from './format';

// 1 psi = 6894.757293168361 Pa and 1 bar = 100 kPa: NIST SP 811 appendix B.8 (6.894 757 E+03).
describe('pressure', () => {
  test.each([
    [689_475.729, 'psi', '100'],
    [689_475.729, 'bar', '6.89'],
    [689_475.729, 'kPa', '689'],
    [6894.757, 'psi', '1.0'],
    [6894.757, 'kPa', '6.9'],
    [7000, 'kPa', '7.0'],
    [68_947, 'psi', '10'],
    [-1379, 'psi', '−0.2'],
    [-100, 'psi', '0.0'],
    [0, 'bar', '0.00'],
  ] as const)('%d Pa in %s is %s', (pa, unit, want) => {
    expect(pressure(pa, unit)).toBe(want);
  });
});

test('losses keep their digits', () => {
  expect([drop(46_900, 'psi'), drop(46_900, 'bar'), drop(46_900, 'kPa')]).toEqual(['6.8', '0.47', '47']);
  expect(drop(-2000, 'psi')).toBe('−0.3');
});

test.each([
  [0, '0 s'],
  [-3, '0 s'],
  [119.9, '119 s'],
  [120, '2 min'],
  [3599, '59 min'],
  [3600, '1 h 00 min'],
  [5460, '1 h 31 min'],
  [90_000, '1 d 1 h'],
])('%d s lasts %s', (s, want) => expect(duration(s)).toBe(want));

test('ages have tenths while young', () => {
  expect([age(0), age(0.44), age(9.94), age(14.2), age(300)]).toEqual(['0.0 s', '0.4 s', '9.9 s', '14 s', '5 min']);
});

test('work lost', () => {
  expect([workLost(0.829), workLost(1), workLost(1.05), workLost(0.999)]).toEqual(['−17 %', null, null, null]);
});

test('names', () => {
  expect([displayName('harrow-quay'), displayName('pot-12'), displayName('')]).toEqual(['Harrow Quay', 'Pot 12', '']);
});
