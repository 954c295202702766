package poll

import (
	"context"
	"time"
)

// schedule is the periods of a line, counted from the start so that they do not drift.
type schedule struct {
	period  time.Duration
	skipped func(periods int) // may be nil
}

// run calls each at the beginning of every period, with the period's end, until ctx ends. Periods that have begun
// before the one before them was done are left out.
func (s schedule) run(ctx context.Context, each func(until time.Time)) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for due := time.Now(); ; {
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
		}
		each(due.Add(s.period))
		due = s.next(due)
		timer.Reset(time.Until(due))
	}
}

// next is the beginning of the next period after the one that began at due.
func (s schedule) next(due time.Time) time.Time {
	due = due.Add(s.period)
	if late := time.Since(due); late > 0 {
		n := int(late/s.period) + 1
		due = due.Add(time.Duration(n) * s.period)
		if s.skipped != nil {
			s.skipped(n)
		}
	}
	return due
}
