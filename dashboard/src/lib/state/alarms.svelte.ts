// The open alarms of the site, as the newest frame that named them had them. None of them says anything of opening a
// vessel, nor does their end.
import { priorities } from '../protocol/types.gen';
import type { AlarmState, Priority, StandingAlarm } from '../protocol/types.gen';

/** The part of the Alarms view in which an open alarm stands. */
export type Part = 'active' | 'acknowledged' | 'shelved';

const parts: Readonly<Record<AlarmState, Part>> = {
  normal: 'active',
  unacknowledged: 'active',
  'returned-unacknowledged': 'active',
  'latched-unacknowledged': 'active',
  acknowledged: 'acknowledged',
  'latched-acknowledged': 'acknowledged',
  shelved: 'shelved',
  suppressed: 'shelved',
  'out-of-service': 'shelved',
};

export function part(alarm: StandingAlarm): Part {
  return parts[alarm.state];
}

/** stands tells whether what an alarm tells of is not over, or not proven to be. */
export function stands(alarm: StandingAlarm): boolean {
  return alarm.active || alarm.state.startsWith('latched');
}

/** How many alarms of a priority people see, and how many of them nobody knows of yet. */
export interface Count {
  readonly priority: Priority;
  readonly shown: number;
  readonly waiting: number;
}

/** So many of those that have left the list are remembered. */
export const MOST_LEFT = 50;

export class AlarmsState {
  /** All open alarms in the order in which people should look at them; those out of sight too. */
  list = $state.raw<readonly StandingAlarm[]>([]);
  /** Those that have left the list since the page was opened, the newest last: as a rule they have ended. */
  left = $state.raw<readonly StandingAlarm[]>([]);
  /** A list was received. */
  known = $state(false);
  /** Open alarms beyond the list: the server tells so many at most, those in sight first. */
  more = $state(0);
  /** Alarms of the newest list that could not be read. */
  unreadable = $state(0);

  /** Those that people see without looking for them. */
  readonly shown = $derived(this.list.filter((a) => part(a) !== 'shelved'));
  /** What sounds: critical, its condition stands, and nobody knows. */
  readonly loud = $derived(this.list.filter((a) => a.loud));
  /** Of each priority that is in sight, the most urgent first. */
  readonly counts: readonly Count[] = $derived(
    priorities
      .map((priority) => {
        const of = this.shown.filter((a) => a.priority === priority);
        return { priority, shown: of.length, waiting: of.filter((a) => part(a) === 'active').length };
      })
      .filter((c) => c.shown > 0),
  );

  readonly #byPot = $derived(grouped(this.shown, (a) => a.pot));
  readonly #byAgent = $derived(grouped(this.shown, (a) => (a.pot === undefined ? a.agent : undefined)));

  /** Those in sight of a pot and of the agent that reads it, in order. */
  of(pot: string, agent: string): readonly StandingAlarm[] {
    const own = this.#byPot.get(pot) ?? none;
    const agents = this.#byAgent.get(agent) ?? none;
    return agents.length === 0 ? own : [...agents, ...own];
  }

  /**
   * How urgently a pot needs someone, by the alarms in sight of it and of the agent that reads it; null: none. What is over, and
   * only waits for somebody to say that they know, is no more urgent than medium.
   */
  worst(pot: string, agent: string): Priority | null {
    const urgent = this.of(pot, agent).map((a) => (stands(a) || a.priority === 'low' ? a.priority : 'medium'));
    return priorities.find((p) => urgent.includes(p)) ?? null;
  }

  /** The open alarm of an id. */
  byId(id: string): StandingAlarm | undefined {
    return this.list.find((a) => a.id === id);
  }

  /**
   * Takes the list of a frame; undefined: nothing has changed. unreadable: how many of it were left out here; more: how many the
   * server left out.
   */
  apply(list: readonly StandingAlarm[] | undefined, unreadable: number, more = 0): void {
    if (list === undefined) return;
    const open = new Set(list.map((a) => a.id));
    const gone = this.list.filter((a) => !open.has(a.id));
    if (gone.length > 0 || this.left.some((a) => open.has(a.id))) this.left = [...this.left.filter((a) => !open.has(a.id)), ...gone].slice(-MOST_LEFT);
    this.list = list;
    this.more = more;
    this.unreadable = unreadable;
    this.known = true;
  }
}

const none: readonly StandingAlarm[] = [];

function grouped(list: readonly StandingAlarm[], key: (a: StandingAlarm) => string | undefined): ReadonlyMap<string, readonly StandingAlarm[]> {
  const out = new Map<string, StandingAlarm[]>();
  for (const a of list) {
    const k = key(a);
    if (k === undefined) continue;
    const of = out.get(k);
    if (of === undefined) out.set(k, [a]);
    else of.push(a);
  }
  return out;
}
