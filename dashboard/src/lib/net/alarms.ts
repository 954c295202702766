// Asks the server for alarms beyond the open ones that the frames have, and does what people do with them.
import { alarmDetail, alarmFigures, alarmsPage } from '../protocol/alarms';
import type { AlarmAct, AlarmDeed, AlarmDetail, AlarmFigures, Alarms } from '../protocol/types.gen';
import { ask } from './ask';
import type { Fetch, Got } from './ask';

const PAGE = 50;

export class AlarmBook {
  readonly #fetch: Fetch;
  readonly #live: (id: string, deed: AlarmDeed, act: AlarmAct) => Promise<Got<null>> | null;

  /** live: does it over the live connection; null where there is none. */
  constructor(fetch: Fetch, live: (id: string, deed: AlarmDeed, act: AlarmAct) => Promise<Got<null>> | null = () => null) {
    this.#fetch = fetch;
    this.#live = live;
  }

  /** A page of alarms that have ended, the newest first. pot: of one; null: of all. after: next of the page before. */
  ended(pot: string | null, after: string | null, signal: AbortSignal): Promise<Got<Alarms>> {
    const query = new URLSearchParams({ state: 'ended', limit: String(PAGE), ...(pot !== null && { pot }), ...(after !== null && { after }) });
    return ask(this.#fetch, `/api/v1/alarms?${query}`, alarmsPage, signal);
  }

  /** One alarm with all that is known of it. */
  detail(id: string, signal: AbortSignal): Promise<Got<AlarmDetail>> {
    return ask(this.#fetch, `/api/v1/alarms/${id}`, alarmDetail, signal);
  }

  figures(signal: AbortSignal): Promise<Got<AlarmFigures>> {
    return ask(this.#fetch, '/api/v1/alarms/figures', alarmFigures, signal);
  }

  /** Does something with an open alarm, over the live connection while there is one; how it stands then comes with the next frame. */
  act(id: string, deed: AlarmDeed, act: AlarmAct): Promise<Got<null>> {
    return this.#live(id, deed, act) ?? ask(this.#fetch, `/api/v1/alarms/${id}/${deed}`, () => null, null, act);
  }
}
