// Texts of the Pot view and of its drawings; en.ts has those that all views share.
import type { BaselineKind, Finding, Point, Segment } from '../protocol/types.gen';
import type { PastMinutes } from '../charts/level';
import { findings } from '../protocol/types.gen';

export const titles = {
  back: 'Site',
  unknownPot: (name: string) => `The server watches no pot called ${name}.`,
  waiting: 'Waiting for this pot…',
  alarms: 'Alarms',
  findings: 'What has changed',
  grade: 'Where the pressure falls',
  account: 'What the falls cost',
  vent: 'The vent',
  level: 'Abrasive left',
  traces: 'Readings',
  wear: 'What wears and clogs',
  cycles: 'Blasts and vents',
  baseline: 'Told against',
  water: 'Water in the separator',
  more: 'More',
};

export const facts = {
  vessel: 'vessel',
  nozzle: 'nozzle',
  left: 'to empty',
  leftClock: 'on the clock',
  flow: 'abrasive flow',
  aMinute: (unit: string) => `${unit}/min`,
  noEstimate: 'no estimate yet',
  minutes: 'min',
  rangeOf: (a: string, b: string) => `${a} to ${b}`,
  unknown: 'not known',
};

export const grade = {
  now: 'today',
  base: 'at the baseline',
  than: 'against the baseline',
  target: (value: string, unit: string) => `target ${value} ${unit}`,
  more: (what: string, value: string) => `${what} ${value}`,
  noBase: 'The baseline is drawn while the pot blasts, once one is known.',
  estimated: 'reckoned, not measured',
  off: 'The upright strokes: how far off a reading may be at most, by what is declared of its gauge.',
  offReckoned: 'The upright strokes: how far off a reading may be at most, by what is declared of its gauge; of the reckoned nozzle, how far off it is in four of five cases at most.',
  few: 'One gauge along the air’s path has nothing to be compared with; its readings are below.',
};

/** A stretch of the path, of one segment or of several without a gauge between. */
export function stretch(last: string, first: string | null): string {
  return first === null ? last : `${first} to ${last}`;
}

export const vent = {
  running: (s: string, left: string) => `Released ${s} ago, ${left} left.`,
  over: (s: string, left: string) => `Released ${s} ago; ${left} in the vessel now.`,
  within: (pa: string, s: string) => `The slowest healthy vent is under ${pa} after ${s}.`,
  above: 'Slower than the slowest healthy vent of this pot.',
  below: 'Inside the healthy range so far.',
  noEnvelope: 'What is healthy for this pot is not known yet, so no range is drawn.',
  was: (pa: string, s: string) => `The range is what this vent was judged by then: the slowest healthy one was under ${pa} after ${s}.`,
  wasAbove: 'It ended over the slowest healthy vent of this pot.',
  noneKept: 'With this vent no healthy range was kept, so none is drawn: it was not timed, or it is from before ranges were kept.',
  none: 'No vent runs, and none is recorded. The next one is drawn here as it happens.',
  recorded: (time: string) => `The vent of ${time}, as it was recorded.`,
  latest: (time: string) => `The last vent, of ${time}, as it was recorded.`,
  live: 'Back to the newest',
  loading: 'Fetching the vent…',
  empty: 'No readings of this vent are stored.',
  healthy: 'healthy',
  judged: 'judged down to here',
  seconds: 's',
  since: 's since the release',
  label: (of: string, last: string, at: string) => `${of} pressure since the release: ${last} after ${at}`,
  strip: 'since the release; grey: a healthy vent',
  stripAlone: 'since the release; what is healthy is not known',
  proves: 'This picture proves nothing about opening: the answer above does.',
};

export const level = {
  share: (s: string) => `${s} % full`,
  mass: (m: string, off: string, unit: string) => `${m} ± ${off} ${unit}`,
  band: (a: string, b: string) => `${a} to ${b} % in four of five cases`,
  emptyIn: (a: string, b: string) => `empty in ${a} to ${b} min of blasting`,
  at: (from: string, to: string) => `empty between ${from} and ${to}`,
  now: 'now',
  minutes: 'min',
  hours: 'h',
  pasts: { 20: '20 min', 120: '2 h', 480: '8 h' } satisfies Record<PastMinutes, string>,
  span: 'How long back',
  problem: (what: string) => `What is recorded of the past cannot be shown: ${what}.`,
  unknown: 'How much is left is not known yet. It is reckoned from the next refill and from the vents.',
  noForecast: 'When it will be empty is not known yet.',
  resting: 'The forecast counts blasting time; the pot does not blast now.',
  used: (m: string, unit: string) => `${m} ${unit} used since the server follows the pot`,
  label: (s: string) => `Abrasive left: ${s}`,
};

