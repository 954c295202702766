// Package engine turns a pot's readings into its state and its pressure losses by segment. It is pure: samples in,
// estimate out; no clock, no I/O, no goroutine, and nothing allocated after New. It never says whether a vessel may be
// opened: package vent does.
//
// # State
//
// The handle comes from vent.Judge. The vessel's gauge is averaged in bins of 0.1 s; "now" is the mean of the newest
// half second, "before" the mean of the half second that ended 2 s earlier, or of the first reading before that. In a slow
// log all these times are longer, so that they hold readings. With p for now and fall for before - p, over 2 s:
//
//	unknown    no good vessel reading within 2 s of the newest sample; handle unknown with the vessel up;
//	           or pressed for 3 s and more with the vessel under 20 kPa
//	at-rest    released, p at or under 7 kPa (left over 9 kPa)
//	charging   pressed, the vessel still filling
//	blasting   pressed, p over 20 kPa, and either the rise over 0.5 s is under 3 % of p or p has reached nine tenths of
//	           what separator, else supply, shows; until the release
//	venting    released, p over 7 kPa, falling; also the first 1.5 s after a release, while the exhaust opens
//	held       released, p over 7 kPa, and the fall over 2 s is under the larger of 2 kPa and 2 % of p
//
// A fall that begins later (a blowdown by hand) must pass the larger of 6 kPa and 4 % over 2 s to become venting, so
// that gauge noise does not make a held pot look as if it vented. These limits are common practice, no source.
//
// # Drops
//
// Points are polled one after another, so their newest readings belong to different instants: at 100 psi/s, 50 ms apart
// are 5 psi of false drop. All fresh points are therefore brought to the newest instant that all of them cover, by a
// straight line between the two readings around it. A point whose two readings are over 1 s apart, or that had a bad
// reading between them, takes part in no drop.
//
// # Production
//
// 1 - 0.015 for each psi of nozzle pressure under target, the nozzle taken within 50 psi and target: common practice,
// no source. Only while blasting and with a nozzle point: no model stands in for it here (package losses has one).
//
// # Estimates
//
// A Follower steps all that is known of one pot, in this order with every sample: the judge of the answer and the watches, the engine
// above, and what follows strokes and blasting. These take the pressures that were brought to one instant (above, at most every 40 ms), so that
// no estimate rests on readings of different instants:
//
//	stroke      what one press and one vent tell
//	steady      means over one second of blasting, and whether the vessel fills
//	level       what is left, what flows, when it is empty
//	wear        parts that clog and wear, from strokes and seconds
//	losses      where the nozzle's pressure is lost, against a baseline
//	condensate  water in the separator, an estimate by stated temperatures
//
// level takes nothing of the others; losses take the loading and the air in the vessel from level, and separator and bore from wear; wear takes
// resistances of mixing and hose from losses, one second later. None of them knows of the answer, and the answer knows of none of them. At a
// release the watch over vents is told by wear how slow the vent that begins can credibly be: it finds what is slower than that the sooner,
// and nothing later.
package engine
