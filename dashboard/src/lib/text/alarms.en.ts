// Texts of alarms. What an alarm says, what it leads to and what to do come with the protocol's types.
import { alarmKinds, alarmTexts, blindText, faultTexts, gaugeFaults } from '../protocol/types.gen';
import type { AlarmDeed, AlarmKind, AlarmState, AlarmText, GaugeFault, Point, Priority } from '../protocol/types.gen';
import type { AlarmList } from '../state/route.svelte';
import { point as pointNames } from './en';

export const priority: Readonly<Record<Priority, string>> = {
  critical: 'critical',
  high: 'high',
  medium: 'medium',
  low: 'low',
};

/** How soon somebody must act. */
export const urgencyOf: Readonly<Record<Priority, string>> = {
  critical: 'now: people are at risk',
  high: 'soon: somebody waits, or work is spoilt',
  medium: 'today',
  low: 'at the next occasion',
};

/** A few words for lists. */
const titles: Readonly<Record<AlarmKind, string>> = {
  'vent-slow': 'Vent too slow',
  'vessel-held': 'Vessel still holds pressure',
  'pressure-creep': 'Pressure creeps up',
  'stop-slow': 'Blast stops too late',
  'over-pressure': 'Over the rating',
  'supply-below-vessel': 'Supply under the vessel',
  'press-overlong': 'Handle pressed too long',
  'vessel-unknown': 'Vessel pressure not known',
  'pot-empty-soon': 'Empty soon',
  'pot-empty': 'Empty, air only',
  'abrasive-stopped': 'No abrasive flows',
  'config-doubt': 'Configuration doubtful',
  'nozzle-low': 'Nozzle under target',
  'supply-low': 'Supply cannot keep up',
  'separator-restricted': 'Separator restricted',
  'valve-restricted': 'Inlet path restricted',
  'mixing-restricted': 'Mixing path restricted',
  'hose-restricted': 'Blast hose restricted',
  'exhaust-restricted': 'Exhaust restricted',
  'nozzle-worn': 'Nozzle worn',
  'drain-due': 'Separator to be drained',
  'sensor-fault': 'Gauge faulty',
  'agent-silent': 'Agent silent',
  'clock-skew': 'Agent’s clock is off',
};

/** What is wrong with a gauge, in a few words. */
const faultTitles: Readonly<Record<GaugeFault, string>> = {
  stuck: 'stuck',
  'slow-port': 'slow',
  'zero-drift': 'zero is off',
  swapped: 'exchanged',
  'out-of-range': 'out of range',
  noisy: 'noisy',
  'declared-error': 'outside its declared error',
};

/** faultTitle is a gauge's fault in a few words; of one that this page does not know, its name. */
export function faultTitle(name: string): string {
  const fault = faultOf(name);
  return fault === null ? name : faultTitles[fault];
}

/** What of an alarm tells its words. */
export interface Told {
  readonly alarm: string;
  readonly priority: Priority;
  readonly point?: Point;
  readonly fault?: string;
}

/** kindTitle is the alarm in a few words; of a kind that this page does not know, its name. */
export function title(a: Told): string {
  const kind = kindOf(a.alarm);
  if (kind === null) return a.alarm;
  if (kind !== 'sensor-fault' || a.point === undefined) return titles[kind];
  const fault = faultOf(a.fault);
  return `Gauge of ${pointNames[a.point]} ${fault === null ? 'faulty' : faultTitles[fault]}`;
}

/** words are what people are told of an alarm; null of a kind that this page does not know. */
export function words(a: Told): AlarmText | null {
  const kind = kindOf(a.alarm);
  if (kind === null) return null;
  const base = alarmTexts[kind];
  if (kind !== 'sensor-fault') return base;
  const fault = faultOf(a.fault);
  const text = fault === null ? base : { ...base, ...faultTexts[fault] };
  return a.priority === 'critical' ? { ...text, consequence: blindText.consequence, do: [blindText.do, ...text.do] } : text;
}

function kindOf(name: string): AlarmKind | null {
  return alarmKinds.find((k) => k === name) ?? null;
}

