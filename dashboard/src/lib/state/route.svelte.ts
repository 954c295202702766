// Which view is shown: the part of the address behind #, so that the server needs no other path and every view has an
// address of its own, to be kept, sent and gone back to.

/** The views, in the order of the navigation. A view that comes later joins here and in read. */
export const views = ['site', 'alarms'] as const;
export type ViewName = (typeof views)[number];

/** The parts of the Alarms view. */
export const alarmLists = ['active', 'acknowledged', 'shelved', 'history'] as const;
export type AlarmList = (typeof alarmLists)[number];

export type Route =
  | { readonly view: 'site' }
  | { readonly view: 'pot'; readonly name: string }
  /** list: null where an address names an alarm alone, as in a message sent about it. */
  | { readonly view: 'alarms'; readonly list: AlarmList | null; readonly alarm: string | null };

/** read is the route of an address's part behind #. What it does not know leads to the site. */
export function read(hash: string): Route {
  const [view, first, second] = hash.replace(/^#?\/?/, '').split('/').map(decoded);
  if (view === 'pot' && first !== undefined && /^[a-z0-9-]{1,32}$/.test(first)) return { view, name: first };
  if (view === 'alarms') {
    const list = alarmLists.find((l) => l === first) ?? null;
    return { view, list, alarm: id(list === null ? first : second) };
  }
  return { view: 'site' };
}

/** href is the address of a route. */
export function href(route: Route): string {
  if (route.view === 'site') return '#/';
  if (route.view === 'pot') return `#/pot/${route.name}`;
  return ['#/alarms', route.list, route.alarm].filter((part) => part !== null).join('/');
}

function id(part: string | undefined): string | null {
  return part !== undefined && /^[0-9A-Za-z-]{1,40}$/.test(part) ? part : null;
}

function decoded(part: string): string {
  try {
    return decodeURIComponent(part);
  } catch {
    return '';
  }
}

/** What is used of a window. */
export interface Place {
  readonly location: { hash: string };
  addEventListener(type: 'hashchange', run: () => void): void;
}

export class Router {
  readonly #place: Place;
  route = $state.raw<Route>({ view: 'site' });

  constructor(place: Place) {
    this.#place = place;
    this.route = read(place.location.hash);
    place.addEventListener('hashchange', () => (this.route = read(place.location.hash)));
  }

  go(route: Route): void {
    this.#place.location.hash = href(route);
  }
}
