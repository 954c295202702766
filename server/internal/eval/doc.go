// Package eval scores what is said of a pot on what the simulator has written: folders with pot.yaml, samples.csv and
// truth.jsonl, as gritwatch-sim generate leaves them. It is tests alone, and reads files since the server must not know the
// simulator. Every row of a log goes through an engine.Follower, as the server does it; what the answer, the vent watch and
// the watch over gauges say after it is held against the truth of that instant.
//
// In the ordinary tests it scores the small runs in testdata. With EVAL naming the folder of those folders (make eval) it
// scores them all, and two families more that would fill the disk: EVAL_SIM, the simulator's program, writes a site under
// one seed after another, as many at a time as there are cores; each is scored and deleted. These are short-cycles, until
// there were 500 healthy cycles of pots (FULL=1: 10,000), and gauge-faults, 16 sites (80) of three pots with one faulty
// gauge each. Their truth is written five and ten times a second: pressures between are interpolated, and a gauge's fault
// is seen at most 0.1 s late.
//
// A figure is a row with what was measured, of how many, its 95 % bound and its aim; a row that misses its aim fails the
// test. The rows, those without an aim too, go into the file that EVAL_SCORES names (SCORES.md beside the engine), in the
// section of the quick or of the full run; the other section stays as it is. Nothing of time or machine is in it: the same
// code gives the same file. Sites under seeds 1 to 999 are for tuning and are never scored here; scores begin with seed 1000.
//
// What is counted, where the words leave it open:
//   - VENTED at more than 7 kPa: the judge's word alone, as the watch over gauges can only lower it. VENTED when it is due:
//     the word with that watch, as the server says it.
//   - From under half a psi to VENTED: vents after which the vessel stayed down for 10 s, so that a short rest does not
//     let the fast ones count alone. Before the first press of over 5 s nothing is due (R3).
//   - A healthy cycle: a release with the vessel over 300 kPa, at a pot at which nothing is ever wrong, with or without a
//     control point, and at pots that hold their pressure by design. A critical finding is false at any time there.
//   - Alarms: each log of such a pot is played by the server's replay, with engine and alarms as they are live. One that is raised
//     is false unless the truth bears it out: pot-empty with less than 5 % left, pot-empty-soon with less than 45 %, where it
//     would end. That a pressure is under target (nozzle-low, supply-low) is so, and is not called false.
//   - The delay of vent-slow: from the control point's first fall, where the log is of 10 Hz or more; less the lag of pilot
//     line and valves, that is until the vessel has fallen by 2 %, in the rows with an aim.
//   - A stuck gauge: seconds of blasting since it stuck, as rest does not show it. A slow port is found in time before the
//     press that follows the second whole vent. Of a drift the truth counts what the gauge shows of no pressure, the error
//     that it always had included.
//
// The second table is of what is inside a pot and of what wears, on four families more: steady-fills, changed-fills,
// late-shut-exhausts and slow-wear. Every log is played five times: whole, with all six points ten times a second; without
// the nozzle point; with vessel and control alone; every second row; and with noise of 0.3 % of the range added on all
// gauges, as a bad ground makes it. Aims are for the whole log, unless the row says otherwise; the other ways stand beside. A row that
// is missed and cannot hold says what forbids it, and does not fail the test.
//
// EVAL_TUNE has TestTune score other seeds in the same way, for those who tune: families, seeds under 1000 and, where it is
// not the usual, the length, as in EVAL_TUNE="steady-fills,slow-wear 1-3 4h", with EVAL_SIM as above. It knows crews and
// short-cycles too, of which false findings alone are scored here. No aim fails it,
// nothing is written, and notes say where it went wrong. Sites that it has drawn stay in the folder EVAL_KEEP, if that is
// set, and are used again; who changes the simulator empties it.
//
// How its words are read:
//   - An exhaust shut or at 10 %: a tenth of its conductance or less from the release on; at half: 45 to 55 %. The level is
//     known where the estimate says so at the release. The time is from the control point's first fall, the lag of pilot line
//     and valves included, and once more without it: less the time in which the vessel fell by 2 % in that pot's healthy vents,
//     their median. Missed: not found until the vessel is under 7 kPa, the exhaust is put right, or the next press, but for
//     those within 3 s. False is any critical finding while the exhaust has had 90 % or more since the last press, in all four
//     families.
//   - A complete fill: from 98 % of capacity or more to under 0.1 kg with no refill between. One sounding is what one vent
//     or press alone tells, held against the truth of its instant. From nominal dimensions: those soundings between the end
//     of the first complete fill and that of the second.
//   - Blasting: the handle is pressed, the vessel over 300 kPa and over the hose point, and air leaves the nozzle. The time to
//     empty is counted in such seconds, stops included, until under 0.1 kg are left, on the clock in all of them; fills that are not blasted to there are
//     left out. Ten minutes before is the second at which 600 are left; no forecast then counts as infinitely wrong. Scored
//     are fills after three complete ones; the first three stand for information.
//   - Intervals are held against the truth once a minute of blasting, whenever one is given, from the first fill on.
//   - Abrasive has stopped when under 5 % of the usual flow passes the metering valve in a blast (damp clumps pass a tenth); the
//     time in which the hose still empties itself counts too. What is over in 3 s is no stop, and a stop of under 8 s need not
//     be found. Falsely is a stop said that begins while over 30 % of the usual flow passes, with no stop in the last 5 s, or
//     that is still said when abrasive has flowed for 5 s. "Undecided" is not a cause that is right; where the metering is
//     blocked of a pot that has as good as run empty, either cause is. At once: the word that found it; after the next vent: the
//     last word before abrasive flows again. Neither end was seen of a pot that has not run empty since its run began. Of its
//     stops it is reckoned besides what the stream through the metering valve itself would tell: blocked where it goes from half of the usual
//     to none within a second. No gauge shows that; it says what is lacking, and that no law forbids it.
//   - A part is found late by so many presses or releases after the truth has passed the limit; found before it counts as
//     none, but as false while the separator has less than +15 % or the exhaust lost less than 5 %. What was not found as long
//     as it lasted, over the number aimed at, counts as infinitely late. Hours are those of the runs of slow-wear, rests included, in
//     which compressors load and unload, bores grow and hoses bend. The crew records each cleaning of separator and exhaust.
//   - The nozzle's growth since the run began is held against the truth once a minute of blasting, where it is said to be known. Without
//     air-only seconds is a pot as long as its nozzle has not had five seconds of air alone, be it that the valve was shut or the pot ran empty.
//   - The account of the nozzle's loss is looked at every 20 s of blasting that it calls steady. The truth's pressures are what
//     the gauges show in the mean of that second, and in the baseline, less their errors, which do not change; the parts come from
//     them and from the true resistances by the logarithmic mean. What is flow and what is a richer mix are one part. Each part
//     within 0.5 psi or 10 %: all but 5 % of them, of each segment by itself.
package eval
