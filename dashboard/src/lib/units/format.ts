// SI to what people read: the only place where a display unit exists. Numbers keep their width and carry units.
import type { Unit } from '../protocol/types.gen';

export const perUnit: Readonly<Record<Unit, number>> = { psi: 6894.757293168361, bar: 1e5, kPa: 1e3 };

/** MINUS is the typographic minus; it is as wide as a figure. */
export const MINUS = '\u2212';

function fixed(value: number, digits: number): string {
  const s = Math.abs(value).toFixed(digits);
  return value < 0 && Number(s) !== 0 ? MINUS + s : s;
}

/** A gauge pressure: whole psi or kPa where it is high, with tenths near zero, where they matter. */
export function pressure(pa: number, unit: Unit): string {
  const v = pa / perUnit[unit];
  if (unit === 'bar') return fixed(v, 2);
  // Rounded first, so that 9.97 psi is 10 and not 10.0.
  const near = Number(Math.abs(v).toFixed(1)) < (unit === 'psi' ? 10 : 20);
  return fixed(v, near ? 1 : 0);
}

/** A loss along a segment: always to the same digit, so that neighbours can be compared. */
export function drop(pa: number, unit: Unit): string {
  return fixed(pa / perUnit[unit], unit === 'psi' ? 1 : unit === 'bar' ? 2 : 0);
}

/** How long something lasts, for people: 0 to 119 s in seconds, then minutes, then hours and minutes. */
export function duration(s: number): string {
  const t = Math.max(0, Math.floor(s));
  if (t < 120) return `${t} s`;
  if (t < 3600) return `${Math.floor(t / 60)} min`;
  if (t < 86_400) return `${Math.floor(t / 3600)} h ${String(Math.floor((t % 3600) / 60)).padStart(2, '0')} min`;
  return `${Math.floor(t / 86_400)} d ${Math.floor((t % 86_400) / 3600)} h`;
}

/** An age, with tenths while it is young. */
export function age(s: number): string {
  return s < 10 ? `${Math.max(0, s).toFixed(1)} s` : duration(s);
}

/** What a production share costs: "−17 %" of the work at target pressure; null where it is not below it. */
export function workLost(production: number): string | null {
  const percent = Math.round((1 - production) * 100);
  return percent > 0 ? `${MINUS}${percent} %` : null;
}

/** The time of day in the zone of whoever looks, hh:mm:ss. */
export function timeOfDay(epochMs: number): string {
  const d = new Date(epochMs);
  return [d.getHours(), d.getMinutes(), d.getSeconds()].map((n) => String(n).padStart(2, '0')).join(':');
}

/** A name as people write it: harrow-quay is Harrow Quay. */
export function displayName(name: string): string {
  return name
    .split('-')
    .filter((part) => part !== '')
    .map((part) => part.charAt(0).toUpperCase() + part.slice(1))
    .join(' ');
}

/** What a part takes or lets through, as so many times what it did when healthy. */
export function times(index: number): string {
  return `× ${index.toFixed(2)}`;
}

/** A share in percent, whole. */
export function share(v: number): string {
  return `${fixed(v * 100, 0)} %`;
}

const months = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'Jun', 'Jul', 'Aug', 'Sep', 'Oct', 'Nov', 'Dec'] as const;

/** A day in the zone of whoever looks: 29 Nov. */
export function date(epochMs: number): string {
  const d = new Date(epochMs);
  return `${d.getDate()} ${months[d.getMonth()] ?? ''}`;
}

/** An instant: the time of day where it lies on the same day as now, else with its date; with its year where that differs. */
export function moment(epochMs: number, now: number): string {
  const day = date(epochMs);
  const year = new Date(epochMs).getFullYear();
  if (year !== new Date(now).getFullYear()) return `${day} ${year}, ${timeOfDay(epochMs)}`;
  return day === date(now) ? timeOfDay(epochMs) : `${day}, ${timeOfDay(epochMs)}`;
}
