// Where the pressure goes: the rows of the account and their bars. Pure geometry and arithmetic.
import { segments } from '../protocol/types.gen';
import type { Cost, Pot, Segment, SegmentLoss } from '../protocol/types.gen';

export interface Row {
  readonly what: 'sag' | Segment;
  /** The whole loss, Pa; null where it is not known (a sag has none; neither has a segment without a gauge at an end). */
  readonly drop: number | null;
  /** What of it is more than at the baseline. */
  readonly excess: Cost;
  /** How far off that may be, either way; null where it is not told. */
  readonly off: Cost | null;
  /** How far off what is told of the causes may be, Pa: the resistance's part one way, the two others together the other way; null where it is not told. */
  readonly causesOff: number | null;
  /** The excess by its causes; null where too little is lost to tell. */
  readonly causes: { readonly flow: number; readonly mix: number; readonly resistance: number } | null;
  /** The first of several segments between whose ends the pot has no gauge; null where the segment stands alone. */
  readonly since: Segment | null;
  /** Lengths of the bar, as shares of the longest row: at the baseline, and beyond it (less: of what is missing from it). */
  readonly bar: { readonly base: number; readonly more: number; readonly less: number; readonly off: { readonly from: number; readonly to: number } | null };
  /** The dearest row, where it costs enough to speak of. */
  readonly worst: boolean;
}

/** So long a press is young, s: vessel and supply are still settling, and the engine takes nothing of it for its baseline (package baseline). */
const YOUNG_S = 8;

/** young tells whether what is lost now is the beginning of a press, and says nothing of the path. */
export function young(pot: Pot): boolean {
  return pot.state === 'blasting' && pot.state_for_s !== undefined && pot.state_for_s < YOUNG_S;
}

/** Less than this, Pa, is not worth marking: 1 psi. */
const WORTH_PA = 6895;

const begins: Readonly<Record<Segment, string>> = { separator: 'supply', valve: 'separator', mixing: 'vessel', hose: 'hose' };

/** account gives the rows of a pot's losses, in the order of the air; null while nothing is known (it does not blast). */
export function account(pot: Pot): readonly Row[] | null {
  const a = pot.losses;
  if (a === undefined) return null;
  const found: { what: Row['what']; drop: number | null; excess: Cost; loss: SegmentLoss | null }[] = [{ what: 'sag', drop: null, excess: a.sag, loss: null }];
  for (const segment of segments) {
    const loss = a[segment];
    if (loss !== undefined) found.push({ what: segment, drop: whole(pot, segment, loss), excess: loss.excess, loss });
  }
  const doubt = pot.doubt?.losses;
  const offOf = (what: Row['what']) => (what === 'sag' ? doubt?.sag : doubt?.[what]?.excess) ?? null;
  const longest = Math.max(1, ...found.map((f) => Math.max(f.drop ?? 0, Math.abs(f.excess.pa), end(f.drop, f.excess.pa) + (offOf(f.what)?.pa ?? 0))));
  const most = Math.max(...found.map((f) => f.excess.pa));
  return found.map(({ what, drop, excess, loss }) => {
    const more = Math.max(0, excess.pa);
    const less = Math.max(0, -excess.pa);
    const base = drop === null ? 0 : Math.max(0, drop - more);
    const causes =
      loss?.flow_pa !== undefined && loss.mix_pa !== undefined && loss.resistance_pa !== undefined
        ? { flow: loss.flow_pa, mix: loss.mix_pa, resistance: loss.resistance_pa }
        : null;
    const off = offOf(what);
    const at = end(drop, excess.pa);
    const first = loss === null ? undefined : segments.find((s) => begins[s] === loss.from);
    return {
      what,
      drop,
      excess,
      off,
      causesOff: causes === null || what === 'sag' ? null : (doubt?.[what]?.resistance_pa ?? null),
      causes,
      since: first === undefined || first === what ? null : first,
      bar: { base: base / longest, more: more / longest, less: less / longest, off: off === null ? null : { from: Math.max(0, at - off.pa) / longest, to: (at + off.pa) / longest } },
      worst: !young(pot) && most >= WORTH_PA && excess.pa === most,
    };
  });
}

/** Where a row's bar ends, and what it is off begins, Pa: the whole loss; of a row without one what is more than at the baseline. */
function end(drop: number | null, excess: number): number {
  return Math.max(0, drop ?? excess);
}

/** The whole loss from where the account begins to the segment's end, Pa. */
function whole(pot: Pot, segment: Segment, loss: SegmentLoss): number | null {
  const at = segments.indexOf(segment);
  const first = segments.findIndex((s) => begins[s] === loss.from);
  if (first < 0) return null;
  if (first === at && pot.drop_pa[segment] !== undefined) return pot.drop_pa[segment] ?? null;
  const from = pot.pressure_pa[loss.from];
  const ends = (['separator', 'vessel', 'hose', 'nozzle'] as const)[at];
  const to = ends === 'nozzle' ? (pot.pressure_pa.nozzle ?? pot.nozzle_pa) : ends === undefined ? undefined : pot.pressure_pa[ends];
  return from === undefined || to === undefined ? null : from - to;
}