export function faultOf(name: string | undefined): GaugeFault | null {
  return gaugeFaults.find((f) => f === name) ?? null;
}

export const alarmState: Readonly<Record<AlarmState, string>> = {
  normal: 'over',
  unacknowledged: 'nobody has acknowledged it',
  acknowledged: 'acknowledged',
  'returned-unacknowledged': 'over, nobody has acknowledged it',
  'latched-unacknowledged': 'condition over, held until it is proven; nobody has acknowledged it',
  'latched-acknowledged': 'condition over, held until it is proven; acknowledged',
  shelved: 'shelved',
  suppressed: 'not shown: another alarm says it already',
  'out-of-service': 'out of service',
};

/** The same in a word or two, for lists. */
export const alarmStateShort: Readonly<Record<AlarmState, string>> = {
  normal: 'over',
  unacknowledged: 'new',
  acknowledged: 'acknowledged',
  'returned-unacknowledged': 'over, not acknowledged',
  'latched-unacknowledged': 'held, not acknowledged',
  'latched-acknowledged': 'held, acknowledged',
  shelved: 'shelved',
  suppressed: 'under another',
  'out-of-service': 'out of service',
};

export const event: Readonly<Record<string, string>> = {
  raised: 'raised',
  returned: 'its condition ended',
  acknowledged: 'acknowledged',
  reset: 'reset',
  shelved: 'shelved',
  unshelved: 'back from the shelf',
  suppressed: 'hidden under another alarm',
  unsuppressed: 'shown again',
  'out-of-service': 'taken out of service',
  'in-service': 'back in service',
  commented: 'comment',
};

export const deed: Readonly<Record<AlarmDeed, string>> = {
  acknowledge: 'Acknowledge',
  shelve: 'Shelve',
  unshelve: 'Bring back from the shelf',
  reset: 'Reset',
  'take-out': 'Take out of service',
  'bring-back': 'Bring back into service',
  comment: 'Add comment',
};

/** What a deed means, beside its form. */
export const deedMeans: Readonly<Record<AlarmDeed, string>> = {
  acknowledge: 'You say that you know of it. It changes nothing about the vessel.',
  shelve: 'It stays out of sight until the time you set, and then comes back by itself.',
  unshelve: 'It comes back into sight now.',
  reset: 'A held alarm is let go. The answer does not change by it.',
  'take-out': 'It stays out of sight until somebody brings it back.',
  'bring-back': 'It comes back into sight as soon as its condition stands.',
  comment: 'It is kept with the alarm, with your name and the time. It changes nothing about the alarm or the vessel.',
};

export const deedDone: Readonly<Record<AlarmDeed, string>> = {
  acknowledge: 'Acknowledged.',
  shelve: 'Shelved.',
  unshelve: 'Back in sight.',
  reset: 'Reset.',
  'take-out': 'Out of service.',
  'bring-back': 'Back in service.',
  comment: 'Comment added.',
};

export const lists: Readonly<Record<AlarmList, string>> = {
  active: 'Active',
  acknowledged: 'Acknowledged',
  shelved: 'Shelved',
  history: 'History',
};

export const summary = {
  none: 'no alarms',
  unknown: 'alarms not known yet',
  label: 'Alarms',
  fresh: (n: number) => `, ${n} new`,
  old: (age: string) => `alarms as of ${age} ago`,
  more: (n: number) => `and ${n} more`,
};

