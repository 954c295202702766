// What the page says of opening a vessel: the server's answer, lowered by the lease and by plain contradictions.
import type { Pot, State, Word } from '../protocol/types.gen';
import type { Lapse, Lease, Stamp } from './lease';

export interface Shown {
  readonly word: Word;
  /** Codes of the server's answer; empty where the page itself lowered the word. */
  readonly because: readonly string[];
  /** Why the page lowered the word; null where it did not. */
  readonly lapse: Lapse | null;
  /** How long a vented word may still stand without news, ms; 0 otherwise. */
  readonly holdsMs: number;
}

/** Twice R1's limit, Pa: noise stays under it, so a vented vessel that reads more is a contradiction. */
const CONTRADICTION_PA = 14_000;

const busy: readonly State[] = ['charging', 'blasting', 'held'];

/** shown is the answer for a pot at the instant mono, ms. unreadable: its newest estimate could not be read. */
export function shown(pot: Pot, stamp: Stamp, unreadable: boolean, lease: Lease, mono: number): Shown {
  const { word, because, age_s } = pot.answer;
  if (unreadable) return lowered('unreadable');
  // Only what claims something rests on a sample; "not proven" holds as long as the server is heard.
  const behind = word === 'not-proven' ? 0 : word === 'pressurised' ? (age_s ?? 0) : age_s;
  const lapse = lease.lapse(stamp, behind, mono);
  if (lapse !== null) return lowered(lapse);
  if (word !== 'vented') return { word, because, lapse: null, holdsMs: 0 };
  if (busy.includes(pot.state) || (pot.pressure_pa.vessel ?? 0) > CONTRADICTION_PA) return lowered('contradiction');
  return { word, because, lapse: null, holdsMs: lease.remaining(stamp, behind, mono) };
}

function lowered(lapse: Lapse): Shown {
  return { word: 'not-proven', because: [], lapse, holdsMs: 0 };
}
