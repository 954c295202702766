package vent

import (
	"math"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// halfSecond is the span of the means by which the rules read a gauge at rest, whose single samples are noisy.
const halfSecond = 500 * time.Millisecond

// How far back a trace reaches: the vessel's R1's 3 s and room to look before a release that shows late, the hose's
// the plateau before its fall, the others' half a second.
const (
	vesselSpan = 6 * time.Second
	hoseSpan   = 5 * time.Second
	shortSpan  = time.Second
)

// maxTrace bounds a trace; more samples than this within its span (400 a second) make it reach less far back, so that
// R1 is never met.
const maxTrace = 2400

// reading is one good sample with the mean of the half second that ends in it.
type reading struct {
	at   si.Instant
	v    float64 // gauge Pa, recorded zero subtracted
	half float64 // gauge Pa
}

// trace is the recent past of one point.
type trace struct {
	present bool
	span    time.Duration
	zero    float64 // recorded offset, Pa

	last    si.Instant     // of the newest sample, of any quality
	quality points.Quality // of the newest sample that was not a lost poll
	good    reading        // newest good reading; at is zero before the first
	since   si.Instant     // start of the unbroken stretch of good readings

	ring    []reading
	head, n int

	saved mark // of the ring of a restored state, until it is primed
}

// value is what a sample says, Pa, and what it is worth.
func (t *trace) value(s points.Sample, pressed bool) (float64, points.Quality) {
	v := float64(s.Value) - t.zero
	if pressed { // a discrete input has no pressure
		v = 0
	}
	if s.Quality == points.Good && (math.IsNaN(v) || math.IsInf(v, 0)) {
		return v, points.OutOfRange
	}
	return v, s.Quality
}

// add takes a sample and tells whether it counts as a good reading, and whether the stretch before it was broken:
// by a gap over maxGap, or by a bad status.
func (t *trace) add(s points.Sample, pressed bool, maxGap time.Duration) (good, broken bool) {
	v, q := t.value(s, pressed)
	t.last = s.At
	switch q {
	case points.NoReply:
		return false, false // only a gap (R3)
	case points.OutOfRange:
		t.quality = q
		t.drop()
		return false, true
	}
	broken = t.good.at != 0 && s.At.Sub(t.good.at) > maxGap
	if broken {
		t.drop()
	}
	if t.since == 0 {
		t.since = s.At
	}
	t.quality = points.Good
	t.push(s.At, v)
	return true, broken
}

// drop forgets the past: the stretch of good readings has ended.
func (t *trace) drop() {
	t.since = 0
	t.n = 0
	t.good = reading{}
}

func (t *trace) push(at si.Instant, v float64) { t.good = t.keep(at, v) }

// keep puts a reading into the ring.
func (t *trace) keep(at si.Instant, v float64) reading {
	for t.n > 0 && (at.Sub(t.at(0).at) > t.span || t.n == maxTrace) {
		t.head = (t.head + 1) % len(t.ring)
		t.n--
	}
	if t.n == len(t.ring) {
		grown := make([]reading, max(16, 2*len(t.ring)))
		for i := range t.n {
			grown[i] = *t.at(i)
		}
		t.ring, t.head = grown, 0
	}
	sum, count := v, 1
	for i := t.n - 1; i >= 0; i-- {
		r := t.at(i)
		if at.Sub(r.at) >= halfSecond {
			break
		}
		sum += r.v
		count++
	}
	r := reading{at, v, sum / float64(count)}
	t.n++
	*t.at(t.n - 1) = r
	return r
}

// at is the i-th reading of the ring, oldest first.
func (t *trace) at(i int) *reading { return &t.ring[(t.head+i)%len(t.ring)] }

// fresh tells whether the newest good reading is at most maxGap older than now and no bad status came after it.
func (t *trace) fresh(now si.Instant, maxGap time.Duration) bool {
	return t.good.at != 0 && t.quality == points.Good && now.Sub(t.good.at) <= maxGap
}

// rest is what the last 3 s show.
type rest struct {
	whole   bool    // they are unbroken, and reach back 3 s
	mean    float64 // Pa
	highest float64 // highest half-second mean in them
	steady  bool    // the reading no longer moves
}

// stillMoving is the difference between the means of the two halves of 3 s above which a gauge is not at rest, Pa, for
// ten readings and more in each; fewer are noisier. A gauge that reads too low passes zero on its way down.
const (
	stillMoving = 2.5 * si.KPa
	steadyCount = 10
)

// rest takes no reading from before an instant; 0: all.
func (t *trace) rest(from si.Instant) rest {
	var late, early, out = 0.0, 0.0, rest{highest: math.Inf(-1)}
	nLate, nEarly := 0, 0
	for i := t.n - 1; i >= 0; i-- {
		r := t.at(i)
		if r.at < from {
			break
		}
		age := t.good.at.Sub(r.at)
		if age >= restSpan {
			out.whole = true
			break
		}
		if age < restSpan/2 {
			late += r.v
			nLate++
		} else {
			early += r.v
			nEarly++
		}
		out.highest = max(out.highest, r.half)
	}
	if nLate+nEarly == 0 {
		return out
	}
	out.mean = (late + early) / float64(nLate+nEarly)
	if nEarly > 0 {
		allowed := stillMoving * math.Sqrt(max(1, steadyCount/float64(min(nLate, nEarly))))
		out.steady = math.Abs(late/float64(nLate)-early/float64(nEarly)) <= allowed
	}
	return out
}

// halfAt is the newest half-second mean at or before an instant, and the highest of those between from and it.
func (t *trace) halfAt(from, to si.Instant) (level, highest float64, ok bool) {
	for i := t.n - 1; i >= 0; i-- {
		r := t.at(i)
		if r.at > to {
			continue
		}
		if !ok {
			level, highest, ok = r.half, r.half, true
		}
		if r.at < from {
			break
		}
		highest = max(highest, r.half)
	}
	return level, highest, ok
}
