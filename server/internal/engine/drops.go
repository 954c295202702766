package engine

import (
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

const (
	kept   = 64              // readings kept a point: over 1 s even at 50 Hz
	maxGap = 1 * time.Second // between the two readings around an instant
	// reach is how far a track goes back: the instant of all drops is at most maxGap old, the reading before it as much older.
	reach = 2 * maxGap
)

// A track keeps the newest good readings of one point, oldest first from start.
type track struct {
	at    [kept]si.Instant
	value [kept]float64
	start int
	n     int

	saved mark // of a restored state, until it is primed
}

func (t *track) reset() { t.start, t.n = 0, 0 }

func (t *track) add(at si.Instant, v float64) {
	for t.n == kept || t.n > 0 && at.Sub(t.at[t.start]) > reach {
		t.start = (t.start + 1) % kept
		t.n--
	}
	i := (t.start + t.n) % kept
	t.at[i], t.value[i] = at, v
	t.n++
}

// newest is the instant of the last reading.
func (t *track) newest() si.Instant { return t.at[(t.start+t.n-1)%kept] }

// when is the value at an instant, on the straight line between the readings around it.
func (t *track) when(at si.Instant) (float64, bool) {
	for k := t.n - 1; k >= 0; k-- {
		i := (t.start + k) % kept
		if t.at[i] > at {
			continue
		}
		if t.at[i] == at {
			return t.value[i], true
		}
		if k == t.n-1 {
			return 0, false
		}
		j := (i + 1) % kept
		gap := t.at[j].Sub(t.at[i])
		if gap > maxGap {
			return 0, false
		}
		share := float64(at.Sub(t.at[i])) / float64(gap)
		return t.value[i] + share*(t.value[j]-t.value[i]), true
	}
	return 0, false
}

// A joint is what the points of the air's path show at one instant.
type joint struct {
	at  si.Instant // zero: none
	has points.Set
	p   [points.Count]float64 // gauge, Pa
}

// drops brings all fresh points of the air's path to one instant.
func (e *Engine) drops() {
	e.out.Drops, e.out.DropsAt = [points.SegmentCount]Drop{}, 0
	var at si.Instant
	for p := points.Supply; p <= points.Nozzle; p++ {
		// A point that is silent for longer than two of its readings may be apart holds back no other.
		if h := &e.history[p]; h.n > 0 && e.out.At.Sub(h.newest()) <= maxGap && (at == 0 || h.newest() < at) {
			at = h.newest()
		}
	}
	j := &e.joint
	if j.at, j.has = at, 0; at == 0 {
		return
	}
	for p := points.Supply; p <= points.Nozzle; p++ {
		if v, ok := e.history[p].when(at); ok {
			j.p[p] = v
			j.has |= points.SetOf(p)
		}
	}
	for s := points.Segment(0); s < points.SegmentCount; s++ {
		if from, to := s.Ends(); j.has.Has(from) && j.has.Has(to) {
			e.out.Drops[s] = Drop{true, si.PressureDrop(j.p[from] - j.p[to])}
			e.out.DropsAt = at
		}
	}
}
