// Asks the server's API. What it refuses it says in words, and those are for people.
import { Unfit } from '../protocol/read';

/** What came of asking: a value, or why there is none. */
export type Got<T> = { readonly ok: true; readonly value: T } | { readonly ok: false; readonly why: Why; readonly problem: string };

/** gone: there is no such thing; refused: the server says in words why not; unreached: nobody knows whether it was heard. */
export type Why = 'gone' | 'refused' | 'unfit' | 'unreached' | 'aborted';

/** What is used of fetch. */
export type Fetch = (path: string, options: RequestInit) => Promise<Response>;

/** An answer that takes longer is not waited for, ms. */
export const PATIENCE_MS = 10_000;

/** ask sends a request and reads the answer. body: what is posted; undefined: nothing is, it is a GET. */
export async function ask<T>(fetch: Fetch, path: string, read: (value: unknown) => T, signal: AbortSignal | null, body?: unknown): Promise<Got<T>> {
  const patience = AbortSignal.timeout(PATIENCE_MS);
  let status = 0;
  try {
    const response = await fetch(path, {
      cache: 'no-store',
      signal: signal === null ? patience : AbortSignal.any([signal, patience]),
      ...(body !== undefined && { method: 'POST', headers: { 'content-type': 'application/json' }, body: JSON.stringify(body) }),
    });
    status = response.status;
    if (!response.ok) return { ok: false, why: status === 404 ? 'gone' : 'refused', problem: (await detail(response)) ?? `status ${status}` };
    return { ok: true, value: read(await response.json()) };
  } catch (e) {
    if (signal?.aborted === true) return { ok: false, why: 'aborted', problem: '' };
    if (e instanceof Unfit) return { ok: false, why: 'unfit', problem: e.message };
    return status === 0
      ? { ok: false, why: 'unreached', problem: 'the server cannot be reached' }
      : { ok: false, why: 'unfit', problem: 'the answer is not JSON' };
  }
}

/** What a problem document says. */
async function detail(response: Response): Promise<string | null> {
  try {
    const body: unknown = await response.json();
    if (typeof body !== 'object' || body === null || !('detail' in body)) return null;
    return typeof body.detail === 'string' ? body.detail : null;
  } catch {
    return null;
  }
}
