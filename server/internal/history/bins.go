package history

import (
	"fmt"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// MaxSteps is how many steps a down-sampled query may have.
const MaxSteps = 11_000

// A Spread sums up the values of some samples. With Count 0 the rest is 0 and means nothing.
type Spread struct {
	Count          int
	Min, Max, Mean si.GaugePressure // of an electric handle: of 0 and 1, not Pa
}

// A Bin sums up the samples of one point in one step of time. A gap has no samples at all, a dead gauge only NoReply, a
// gauge beyond its limits OutOfRange: none of the three looks like another.
type Bin struct {
	Good       Spread
	OutOfRange Spread // the values that the transducer gave all the same
	NoReply    int
}

// A Trace is one point's bins, from the query's From on, one a step.
type Trace struct {
	Point    points.Point
	Electric bool // the handle as a discrete input: values are 0 and 1
	Bins     []Bin
}

// Steps is how many steps of the length given cover the time from from (taken in) to to (left out); the last may be cut
// short. It refuses what cannot be drawn, and says what to do.
func Steps(from, to si.Instant, step time.Duration) (int, error) {
	us := int64(step / time.Microsecond)
	switch {
	case to < from:
		return 0, fmt.Errorf("%w: to (%v) lies before from (%v); swap them", ErrQuery, to, from)
	case us <= 0:
		return 0, fmt.Errorf("%w: step %v is too small; write at least 1 ms", ErrQuery, step)
	}
	span := uint64(to) - uint64(from) // does not overflow, as to is not before from
	n := span / uint64(us)
	if span%uint64(us) != 0 {
		n++
	}
	if n > MaxSteps {
		least := time.Duration((span+MaxSteps-1)/MaxSteps) * time.Microsecond
		return 0, fmt.Errorf("%w: step %v is too small: it gives %d steps, and at most %d can be had; write at least %v, or ask for less time",
			ErrQuery, step, n, MaxSteps, least.Round(time.Millisecond)+time.Millisecond)
	}
	return int(n), nil
}

// downsampler puts samples into bins. Pure.
type downsampler struct {
	from, to si.Instant
	step     si.Instant // us
	bins     []Bin      // Mean holds the sum until finish

	// The bin of the sample before, from here to there (left out): most samples fall into the same.
	taken       int // samples
	bin         *Bin
	here, there si.Instant
}

// newDownsampler covers from (taken in) to to (left out); n is what Steps gave.
func newDownsampler(from, to si.Instant, step time.Duration, n int) *downsampler {
	return &downsampler{from: from, to: to, step: si.Instant(step / time.Microsecond), bins: make([]Bin, n)}
}

// add takes one sample. In any order; those outside the time covered are left out.
func (d *downsampler) add(at si.Instant, quality points.Quality, value si.GaugePressure) {
	if at < d.here || at >= d.there {
		if at < d.from || at >= d.to {
			return
		}
		i := (at - d.from) / d.step
		d.bin, d.here = &d.bins[i], d.from+i*d.step
		d.there = min(d.here+d.step, d.to)
	}
	d.taken++
	b := d.bin
	switch quality {
	case points.Good:
		b.Good.add(value)
	case points.OutOfRange:
		b.OutOfRange.add(value)
	default:
		b.NoReply++
	}
}

func (s *Spread) add(v si.GaugePressure) {
	if s.Count == 0 {
		s.Min, s.Max = v, v
	} else {
		s.Min, s.Max = min(s.Min, v), max(s.Max, v)
	}
	s.Count++
	s.Mean += v
}

// finish makes means of the sums and gives the bins away.
func (d *downsampler) finish() []Bin {
	for i := range d.bins {
		d.bins[i].Good.finish()
		d.bins[i].OutOfRange.finish()
	}
	return d.bins
}

// finish keeps the mean between least and greatest, which rounding may push it out of.
func (s *Spread) finish() {
	if s.Count > 0 {
		s.Mean = min(max(s.Mean/si.GaugePressure(s.Count), s.Min), s.Max)
	}
}
