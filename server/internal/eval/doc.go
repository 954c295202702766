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
// code gives the same file. Sites under seeds 1 to 99 are for tuning and are never scored here; scores begin with seed 1000.
//
// What is counted, where the words leave it open:
//   - VENTED at more than 7 kPa: the judge's word alone, as the watch over gauges can only lower it. VENTED when it is due:
//     the word with that watch, as the server says it.
//   - From under half a psi to VENTED: vents after which the vessel stayed down for 10 s, so that a short rest does not
//     let the fast ones count alone. Before the first press of over 5 s nothing is due (R3).
//   - A healthy cycle: a release with the vessel over 300 kPa, at a pot at which nothing is ever wrong, with or without a
//     control point, and at pots that hold their pressure by design. A critical finding is false at any time there.
//   - The delay of vent-slow: from the control point's first fall, where the log is of 10 Hz or more; less the lag of pilot
//     line and valves, that is until the vessel has fallen by 2 %, in the rows with an aim.
//   - A stuck gauge: seconds of blasting since it stuck, as rest does not show it. A slow port is found in time before the
//     press that follows the second whole vent. Of a drift the truth counts what the gauge shows of no pressure, the error
//     that it always had included.
package eval
