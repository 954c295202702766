// Package gauges tells what is wrong with the pressure gauges of one pot, from their readings alone. It is pure, and
// costs a constant time a sample.
//
// A finding raises an alarm; one of the vessel's gauge also keeps its word from being VENTED (R2), and never makes a word
// better. What is learned here is shown, and never subtracted from a reading.
//
// # What can be told
//
//	stuck         Under flow, a gauge whose noise is known repeats one reading to the last digit for longer than chance
//	              allows (once in 10^10 for such a run, in 10^6 while another point moves; 1.5 to 3 s at 10 Hz); one of less
//	              noise than its digits, when another point moves by 25 kPa meanwhile; or, in a charge or a vent, it stands
//	              still to the last digit while another point of the vessel's side moves by 100 kPa. At rest a gauge of
//	              coarse digits is rightly silent: never judged.
//	slow-port     In two vents in a row, vessel, hose or nozzle follows the quickest of the three: the vessel by 0.3 s
//	              and more, the hose by 0.5 s and the nozzle by 0.8 s, as a long hose empties late; or by 0.3 s more than
//	              it did in two vents in a row. Of two points alone the later one is named. Hose and nozzle of a pot that
//	              holds its pressure are late when they take 0.4 s longer to empty than they used to, and 0.3 s longer to
//	              fill; half as much again where only one release was seen before.
//	              The vessel of a pot that holds its pressure, and one without hose and nozzle points, has nothing to be
//	              held against: not told. Supply, separator and control neither.
//	zero-drift    With the vessel vented, a point is off by 0.5 psi on the mean of many readings, or on that of the last
//	              rests by four of its standard errors more. What a neighbour shows too is pressure and no drift; what is
//	              under nothing is none, and counts though the vessel still empties.
//	              Supply and separator are judged only while both are without air. Gauges that feel the barometer may be
//	              off by the weather besides.
//	swapped       In two cycles, without one between them that shows the pair as it must be, two points stand the wrong way
//	              round: one of supply and separator falls with the release while one of vessel, hose and nozzle stays up;
//	              or, while the vessel fills (when the hose, fed by the push line, is far above it), the later point is
//	              above the earlier, and its gauge is not slow. Where a pot holds its pressure, supply or separator fills
//	              from nothing as the vessel does after a blowdown, under one that is up and stays up; or the vessel falls
//	              before hose or nozzle does, and was above them while all filled. Without a control point the handle may
//	              be told by the wrong gauge: then each emptying counts.
//	out-of-range  Half a second of readings out of range, or three stretches of them within about a minute.
//	noisy         At rest, a standard deviation over 0.27 % of the range (healthy gauges make up to 0.2 %); or three
//	              single readings within minutes that stand out by 2 % of the range while no other point moves.
//
// With readings further apart than 0.4 s movement cannot be told from noise nor lag from a late poll: then stuck by
// noise, slow-port, noisy, and every swap but that of supply side and vessel side are not told.
//
// # Half a psi trapped
//
// For the vessel's gauge alone, half a psi that stays trapped and half a psi of drift look alike. Where hose and
// nozzle, as far as they are there, show it too it is taken for pressure; else zero-drift is said, as the gauge can then
// not prove zero either way. It is no proof that the vessel is empty: the words say so, and the answer is lowered.
// Learning stops at 3.5 kPa, and takes no reading over R1's limit for an offset of the vessel's.
//
// # What cannot be told
//
// A gauge that is wrong by a factor, one shut off at rest before a press (R4's gauge-does-not-follow tells that), one that
// was stuck from the first reading on and whose pressure never moves, and which of two exchanged points is where. A gauge of
// less noise than its digits that sticks while no other point moves shows it with the next press or release only. A hose
// or nozzle of a pot that holds its pressure and was slow before a release was seen is what it always was. Where such a
// pot is let down at every release, a vessel that is exchanged with hose or nozzle looks like a slow one of these; and
// without a control point one that is exchanged with supply or separator may be a separator that was drained.
//
// Limits without a source are common practice.
package gauges
