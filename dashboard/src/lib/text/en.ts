// Every text of the page. Sentences for the codes of an answer come with the protocol's types.
import type { Ending } from '../net/socket';
import type { Air, Code, Point, Quality, Segment, State, Word } from '../protocol/types.gen';
import { codes, sentences } from '../protocol/types.gen';
import type { Lapse } from '../state/lease';

export const word: Readonly<Record<Word, string>> = {
  vented: 'VENTED',
  pressurised: 'PRESSURISED',
  'not-proven': 'NOT PROVEN',
};

/** What a printed page says in place of the word: paper is never fresh. */
export const printed = 'see the pot';

export const caution = 'check the gauge on the pot, lock out';
export const airCaution: Readonly<Record<Air, string | null>> = {
  on: 'air is on: isolate it',
  unknown: 'air may be on: isolate it',
  off: null,
};
export const stalled = 'vent stalled: do not open';

export const lapse: Readonly<Record<Lapse, string>> = {
  'connection-lost': 'The connection to the server is lost.',
  'page-hidden': 'This page was hidden; waiting for fresh readings.',
  'page-woken': 'This page was asleep; waiting for fresh readings.',
  'page-restored': 'This page was restored; waiting for fresh readings.',
  'no-frame': 'The server has said nothing for 2 s.',
  'not-confirmed': 'Waiting for fresh readings.',
  'lease-ended': 'The reading behind the last answer is 3 s old.',
  unreadable: 'The server sent something this page cannot read.',
  contradiction: 'The answer and the readings contradict each other.',
};

export function reason(code: string): string {
  const known = codes.find((c): c is Code => c === code);
  return known === undefined ? `A reason that this page does not know: ${code}.` : sentences[known];
}

export const state: Readonly<Record<State, string>> = {
  'at-rest': 'at rest',
  charging: 'charging',
  blasting: 'blasting',
  venting: 'venting',
  held: 'held',
  unknown: 'state unknown',
};

export const point: Readonly<Record<Point, string>> = {
  supply: 'supply',
  separator: 'separator',
  vessel: 'vessel',
  hose: 'hose',
  nozzle: 'nozzle',
  control: 'control',
};

export const segment: Readonly<Record<Segment, string>> = {
  separator: 'separator',
  valve: 'valve',
  mixing: 'mixing',
  hose: 'hose',
};

export const quality: Readonly<Record<Quality, string>> = {
  'out-of-range': 'out of range',
  'no-reply': 'no reply',
  old: 'old',
};

export const ending: Readonly<Record<Ending, string>> = {
  closed: 'Connection to the server lost.',
  silent: 'The server stopped answering.',
  'refused-frame': 'The server sent something this page cannot read.',
  'out-of-order': 'The server sent its messages out of order.',
  stopped: 'Disconnected.',
};

export const page = {
  title: (...parts: string[]) => [...parts.filter((p) => p !== ''), 'gritwatch'].join(' · '),
  waiting: 'Connecting to the server…',
  skip: 'Skip to the view',
  views: 'Views',
  view: { site: 'Site', alarms: 'Alarms' },
  notices: 'Notices',
  sounding: 'Sounding alarms',
  noPots: 'The server watches no pots. Add them to its site file.',
  noMatch: 'No pot matches. Clear the search or the filter.',
  pots: (n: number) => (n === 1 ? '1 pot' : `${n} pots`),
  live: (age: string) => `live, ${age} old`,
  notLive: (age: string) => `not live, last word ${age} ago`,
  never: 'not connected yet',
  serverTime: 'server time',
  asOf: 'printed at server time',
  lost: 'Every answer is NOT PROVEN until it is back. Trust the gauge on the pot.',
  lostFor: (time: string) => `for ${time}`,
  retry: 'Try now',
  rejected: (n: number) => (n === 1 ? '1 message part could not be read.' : `${n} message parts could not be read.`),
  missed: (time: string) => `Back after ${time} without news.`,
  missedNothing: 'No pot changed its state meanwhile, as far as can be told.',
  missedChange: (pot: string, from: string, to: string) => `${pot}: ${from}, now ${to}`,
  missedNew: (pot: string) => `${pot} is new`,
  missedGone: (pot: string) => `${pot} is gone`,
  missedMore: (n: number) => `and ${n} more`,
  dismiss: 'Dismiss',
  fault: 'Server fault:',
  simulated: 'SIMULATED',
  simulatedAll: 'All readings come from a simulator.',
  simulatedSome: (n: number, all: number) => `${n} of ${all} pots come from a simulator.`,
  search: 'Search pots',
  filter: 'Show',
  filters: { all: 'All', look: 'Look here', blasting: 'Blasting', rest: 'Resting' },
  unit: 'Unit',
  density: 'Rows',
  densities: { full: 'Full', compact: 'Compact' },
  footer:
    'Not a safety-rated system; it replaces no gauge, lockout, relief valve or procedure. Before opening a vessel: release, vent, read zero on the pot’s own gauge, lock out. Local rules and your supervisor decide.',
};

export const pot = {
  forTime: (time: string) => `for ${time}`,
  since: (time: string) => `since ${time}`,
  sinceAtLeast: (time: string) => `at least since ${time}`,
  vessel: 'vessel',
  nozzle: 'nozzle',
  nozzleEstimated: 'nozzle, estimated',
  of: (target: string, unit: string) => `of ${target} ${unit}`,
  work: (lost: string) => `${lost} work`,
  onTarget: 'work as at target',
  noReading: 'no reading',
  old: (age: string) => `old: ${age}`,
  ageOf: (age: string) => `${age} old`,
  neverHeard: 'never heard',
  largest: 'largest loss',
  agent: (name: string) => `agent ${name}`,
};
