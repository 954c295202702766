// Asks the server for what is stored: history, cycles, baselines. Never of the present: the live frames tell that.
import { Unfit } from '../protocol/read';
import { baselines, cycles, history } from '../protocol/stored';
import type { Cycles, History, StoredBaselines } from '../protocol/types.gen';

/** What came of asking: a value, or why there is none, in words. */
export type Got<T> = { readonly ok: true; readonly value: T } | { readonly ok: false; readonly problem: string };

/** How many records the server gives at once. */
const MOST = 1000;

/** What is used of fetch. */
export type Fetch = (path: string, options: { readonly signal: AbortSignal; readonly cache: 'no-store' }) => Promise<Response>;

export class Stored {
  readonly #fetch: Fetch;

  constructor(fetch: Fetch) {
    this.#fetch = fetch;
  }

  /** Readings of a range, times in ms since the epoch, step in s. */
  history(pot: string, from: number, to: number, step: number, signal: AbortSignal, points?: string): Promise<Got<History>> {
    const query = new URLSearchParams({ from: new Date(from).toISOString(), to: new Date(to).toISOString(), step: String(step), ...(points !== undefined && { points }) });
    return this.#get(`/api/v1/pots/${pot}/history?${query}`, signal, history);
  }

  /** A page of cycles, the newest first. after: next of the page before. */
  cycles(pot: string, limit: number, after: string | null, signal: AbortSignal): Promise<Got<Cycles>> {
    const query = new URLSearchParams({ limit: String(limit), ...(after !== null && { after }) });
    return this.#get(`/api/v1/pots/${pot}/cycles?${query}`, signal, cycles);
  }

  /** The newest cycles whose press is not before an instant, ms since the epoch, the newest first: as many as a page has at most. */
  since(pot: string, from: number, signal: AbortSignal): Promise<Got<Cycles>> {
    const query = new URLSearchParams({ from: new Date(from).toISOString(), limit: String(MOST) });
    return this.#get(`/api/v1/pots/${pot}/cycles?${query}`, signal, cycles);
  }

  /** The baselines that people recorded, the newest first. */
  baselines(pot: string, signal: AbortSignal): Promise<Got<StoredBaselines>> {
    return this.#get(`/api/v1/pots/${pot}/baselines`, signal, baselines);
  }

  async #get<T>(path: string, signal: AbortSignal, read: (value: unknown) => T): Promise<Got<T>> {
    let status = 0;
    try {
      const response = await this.#fetch(path, { signal, cache: 'no-store' });
      status = response.status;
      const body: unknown = await response.json();
      if (!response.ok) return { ok: false, problem: detail(body) ?? `status ${status}` };
      return { ok: true, value: read(body) };
    } catch (e) {
      if (signal.aborted) return { ok: false, problem: '' };
      if (e instanceof Unfit) return { ok: false, problem: e.message };
      return { ok: false, problem: status === 0 ? 'the server cannot be reached' : `status ${status}` };
    }
  }
}

/** What a problem document says. */
function detail(body: unknown): string | null {
  if (typeof body !== 'object' || body === null || !('detail' in body)) return null;
  return typeof body.detail === 'string' ? body.detail : null;
}
