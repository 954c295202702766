// Package crossed finds pots of a site that are wired to each other's names: a press of one moves the vessel gauge of
// the other. It is pure: samples in, findings out; no clock, no I/O, no goroutine, and nothing allocated after New. It
// lowers no answer and improves none: that a gauge which does not follow its own press proves nothing is the rule of
// package vent. It says where to look.
//
// # What is seen
//
// Of every pot two things are followed: presses of its handle, as vent.Judge tells them, and moves of its vessel gauge,
// a rise and the fall after it. A press, of 1.5 s and more, is followed when the vessel rises by 7 kPa from 1 s before
// to 3 s after it; it is not followed when the vessel does not, and 3 s after the press stands under half of what the
// air before it shows (not known: under 20 kPa). A move, of 20 kPa and more, is explained by a press of the same pot
// that began up to 3 s before it, or lasts for another 1 s.
//
// A coincidence is a press of A that A's vessel does not follow, together with an unexplained move of B that rises from
// 1 s before to 3 s after the press, and falls within the same span around the release. It counts only when no other
// move fits the press, and no other press that was not followed fits the move.
//
// Two coincidences with nothing against them between make a finding. Against it speaks: A or B follows a press of its
// own while the other was not pressed; A is pressed and B, in sight and at rest, does not move with it; B moves while A
// is in sight and not pressed; B moves with another pot. What cannot be told, for a gap, an overlap of presses, or a pot
// that nobody hears, speaks neither for nor against. A finding ends when both pots were seen to follow a press of their
// own twice, the other not being pressed, with no coincidence between.
//
// Findings have a direction, from the pressed pot to the moved one. Two pots that are exchanged give two, a ring of
// three pots three, and a gauge that shows another pot, which itself shows nothing, one.
//
// # Which wires
//
// A press of A that moves B's vessel has two causes: the vessel gauges are crossed, or the control lines are. Air that
// flows tells: the hose point, else the loss from supply to separator, of the pot that was really pressed. Flow in A and
// none in B: vessel gauges. Flow in B and none in A: control lines, or, which no reading can tell apart from it, both
// vessel and hose. Without such points, with flow in both or in none, or where cycles disagree, it cannot be told. Where
// the press of A is told by its hose, for want of a control point, the hose is no witness for itself: only if B's
// control point says that B was not pressed is it the vessel gauges.
//
// # Chance
//
// Healthy pots, pressed by however many crews at once, make no coincidence at all: every press is followed, every move
// explained. By chance one needs two faults at once: a pot A whose gauge does not follow, and a pot B whose handle is
// not seen. With b presses of B an hour, the chance that one begins within the 4 s that fit a press of A is 4 b/3600,
// and that it ends within the 4 s that fit the release about 4 s over the spread of the presses' lengths. With b = 50
// and lengths from 10 to 60 s that is 0.056 * 0.08 = 0.4 % of A's presses. The second coincidence must come before
// anything speaks against it, and nearly every next press of A does: another 0.5 to 1 %. So at 50 presses an hour this
// reckoning gives one false finding in 500 to 1000 h of such a pair; 4800 h of simulated crews gave 29, one in 165 h,
// because a coincidence leaves two crews in step for a while. Both pots need a look then anyway.
//
// # Limits
//
// A pot whose handle is not seen (a vessel gauge alone) takes no part, nor does one that holds pressure by design: no
// press moves its vessel. If of two pots with crossed control lines one has no control point, its hose tells its presses
// truly, and its vessel follows them: nothing is found. Nor is it when two names show one and the same gauge, or when
// hose points alone are crossed beside control points. Two crews who always press at the same moment hide it; where one
// always presses into the other's blast, only the press that comes first tells. Faulty pots of crews in step, one with a
// dead gauge and one with a dead handle, look crossed.
//
// Times of all pots are on one clock. Pots may be late to each other by 10 s; what comes later than that is lost for a
// coincidence, and speaks against none. Numbers without a rule beside them are common practice, no source.
package crossed
