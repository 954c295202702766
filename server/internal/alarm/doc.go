// Package alarm decides what people are told, and keeps it until they know. It is pure: instants, names and ids are
// arguments. It says nothing of whether a vessel may be opened; no state of an alarm changes the answer.
//
// # From signals to alarms
//
// A Detector turns the Signals of one pot, an AgentDetector those of one agent, into conditions that begin and end
// (Found). Each kind has a Rule: a limit at which it begins and another at which it ends, and how long it must lie
// beyond them. Most conditions are found by other packages, which have limits and deadbands of their own; the delays come
// on top. What is not known begins nothing and ends nothing, and its time does not count: so an alarm that was raised
// stands through a gap, and nozzle-low is reckoned in seconds of blasting. The one exception is vessel-unknown, which is
// about not knowing. By a gauge that is found blind nothing begins or ends but what is about the vessel.
//
// Limits that other packages have found come with their delays; where two pots look exchanged, config-doubt has none of its
// own, as its finder has seen it again and again.
//
// Delays are so long that noise on a limit does not ring twice, where nothing else ends the condition at once: the next
// press or the answer ends a vent's alarms, a refill pot-empty.
//
// A part that clogs or wears is told of where its finder has found it at its limit, and before that by its forecast alone: where the limit is likely
// to be passed within seven days, the date is known to two weeks, the part is surely worse than new, and half of the way from 1 to the limit has been
// gone. A trend is believed as far ahead as it was seen to come; nobody does anything about a hose that is 5 % off, whatever it tends to. A forecast ends beyond
// ten days, or under 35 % of the way. That there is a trend, three of its standard deviations at least, over twenty strokes and an hour of blasting,
// is for the finder to say (package wear).
//
// After a restart a watch over vents or gauges may know nothing of a condition that stood before. Such a condition is
// assumed to stand (Assume) until its finder finds it again, or something contradicts it: a press, the answer, a pressure.
// The word of a finder that has just begun contradicts nothing for ten minutes; that of one that goes on from a saved state
// (Recalled), or has itself seen the change that ends the condition, counts as ever. So a restart lets nothing end early,
// and where its past is known it lets nothing stand for longer.
//
// # From conditions to alarms
//
// A Board keeps what has begun and not been done with, at most one alarm of a Key. Its states are those of
// ANSI/ISA-18.2 and IEC 62682:
//
//	A normal                    E latched, unacknowledged
//	B unacknowledged            F latched, acknowledged
//	C acknowledged              G shelved
//	D returned, unacknowledged  H suppressed by design
//	                            I out of service
//
//	A-B alarm occurs      B-C acknowledge     C-A returns to normal
//	B-D returns           D-B re-alarm        D-A acknowledge
//	B-E returns, latching E-B re-alarm        E-F acknowledge
//	C-F returns, latching F-B re-alarm        F-A, E-A reset
//	any shown-G shelve    G-A, G-B unshelve, by a person or at the shelf's end
//	A-H, any shown-H      H-A, H-B (C where somebody knew already) unsuppress
//	any shown-I           I-A, I-B back into service
//
// What the standard leaves to the site:
//
//   - Of medium and low alarms the end needs no acknowledgement (B-A), so that nobody clicks away what is over. Only that of
//     sensor-fault does: what rested on the gauge meanwhile was told with an error, and somebody must know.
//   - vessel-held latches. It is let go when its condition has ended, the answer has been the good one since, and
//     somebody has acknowledged it, in any order of the last two (F-A, or E-A by the acknowledgement); or by a named
//     person with a reason, once its condition has ended. That the answer let it go is recorded as a second "returned"
//     with the word as evidence.
//   - What says that a vessel may hold pressure nobody sees is never shelved and never out of service. agent-silent,
//     under which a vessel's alarm is suppressed, is not shelved either; out of service, as over a weekend, it comes back
//     by itself as soon as the agent is heard.
//   - An alarm that was shelved, or out of service, and whose condition still stands when it comes back, is to be
//     acknowledged anew.
//   - Anybody with a name may comment on an alarm at any time, after its end too. That is recorded, and changes nothing:
//     it acknowledges nothing, and is told to nobody outside.
//
// # First-out
//
// A kind that only repeats what another says is suppressed by design while that one stands, and for a while after: the
// pots' vessel-unknown (and the agent's clock-skew) under agent-silent, nozzle-low under supply-low, pot-empty-soon under
// pot-empty. It is recorded, and comes into sight if it
// outlives its suppressor. Agents are found silent (10 s) before their pots' vessels are found unknown (15 s), so that a
// dead agent raises one alarm. Where a kind follows from another without repeating it, as vessel-held from vent-slow,
// both stand, and the consequence names its cause; lists show the cause before it, whatever their priorities and whichever
// was found first.
//
// A vessel gauge that is found blind is such a cause: sensor-fault says what to mend, vessel-unknown what to think of the
// vessel, and either may be found first. Neither is suppressed under the other, as people look for both, and no list that
// lacks one of them is to be read as if it were not so; but they stand together, the cause first.
//
// Two pots that look exchanged raise config-doubt at both, and vessel-unknown behind it, at once: what a gauge shows under the
// wrong name is not the pressure of the vessel that people look up. A configuration that differs, or a second agent, raises
// config-doubt alone: the gauge is the vessel's, and the answer says not proven by itself.
//
// # Records
//
// A Change is a transition to be recorded. Restore makes a board from the open alarms of the records by the same code that
// changed them, so that a restart neither loses nor repeats one. What a record has no field for, as the end of a shelf, a note, the cause,
// stands in its evidence.
//
// # Figures
//
// Figures are those of the standard's clause on monitoring: how many alarms came into sight in ten minutes, an hour, a
// day and thirty days; floods (more than ten in ten minutes, until less than five); alarms that chatter (three times in a
// minute), are stale (a day) or stand; which come most often. They count what came into sight, not what was suppressed.
// Their memory is bounded.
//
// # What cannot be known
//
// Whether an alarm was heard: only that somebody acknowledged it. Whether air-only is blocked or empty while the level
// says that it cannot tell: then neither alarm is raised. Whether a trapped pressure in a hose or the vessel's own gauge
// is right, where they contradict each other: vessel-unknown says so.
package alarm
