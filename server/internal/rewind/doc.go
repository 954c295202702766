// Package rewind mends what was said of a pot without all of its samples.
//
// Every half minute the state of what follows each pot is saved as a checkpoint. Where samples come late (a radio that was
// out, a server that was down), a second follower beside the live one goes on from the checkpoint before them, over all
// samples that the history has, up to the present. Cycles and alarms that show by that get their own times, and are
// marked late; nobody is woken for them. Then the live one takes over what it may: a finding that the second has, never the end
// of one of its own; of the answer R3's run alone, and that only if every record of the agent's journal since the checkpoint
// has arrived (R7). What was said before of the time that is played again, live, stays said.
//
// A rewind begins when nothing of the journal is missing any more, or a minute after the last late sample; one pot at a time.
// After a start of the server each pot is rewound from its newest checkpoint in the same way; late samples drop the checkpoints behind
// the first of them as they come, so that a kill before they are judged leaves none that would hide them. A pot that never had a
// checkpoint is rewound over all of the last day, and nothing of its answer is taken over.
package rewind
