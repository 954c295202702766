import { expect, test } from 'vitest';
import { bore, clock, inUnit, mass, massFlow, massUnit, money, off, offBy, sharePercent, signed, stepLength, timeMark, water } from './figures';

test('weights go with the pressure’s unit', () => {
  expect([mass(103, 'psi'), massUnit('psi')]).toEqual(['225', 'lb']);
  expect([mass(103, 'bar'), massUnit('bar')]).toEqual(['105', 'kg']);
  expect(mass(4.26, 'kPa')).toBe('4.3');
  expect(mass(42.4, 'kPa')).toBe('42');
  expect(massFlow(0.152, 'psi')).toBe('20'); // 0.152 kg/s is 20.1 lb/min
});

test('signs', () => {
  expect(signed(36_542, 'psi')).toBe('+5.3');
  expect(signed(-1379, 'psi')).toBe('−0.2');
  expect(signed(-100, 'psi')).toBe('0.0');
  expect(signed(36_542, 'bar')).toBe('+0.37');
  expect(sharePercent(0.0795)).toBe('8.0 %');
  expect(sharePercent(-0.003)).toBe('−0.3 %');
  expect(sharePercent(-0.0001)).toBe('0.0 %');
  expect(money(10.2, 'USD')).toBe('10 USD');
  expect(money(-0.384, 'USD')).toBe('−0.38 USD');
});

test('bores, water, lengths', () => {
  expect(bore(11.1125, 'psi')).toBe('0.438 in'); // 7/16 in
  expect(bore(11.1125, 'bar')).toBe('11.1 mm');
  expect(water(3.785411784, 'psi')).toBe('1.0 US gal');
  expect(water(9.44, 'kPa')).toBe('9.4 l');
  expect([0.5, 5, 120, 7200].map(stepLength)).toEqual(['0.5 s', '5 s', '2 min', '2 h']);
  expect([12, 60, 299.4, 3600].map(clock)).toEqual(['12 s', '1:00 min', '4:59 min', '60:00 min']);
  expect(inUnit(100_000, 'bar')).toBe(1);
});

test('marks of time say the day where it changes', () => {
  const at = (h: number, m: number, s = 0) => new Date(2026, 10, 24, h, m, s).getTime();
  expect(timeMark(at(14, 32, 10), 10, false)).toBe('14:32:10');
  expect(timeMark(at(14, 32), 60, true)).toBe('14:32');
  expect(timeMark(at(0, 0), 3600, false)).toBe('24 Nov');
  expect(timeMark(at(6, 0), 3600, true)).toBe('24 Nov 06:00');
  expect(timeMark(at(6, 0), 86_400, false)).toBe('24 Nov');
});

test('what a number is off by is never told smaller than it is', () => {
  expect(offBy(0.28 * 6894.757, 'psi')).toBe('±\u00a00.3');
  expect(offBy(0.301 * 6894.757, 'psi')).toBe('±\u00a00.4');
  expect(offBy(1, 'psi')).toBe('±\u00a00.1');
  expect(offBy(2000, 'bar')).toBe('±\u00a00.02');
  expect(offBy(3102, 'kPa')).toBe('±\u00a04');
  expect(off(0.3, 1)).toBe('±\u00a00.3'); // 0.3 * 10 is 3.0000000000000004 for some
  expect(off(0.42, 1)).toBe('±\u00a00.5');
});
