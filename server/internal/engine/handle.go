package engine

import "gritwatch/internal/vent"

// Handle is the operator's handle as of the newest sample: as the judge has it, or as the vessel alone tells of a pot with
// no other point.
func (f *Follower) Handle() vent.Handle {
	if f.alone {
		return f.infer.Handle()
	}
	return f.Judge.Handle()
}