export const account = {
  what: 'where',
  lost: 'lost',
  more: 'beyond baseline',
  moreShort: 'more',
  work: 'of the work',
  money: 'an hour',
  sag: 'supply sag',
  fall: 'All of it',
  short: 'baseline under target',
  over: 'baseline over target',
  causes: (flow: string, mix: string, resistance: string) => `by flow ${flow}, by mix ${mix}, by resistance ${resistance}`,
  noCauses: 'too little to tell causes apart',
  causesOff: (flow: string, mix: string, resistance: string, off: string) => `by flow ${flow}, by mix ${mix}, by resistance ${resistance} ${off}`,
  none: 'Losses are told while the pot blasts, once a baseline is known.',
  noMoney: 'Money is told once the site file has costs.',
  key: { base: 'at the baseline', more: 'beyond it' },
  young: 'The press has just begun: pressures are still settling, and these numbers with them.',
  asOf: (time: string) => `As it was at ${time}, when the pot last blasted.`,
  off: '± and the strokes on the bars: no farther off in four of five cases, as far as the gauges are as good as declared.',
  offWritten: '± and the strokes on the bars: no farther off in four of five cases, as far as the gauges are as good as declared; the baseline was written down, so the whole error of its gauges counts too.',
};

export const wear = {
  part: 'part',
  index: 'against the baseline',
  limit: 'limit',
  one: '1, the baseline',
  off: '±: no farther off in four of five cases',
  due: 'due',
  noDate: 'no date yet',
  never: 'not foreseen',
  range: (a: string, m: string, b: string) => `${m}, between ${a} and ${b}`,
  rangeOpen: (a: string, m: string) => `${m}, not before ${a}`,
  rangeFrom: (a: string) => `not before ${a}`,
  pastLimit: 'past its limit, or as good as',
  forecast: 'passes its limit',
  trend: (v: string) => `${v} an hour of blasting`,
  changed: (time: string) => `changed in a step ${time}`,
  none: 'Nothing is known of wear yet: it needs some blasting and some vents.',
  what: { resistance: 'resistance', conductance: 'what it lets through', diameter: 'diameter' },
  value: (index: string, off: string) => `× ${index} ± ${off}`,
};

export const part: Readonly<Record<Segment | 'exhaust' | 'bore', string>> = {
  separator: 'separator',
  valve: 'inlet valve',
  mixing: 'mixing',
  hose: 'hose',
  exhaust: 'exhaust',
  bore: 'nozzle bore',
};

export const cycles = {
  press: 'pressed',
  blast: 'blasted for',
  from: 'vent from',
  settled: 'at zero after',
  tau: 'time constant',
  residual: 'rest',
  abrasive: 'abrasive',
  marks: 'remarks',
  inferred: 'told by the hose gauge',
  late: 'from late readings',
  incomplete: 'readings missing',
  notSettled: 'not before the next press',
  show: 'Show',
  shown: 'Shown',
  showLabel: (time: string) => `Show the vent after the press at ${time}`,
  older: 'Older',
  newer: 'Newer',
  none: 'No blast is recorded yet.',
  loading: 'Fetching…',
  problem: (what: string) => `The records cannot be shown: ${what}.`,
  caption: 'Blasts and the vents after them, newest first. They tell of the past only.',
};

export const traces = {
  live: 'Live',
  follow: 'Follow',
  earlier: 'Earlier',
  later: 'Later',
  fit: 'Fit',
  fitLabel: 'Fit the height to the lines',
  closer: 'Closer',
  wider: 'Wider',
  spans: { '1min': '1 min', '5min': '5 min', '15min': '15 min', '1h': '1 h', '8h': '8 h', '1d': '1 day', '1w': '1 week' },
  range: 'Range',
  lines: 'Lines',
  help: 'Drag or arrow keys move in time; pinch, Ctrl with the wheel, plus and minus zoom; End returns to now.',
  chart: (from: string, to: string, what: string) => `Readings from ${from} to ${to}. ${what}`,
  summary: (point: string, min: string, max: string, unit: string) => `${point} ${min} to ${max} ${unit}`,
  noReadings: 'no readings',
  loading: 'Fetching…',
  problem: (what: string) => `What is stored cannot be shown: ${what}.`,
  between: (a: string, b: string) => `${a} to ${b}`,
  steps: (s: string) => `each point: the mean of ${s}, the band its least and greatest`,
  bad: 'out of range or no reply',
  pressed: 'handle pressed',
  epochs: 'The agent started anew, or its clock was set, within this range: times may overlap.',
  estimated: 'Some of these times are estimated: only their order is sure.',
  shifted: 'Some of these times were corrected: the agent’s clock was wrong.',
  past: 'The past: it says nothing of what the vessel holds now.',
  nothing: 'Nothing is stored of this range.',
};