export const alarms = {
  heading: 'Alarms',
  parts: 'Parts of the alarms',
  listOf: { active: 'Active alarms', acknowledged: 'Acknowledged alarms', shelved: 'Alarms out of sight' },
  left: (time: string) => `${time} left`,
  newer: 'More alarms have ended: show them',
  of: (who: string) => `of ${who}`,
  pot: (name: string) => name,
  agent: (name: string) => `agent ${name}`,
  since: (time: string, ago: string) => `since ${time}, ${ago}`,
  raised: (time: string, ago: string) => `raised ${time}, ${ago} ago`,
  none: {
    active: 'No alarm waits for anybody.',
    acknowledged: 'No acknowledged alarm stands.',
    shelved: 'No alarm is shelved, suppressed or out of service.',
    history: 'No alarm has ended yet.',
  } satisfies Readonly<Record<AlarmList, string>>,
  notKnown: 'Alarms are not known before the server has sent them.',
  old: (age: string) => `Not live: this list is ${age} old. An alarm raised since then is not in it.`,
  more: (n: number) => `${n} more are open than this page is told of. Those in sight come first; something concerns many pots at once.`,
  unreadable: (n: number) => `${n} of the open alarms could not be read by this page. Reload it; look at the pots.`,
  pick: 'Choose an alarm to see what it means, what shows it and what to do.',
  back: 'All alarms',
  what: 'What it is',
  consequence: 'What it leads to',
  causes: 'Likely causes',
  steps: 'What to do, in this order',
  rule: 'The answer',
  shows: 'What shows it',
  life: 'What happened',
  answerNow: 'Answer of this pot now',
  followsFrom: 'Follows from',
  firstOut: 'first of this pot’s alarms',
  firstOfAgent: 'first of this agent’s alarms',
  ackedBy: (who: string, time: string) => `acknowledged by ${who}, ${time}`,
  until: (time: string, left: string) => `until ${time}, ${left} left`,
  by: 'Your name',
  byHint: 'kept on this device',
  note: 'Comment',
  noteNeeded: 'Reason',
  forHow: 'For how long',
  confirm: (what: string) => what,
  cancel: 'Cancel',
  needName: 'Say who you are.',
  needReason: 'Give a reason.',
  needComment: 'Write what is to be kept.',
  sending: 'Sending…',
  refused: 'The server refused:',
  failed: 'The server did not take it:',
  notReached: 'The server did not answer. Look at the alarm before you do it again: it may have been done.',
  loading: 'Loading…',
  loadFailed: (why: string) => `Could not be loaded: ${why}`,
  retry: 'Try again',
  older: 'Older alarms',
  oldest: 'That is all there is.',
  potFilter: 'Pot',
  allPots: 'all pots',
  lasted: (time: string) => `for ${time}`,
  raisedAgo: (time: string) => `raised ${time} ago`,
  ended: (time: string) => `ended ${time}`,
  gone: 'This alarm is not open any more, and is not in the records.',
  unknownKind: 'This page does not know this kind of alarm. Reload it; until then go by the gauge on the pot.',
  openPot: (name: string) => `Open ${name}`,
  out: 'Out of sight',
  new: (n: number) => (n === 1 ? '1 new alarm' : `${n} new alarms`),
  clear: 'no alarms',
};

export const shelfTimes: readonly { readonly s: number; readonly text: string }[] = [
  { s: 900, text: '15 min' },
  { s: 3600, text: '1 h' },
  { s: 4 * 3600, text: '4 h' },
  { s: 8 * 3600, text: '8 h' },
  { s: 12 * 3600, text: '12 h' },
];

