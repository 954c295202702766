package gauges

import (
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// ranges follows the quality of one point. Held for outFor, or flickering outFlickers times within a minute or so, it is
// found; a single reading is not.
type ranges struct {
	since si.Instant // of the present stretch of bad readings; 0: the last one was good
	count int        // bad readings in it
	level float64    // stretches of late; each is forgotten within outForget
	at    si.Instant // of level
	good  si.Instant // since when all readings are good
}

const (
	outFor      = 500 * time.Millisecond
	outCount    = 2
	outFlickers = 3
	outForget   = time.Minute
	outClears   = 10 * time.Second // of good readings
)

func (w *Watch) judgeRange(p points.Point, at si.Instant, good bool, v float64) {
	r := &w.ranges[p]
	if good {
		r.since, r.count = 0, 0
		if r.good == 0 {
			r.good = at
		}
		if w.found[p][OutOfRange].On && at.Sub(r.good) >= outClears {
			w.set(p, OutOfRange, false, Finding{})
			r.level = 0
		}
		return
	}
	r.good = 0
	if r.since == 0 {
		r.since = at
		r.level = max(0, r.level-float64(at.Sub(r.at))/float64(outForget)) + 1
		r.at = at
	}
	r.count++
	if r.count >= outCount && at.Sub(r.since) >= outFor || r.level > outFlickers-0.5 {
		w.set(p, OutOfRange, true, Finding{Size: v})
	}
}