export const baseline = {
  none: 'No baseline is known yet, so losses and wear are not told. It is learned from steady blasting, or recorded by a person.',
  how: {
    learned: 'Learned from steady blasting',
    ritual: 'Measured by a named person',
    commissioned: 'Written down at commissioning',
  } satisfies Record<BaselineKind, string>,
  at: (time: string) => `on ${time}`,
  by: (name: string) => `by ${name}`,
  seconds: (s: string) => `${s} of steady blasting behind it`,
  written: 'No measured blasting behind it',
  provisional: 'Provisional: it is as healthy as the pot was then, and nobody has said that it was.',
  airOnly: (how: string) => `with air only: ${how.toLowerCase()}`,
  noAirOnly: 'no baseline with air only',
  note: (text: string) => `“${text}”`,
};

export const water = {
  caught: (w: string) => `about ${w}`,
  since: (time: string) => `since it was drained ${time}`,
  sinceStart: (time: string) => `since ${time}`,
  due: 'Drain it.',
  notDue: 'no need to drain yet',
  air: (kg: string, unit: string) => `from ${kg} ${unit} of air; an estimate by the weather written down`,
  none: 'Not reckoned: the site file states no weather.',
};

/** What each finding says; the words are the server's (package finding), and a test holds them equal. */
const found: Readonly<Record<Finding, string>> = {
  'separator-restricted': 'the moisture separator lets less air through than at the baseline: look at its element and its drain',
  'valve-restricted': 'the path from the separator into the vessel lets less air through than at the baseline: look at the inlet valve',
  'mixing-restricted': 'the path from the vessel past the mixing tee lets less air through than at the baseline: look at the choke valve and the push line',
  'hose-restricted': 'the blast hose loses more than its flow and its abrasive explain: look for a kink, a soft spot or a worn coupling',
  'more-flow':
    'more air flows than at the baseline for the same pressure at the nozzle: a worn nozzle, a leaner mix, or a leak behind the hose point; air alone for 20 s tells which',
  'inlet-leak':
    'more air goes into the pot than its nozzle takes: look for an open drain, and for a leak at plug, handhole or exhaust; separator and inlet valve clogged together look the same',
  flooding:
    'the vessel stands higher above the hose point than at the baseline, so abrasive is forced into the stream: is the choke valve fully open, does the push line leak?',
  spitting:
    'the vessel has sunk towards the hose point, so air blows up through the metering valve and abrasive comes in fits: look for a leak at plug, handhole or exhaust',
  'abrasive-stopped':
    'no abrasive flows, and there is some left: the metering is blocked. Release, let it vent, prove zero on the pot\'s own gauge, lock out, before anybody works at the metering valve',
  'stop-undecided': 'no abrasive flows; whether the pot is empty or its metering blocked the next vent will tell',
  'pot-empty': 'the pot blows air only: it has run empty',
  'exhaust-restricted': 'the exhaust lets less air through than it did, so that each vent takes longer: look at the silencer',
  'nozzle-worn': 'the nozzle\'s bore has grown past its limit: measure it, and replace it; where a larger one was put in, enter its bore in the pot\'s file',
  'drain-due':
    'by the weather and temperatures written down the separator has caught as much water as it may hold: drain it. This is an estimate',
};

/** A finding as two parts of a sentence: what it is, and what to look at. */
export function finding(code: string): string {
  const known = findings.find((f) => f === code);
  const says = known === undefined ? `something has changed that this page does not know: ${code}` : found[known];
  return `${says.charAt(0).toUpperCase()}${says.slice(1).replace(/'/g, '’')}${/[.?]$/.test(says) ? '' : '.'}`;
}

/** The sentence as the server has it; for the test. */
export function findingSays(f: Finding): string {
  return found[f];
}

export const points: Readonly<Record<Point, string>> = {
  supply: 'supply',
  separator: 'separator',
  vessel: 'vessel',
  hose: 'hose',
  nozzle: 'nozzle',
  control: 'control',
};
