// Reading unknown JSON: each function gives what it was asked for, or throws Unfit with where it stands and what is wrong.

/** What does not fit. */
export class Unfit extends Error {}

/**
 * below reads what stands in something else. Where it stands there is only put together when it does not fit: of a large site the
 * places of all that fits would cost more than reading it.
 */
export function below<T>(value: unknown, at: () => string, read: (value: unknown, at: string) => T): T {
  try {
    return read(value, '');
  } catch (e) {
    throw e instanceof Unfit ? new Unfit(at() + e.message) : e;
  }
}

export type Fields = Readonly<Record<string, unknown>>;

/** maybe reads what may be absent. */
export function maybe<K extends string, T>(f: Fields, key: K, at: string, read: (value: unknown, at: string) => T): { [k in K]?: T } {
  return f[key] === undefined ? {} : ({ [key]: below(f[key], () => `${at}.${key}`, read) } as { [k in K]?: T });
}

export function numbers(value: unknown, keys: readonly string[], at: string): Record<string, number> {
  const out: Record<string, number> = {};
  const f = fields(value, at);
  for (const k in f) out[oneOf(k, keys, at)] = number(f[k], `${at}.${k}`);
  return out;
}

export function optional<K extends string>(f: Fields, key: K, at: string, positive = false): { [k in K]?: number } {
  const v = f[key];
  if (v === undefined) return {};
  const n = number(v, `${at}.${key}`);
  if (positive && n < 0) throw new Unfit(`${at}.${key}: negative`);
  return { [key]: n } as { [k in K]?: number };
}

/** What is still being read. */
export type Filling<T> = { -readonly [k in keyof T]: T[k] };

/** put reads a number that may be absent into a member of the same name; without the object that optional makes for each. */
export function put<K extends string>(out: { [k in K]?: number }, f: Fields, key: K, at: string, positive = false): void {
  const v = f[key];
  if (v === undefined) return;
  if (typeof v !== 'number' || !Number.isFinite(v) || (positive && v < 0)) optional(f, key, at, positive); // says what is wrong
  out[key] = v as number;
}

/** each reads the members of a list. */
export function each<T>(value: unknown, at: string, read: (value: unknown, at: string) => T): readonly T[] {
  return list(value, at).map((v, i) => below(v, () => `${at}[${i}]`, read));
}

export function fields(value: unknown, at: string): Fields {
  if (typeof value !== 'object' || value === null || Array.isArray(value)) throw new Unfit(`${at}: not an object`);
  return value as Fields;
}

export function list(value: unknown, at: string): readonly unknown[] {
  if (!Array.isArray(value)) throw new Unfit(`${at}: not a list`);
  return value;
}

export function number(value: unknown, at: string): number {
  if (typeof value !== 'number' || !Number.isFinite(value)) throw new Unfit(`${at}: not a number`);
  return value;
}

export function text(value: unknown, at: string): string {
  if (typeof value !== 'string') throw new Unfit(`${at}: not a text`);
  return value;
}

export function flag(value: unknown, at: string): boolean {
  if (typeof value !== 'boolean') throw new Unfit(`${at}: not true or false`);
  return value;
}

export function oneOf<T extends string>(value: unknown, list: readonly T[], at: string): T {
  if (!list.includes(value as T)) throw new Unfit(`${at}: ${JSON.stringify(value)} is not one of ${list.join(', ')}`);
  return value as T;
}

export function instant(value: unknown, at: string): string {
  const s = text(value, at);
  if (!/^\d{4}-\d{2}-\d{2}T/.test(s) || Number.isNaN(Date.parse(s))) throw new Unfit(`${at}: not an RFC 3339 time`);
  return s;
}

export function name(value: unknown, at: string): string {
  const s = text(value, at);
  if (!/^[a-z0-9-]{1,32}$/.test(s)) throw new Unfit(`${at}: ${JSON.stringify(s)} is not a pot's name`);
  return s;
}
