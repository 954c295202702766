package vent

import (
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// AdoptRun gives a judge that missed samples the run of one that has all of them, restored from a state and stepped over
// them up to the same newest ones (R7). False, and nothing has changed: they do not meet. That may only be too early, as a
// point's half second behind the newest reading must have come live too: try again after the next sample of each.
//
// What is taken over is the run (R3, R4, R9) and the past of the points that the run's next press or release will look
// back on, with the unbroken stretches by which the second witness is judged. R1 goes on from the vessel's readings that
// the judge itself has had. What lowers the word is added and never cleared.
func (j *Judge) AdoptRun(rewound *Judge) bool {
	if !j.meets(rewound) {
		return false
	}
	vessel := &j.traces[points.Vessel]
	j.live = max(j.live, vessel.alike(&rewound.traces[points.Vessel]))
	for i := range j.traces {
		t, whole := &j.traces[i], &rewound.traces[i]
		ring := append(t.ring[:0], whole.ring...)
		*t = *whole
		t.ring = ring
	}
	if vessel.good.at.Sub(j.live) >= restSpan {
		j.live = 0
	}
	long := rewound.longCounted && (j.longCounted || rewound.longInRun) // all else of before a restart is no part of the run
	j.run = rewound.run
	j.longCounted = long
	j.doesNotFollow = j.doesNotFollow || rewound.doesNotFollow
	j.faulty = j.faulty || rewound.faulty
	return true
}

// meets tells whether both judge the same pot alike, have seen the same newest sample of each point, and the rewound one has
// an unbroken past of the vessel that is no shorter.
func (j *Judge) meets(rewound *Judge) bool {
	if j.priming || rewound.priming || j.now != rewound.now || j.period != rewound.period {
		return false
	}
	for i := range j.traces {
		a, b := &j.traces[i], &rewound.traces[i]
		fresh := a.fresh(j.now, j.maxGap)
		if a.last != b.last || fresh != b.fresh(j.now, j.maxGap) || fresh && a.good != b.good {
			return false
		}
		if points.Point(i) == points.Vessel && (!fresh || b.since > a.since) {
			return false
		}
	}
	// A switch has no pressure by which its readings could differ.
	if j.pot.Electric && j.controlHealthy() && j.control.pressed != rewound.control.pressed {
		return false
	}
	return j.pot.Digest() == rewound.pot.Digest()
}

// alike is the instant from which on two pasts that end alike are the same, reading by reading.
func (t *trace) alike(o *trace) si.Instant {
	i, k := t.n-1, o.n-1
	for i > 0 && k > 0 && *t.at(i - 1) == *o.at(k - 1) {
		i--
		k--
	}
	return t.at(i).at
}