export const evidence = {
  vent: 'This vent against the slowest healthy vent of this pot',
  traceOf: (point: string) => `The ${point} since the release`,
  rates: (own: string, healthy: string) => `falls by ${own} of its pressure a second; the slowest healthy vent by ${healthy}`,
  reading: 'Reading against its limit',
  rating: 'Reading against the rating',
  began: 'at the release',
  lowest: 'at its lowest',
  computed: (point: string) => `${point}, computed`,
  baseline: 'supply while it was healthy',
  found: 'when it was found',
  target: 'target',
  rated: 'rating',
  still: (pa: string, after: string) => `still ${pa} ${after} after the release`,
  mayTake: (limit: string) => `it may take ${limit}`,
  stops: (limit: string, pa: string) => `a blast is under ${pa} after ${limit}`,
  pressed: (time: string, lasted: string, limit: string) => `pressed since ${time}, for ${lasted} when it was found; the limit is ${limit}`,
  notKnown: (lasted: string, limit: string) => `not known for ${lasted} when it was found; the limit is ${limit}`,
  blind: (fault: string) => `the vessel’s gauge: ${fault}`,
  trend: 'Index of the part against its limit',
  bore: 'Nozzle bore over its size when new',
  limit: 'limit',
  healthy: 'healthy',
  now: 'when raised',
  passes: (from: string, mid: string, to: string) => `passes its limit about ${mid}, between ${from} and ${to}`,
  passesAbout: (mid: string) => `passes its limit about ${mid}`,
  contents: 'Abrasive left',
  share: (mid: string, low: string, high: string) => `${mid} of the pot’s capacity, between ${low} and ${high}`,
  shareOnly: (mid: string) => `${mid} of the pot’s capacity`,
  soonAt: (share: string, time: string) => `it is told under ${share} where less than ${time} of blasting are left`,
  lasts: (mid: string, low: string, high: string) => `lasts ${mid} of blasting, between ${low} and ${high}`,
  water: (kg: string) => `about ${kg} kg of water since the last drain`,
  waterAt: (kg: string) => `it is to be drained at ${kg} kg`,
  silent: (s: string) => `nothing heard for ${s} when it was raised`,
  limitIs: (limit: string) => `the limit is ${limit}`,
  ahead: (s: string) => `its clock is ${s} ahead of the server’s`,
  behind: (s: string) => `its clock is ${s} behind the server’s`,
  fault: 'Gauge',
  size: {
    stuck: (v: string) => `stays at ${v}`,
    'slow-port': (v: string) => `follows ${v} late`,
    'zero-drift': (v: string) => `shows ${v} where there should be none`,
    swapped: (v: string) => `the two stand the wrong way round by ${v}`,
    'out-of-range': (v: string) => `shows ${v}`,
    noisy: (v: string) => `noise or spikes of ${v}`,
    'declared-error': (v: string) => `off by ${v}`,
  } satisfies Readonly<Record<GaugeFault, (v: string) => string>>,
  other: (name: string) => `seems to be exchanged with ${name}`,
  late: 'found in readings that came late',
  nothing: 'Nothing was recorded that could be drawn.',
  full: 'full',
  empty: 'empty',
};

export const figures = {
  heading: 'How well the alarms serve people',
  against: 'against the benchmarks of IEC 62682 and ISA-18.2 for one person who looks after all',
  what: 'Figure',
  day: '24 h',
  month: '30 days',
  benchmark: 'Benchmark',
  perHour: 'alarms an hour',
  perTen: 'in ten minutes, on average',
  most: 'most in ten minutes',
  flood: 'time in a flood',
  stale: 'stand for over a day',
  chatter: 'chatter (3 times in a minute)',
  share: (p: Priority) => `share ${p}`,
  atMost: (v: string) => `at most ${v}`,
  about: (v: string) => `about ${v}`,
  under: (v: string) => `under ${v}`,
  none: 'none',
  over: 'beyond the benchmark:',
  overMeans: 'beyond the benchmark',
  floodNow: 'A flood of alarms: more came in the last ten minutes than one person can take in. Look at the critical ones and at what they have in common.',
  counted: (time: string) => `counted over ${time}`,
  worst: 'Come most often, last 24 h',
  times: (n: number) => (n === 1 ? 'once' : `${n} times`),
  hidden: (shelved: number, suppressed: number, out: number) => `${shelved} shelved, ${suppressed} suppressed, ${out} out of service`,
};

export const sound = {
  blocked: 'The browser keeps this page silent until it is touched.',
  unblock: 'Turn alarm sound on',
  none: 'This browser cannot sound an alarm.',
  mute: 'Mute for 2 min',
  muted: (left: string) => `Muted, sounds again in ${left}`,
  unmute: 'Sound now',
  test: 'Test the sound',
};

export const version = {
  newer: 'The server was renewed; this page is of an older version.',
  soon: 'It reloads by itself.',
  wait: 'It reloads when you are done, or:',
  again: 'It was reloaded already and is still the older one; clear the browser’s cache.',
  reload: 'Reload now',
};
