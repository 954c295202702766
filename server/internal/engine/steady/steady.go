package steady

import (
	"math"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Numbers of the gate.
const (
	second   = si.Instant(1_000_000) // us
	maxGap   = 1500 * time.Millisecond
	mostRate = 4 * si.KPa // a second
)

// A Second is the means over one second of blasting. Of a log slower than 1 Hz it is one reading.
type Second struct {
	At   si.Instant    // the middle of the readings
	Span time.Duration // how long it stands for: from its first instant to that of the next second
	N    int           // instants
	// Has are the points that were there in at least half of the instants. The other points' means are zero.
	Has    points.Set
	P      [points.Count]float64 // absolute pressure, Pa: root of the mean of squares, which is the mean within noise
	PP     [points.Count]float64 // mean of the absolute pressure's square, Pa^2
	Rate   float64               // of the vessel, Pa/s; 0 where not Rated
	Rated  bool                  // three seconds in a row of one press tell the rate
	Steady bool                  // rated, and the rate is small
}

// Between is the difference of the mean squares of two points, Pa^2: the loss of a segment or of several in a row. False
// where one of them is missing.
func (s *Second) Between(from, to points.Point) (float64, bool) {
	if !s.Has.Has(from) || !s.Has.Has(to) {
		return 0, false
	}
	return s.PP[from] - s.PP[to], true
}

// An Averager makes Seconds. The zero value has seen nothing.
type Averager struct {
	Period time.Duration // of a log that is slower than live readings; 0: live

	first, last si.Instant // of the second that goes on; zero: none
	n           int
	count       [points.Count]int
	pp          [points.Count]float64 // sums of squares

	// The vessel's means of the last two seconds, the newer one last, and the middle of each; zero: none.
	before   [2]float64
	beforeAt [2]si.Instant
}

// Step takes the absolute pressures, Pa, of the points in has at an instant, and whether the pot blasts. It gives the
// second that this instant completes. An instant not after the last is dropped, so it may be called with every sample.
func (a *Averager) Step(at si.Instant, has points.Set, p *[points.Count]float64, blasting bool) (Second, bool) {
	if !blasting {
		if a.first != 0 {
			a.reset()
		}
		return Second{}, false
	}
	if at <= a.last || at <= 0 {
		return Second{}, false
	}
	if a.last != 0 && at.Sub(a.last) > max(maxGap, 5*a.Period/2) {
		a.reset()
	}
	var s Second
	done := false
	if a.n > 0 && at-a.first >= second {
		s, done = a.complete(), true
		s.Span = at.Sub(a.first)
	}
	if a.n == 0 {
		a.first = at
	}
	a.last = at
	a.n++
	for i := range p {
		if has.Has(points.Point(i)) {
			a.count[i]++
			// Single precision takes less room in a saved state. Fifty sums are good to three millionths, a loss of a bar
			// at 7 bar to a hundred thousandth.
			a.pp[i] = float64(float32(a.pp[i] + float64(p[i]*p[i])))
		}
	}
	return s, done
}

func (a *Averager) reset() { *a = Averager{Period: a.Period} }

// complete is the second that has ended; the next one begins empty.
func (a *Averager) complete() Second {
	s := Second{At: a.first + (a.last-a.first)/2, N: a.n}
	for i, n := range a.count {
		if n > 0 && 2*n >= a.n {
			s.Has |= points.SetOf(points.Point(i))
			s.PP[i] = a.pp[i] / float64(n)
			s.P[i] = math.Sqrt(s.PP[i])
		}
	}
	// Single precision, a hundredth of a pascal, takes less room in a saved state.
	v, at := float64(float32(s.P[points.Vessel])), s.At
	if !s.Has.Has(points.Vessel) {
		a.before, a.beforeAt = [2]float64{}, [2]si.Instant{}
	} else {
		if a.beforeAt[0] != 0 {
			s.Rate, s.Rated = (v-a.before[0])/at.Sub(a.beforeAt[0]).Seconds(), true
			s.Steady = math.Abs(s.Rate) < mostRate
		}
		a.before, a.beforeAt = [2]float64{a.before[1], v}, [2]si.Instant{a.beforeAt[1], at}
	}
	a.n, a.count, a.pp = 0, [points.Count]int{}, [points.Count]float64{}
	return s
}
