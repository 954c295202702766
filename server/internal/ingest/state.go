package ingest

import (
	"time"

	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// stateAhead is how far in the future a STATE may lie that is caught up with: by following one that lies further, the host would
// state a time that is none.
const stateAhead = time.Minute

// A verdict is what a STATE of the host's own id asks of it.
type verdict uint8

const (
	leaveIt  verdict = iota // its own word come back, or that of a connection before
	sayAgain                // a late will of a connection before: say online again, with this connection's timestamp
	sayLater                // an offline later than this connection: say online again, then connect anew to say something later still
	twin                    // an online later than this connection: another program uses the id
)

// judgeState judges a STATE of the own id that came on a connection whose timestamp is stamp.
func judgeState(s sparkplug.State, stamp, now si.Instant) verdict {
	switch {
	case s.Online && s.At > stamp:
		return twin
	case s.Online:
		return leaveIt
	case s.At > stamp && s.At < now.Add(stateAhead):
		// Nodes that wait for this host believe the later word; online with this connection's timestamp is not enough.
		return sayLater
	}
	return sayAgain
}
