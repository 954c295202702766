// Masses, money, water and bores for people. Weights go with the pressure's unit: pounds where that is psi, else kilograms.
import type { Unit } from '../protocol/types.gen';
import { MINUS, perUnit } from './format';

const KG_PER_LB = 0.45359237;

/** massUnit is the unit of weight that goes with a unit of pressure. */
export function massUnit(unit: Unit): 'lb' | 'kg' {
  return unit === 'psi' ? 'lb' : 'kg';
}

/** A mass of abrasive, to three figures at most. */
export function mass(kg: number, unit: Unit): string {
  const v = massUnit(unit) === 'lb' ? kg / KG_PER_LB : kg;
  return v >= 100 ? (Math.round(v / 5) * 5).toString() : v >= 10 ? v.toFixed(0) : v.toFixed(1);
}

/** A flow of abrasive a minute. */
export function massFlow(kgS: number, unit: Unit): string {
  return mass(kgS * 60, unit);
}

/** Water, in quarts' order of size: litres or gallons, to a tenth. */
export function water(kg: number, unit: Unit): string {
  return unit === 'psi' ? `${(kg / 3.785411784).toFixed(1)} US gal` : `${kg.toFixed(1)} l`;
}

/** A difference with its sign: "+5.3", "−0.4", "0.0". */
export function signed(pa: number, unit: Unit): string {
  const v = pa / perUnit[unit];
  const digits = unit === 'psi' ? 1 : unit === 'bar' ? 2 : 0;
  const s = Math.abs(v).toFixed(digits);
  if (Number(s) === 0) return s;
  return (v < 0 ? MINUS : '+') + s;
}

/** How many standard deviations a number is off by in four of five cases at most: what ± says everywhere. */
export const FOUR_OF_FIVE = 1.2816;

/** How far off a number is, to its last digit and rounded up: "± 0.3", which no line parts. */
export function off(v: number, digits: number): string {
  const parts = 10 ** digits;
  return `±\u00a0${(Math.ceil(Number((v * parts).toPrecision(12))) / parts).toFixed(digits)}`;
}

/** The same of a pressure. */
export function offBy(pa: number, unit: Unit): string {
  return off(pa / perUnit[unit], unit === 'psi' ? 1 : unit === 'bar' ? 2 : 0);
}

/** A share of the work, in percent, with its sign. */
export function sharePercent(share: number): string {
  const s = Math.abs(share * 100).toFixed(1);
  if (Number(s) === 0) return `${s} %`;
  return `${share < 0 ? MINUS : ''}${s} %`;
}

/** How many digits of a sum of money are told behind the point. */
export function moneyDigits(v: number): 0 | 2 {
  return Math.abs(v) < 10 ? 2 : 0;
}

/** Money in a currency of three letters, in whole units from 10 on. */
export function money(v: number, currency: string): string {
  const s = Math.abs(v).toFixed(moneyDigits(v));
  return `${v < 0 && Number(s) !== 0 ? MINUS : ''}${s} ${currency}`;
}

/** A bore, in inches of the trade or millimetres. */
export function bore(mm: number, unit: Unit): string {
  return unit === 'psi' ? `${(mm / 25.4).toFixed(3)} in` : `${mm.toFixed(1)} mm`;
}

/** A pressure as a number in a display unit, to draw. */
export function inUnit(pa: number, unit: Unit): number {
  return pa / perUnit[unit];
}

const two = (n: number): string => String(n).padStart(2, '0');
const months = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'Jun', 'Jul', 'Aug', 'Sep', 'Oct', 'Nov', 'Dec'];

/** A day in the zone of whoever looks: "24 Nov". */
export function day(epochMs: number): string {
  const d = new Date(epochMs);
  return `${d.getDate()} ${months[d.getMonth()] ?? ''}`;
}

/** A day with the time: "24 Nov 14:32". */
export function dayAndMinute(epochMs: number): string {
  const d = new Date(epochMs);
  return `${day(epochMs)} ${two(d.getHours())}:${two(d.getMinutes())}`;
}

/** The same with seconds. */
export function dayAndTime(epochMs: number): string {
  return `${dayAndMinute(epochMs)}:${two(new Date(epochMs).getSeconds())}`;
}

/** Hours and minutes. */
export function minute(epochMs: number): string {
  const d = new Date(epochMs);
  return `${two(d.getHours())}:${two(d.getMinutes())}`;
}

/** A mark of a time axis whose marks are step seconds apart: the day where it changes, and no seconds where they are all 0. */
export function timeMark(epochMs: number, step: number, first: boolean): string {
  const d = new Date(epochMs);
  if (step >= 86_400) return day(epochMs);
  const midnight = d.getHours() === 0 && d.getMinutes() === 0 && d.getSeconds() === 0;
  if (midnight || (first && step >= 3600)) return midnight ? day(epochMs) : dayAndMinute(epochMs);
  return step < 60 ? `${minute(epochMs)}:${two(d.getSeconds())}` : minute(epochMs);
}

/** How long a step is. */
export function stepLength(s: number): string {
  if (s < 120) return `${s} s`;
  return s < 7200 ? `${Math.round(s / 60)} min` : `${Math.round(s / 3600)} h`;
}

/** A length of work, s: "12 s", then minutes and seconds, "4:59 min". */
export function clock(s: number): string {
  const t = Math.round(s);
  return t < 60 ? `${t} s` : `${Math.floor(t / 60)}:${two(t % 60)} min`;
}
