// Package backlog answers a server that asks for records of the journal which it has not got: what is to be said for
// one request, part by part, and at which pace, so that readings of now always come first. It is pure: the journal is a
// function that is given, times and the bytes under way are arguments, and the messages are somebody else's.
//
// # Answers
//
// Every position that was asked for is answered exactly once: in the part that has its reading, or in one that says that
// nothing stands there for good. The parts come in the order of positions. A part with readings has one pot, one epoch,
// positions without a hole and times that do not go back (to the millisecond of the wire, by which a message is sorted:
// else its order would not be that of the positions), and at most as many readings as are wanted; batches that fit together are
// merged. Nothing is ever said of what the disk does not give now but may give another time: the answer ends there with the
// disk's error, and the server asks again.
//
// Readings of pots and points that the agent no longer has cannot be published, as they are born no more: their
// positions are told to hold nothing.
//
// # Pace
//
// A message of readings is on its way as long as its bytes are unconfirmed by the other end, and whatever is said after it
// arrives after it. So the next one waits until no more than one like it is under way, and its size follows the link: twice
// as much when the last was confirmed within 50 ms, half when it took over 200 ms, from MinSize to MaxSize. On a link of 8 KB/s
// a live reading so comes some 0.3 s later than without a backlog, not minutes; a fast one is filled up to PerSecond. The distances
// are common practice, no source.
package backlog
