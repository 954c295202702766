package gauges

import (
	"math"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// zero learns the offset of one point while there is surely nothing to show.
//
// Two means are kept. offset is of many readings, so that it may be shown. recent counts the readings of the last rests,
// the newest most, and tells with its standard error of a gauge that is far off, before the many have come together: rests
// are short, and a vessel that vents slowly leaves little of them.
type zero struct {
	since   si.Instant // since when the point has been at nothing; 0: it is not
	n       int        // readings learned
	offset  float64    // Pa
	recent  float64    // Pa
	weight  float64    // readings that recent stands for
	learned si.Instant // the last of them
}

const (
	driftFault  = 3.4 * si.KPa // 0.5 psi, less what a mean of noisy readings may be off
	driftEnds   = 2.8 * si.KPa // down to this the fault lasts
	driftMost   = 3.5 * si.KPa // learning stops (R2)
	downUnder   = 7 * si.KPa   // R1's limit: the vessel may be thought down
	offUnder    = 20 * si.KPa  // hose, nozzle and control with the vessel down may be off by this
	emptyFor    = 30 * time.Second
	downFor     = 3 * time.Second
	healthyZero = 1.5 * si.KPa // a neighbour that shows no more shows nothing
	stillBy     = 0.4 * si.KPa // change of the mean within two seconds, beside noise
	meanError   = 150.0        // Pa, standard error of what is learned
	leastZeros  = 40           // readings
	mostZeros   = 4000
	recentKept  = 0.75 // of the weight of earlier rests, when one begins
	recentSure  = 4    // standard errors
	leastRecent = 20.0 // readings; what is over nothing may be the end of a slow vent
	leastUnder  = 5.0  // what is under nothing is no pressure
)

// floor is the offset that is a fault, Pa: of gauges that feel the barometer more by what the weather may do (R1's
// barometer error).
func floor(g vent.Gauge) float64 {
	f := driftFault
	if g.Kind == vent.KindSealed || g.Kind == vent.KindAbsolute {
		bare := g
		bare.Kind = vent.KindGauge
		f += float64(g.U(0) - bare.U(0))
	}
	return f
}

// Offset is the learned zero of a point; false while too little was seen. It is shown, and never subtracted in answer,
// guard or vent watch (R2). Learning stops at 3.5 kPa.
func (w *Watch) Offset(p points.Point) (si.GaugePressure, bool) {
	z := &w.zero[p]
	return si.GaugePressure(max(-driftMost, min(driftMost, z.offset))), z.n >= w.memory(p)
}

// memory is how many readings make a mean that is good enough.
func (w *Watch) memory(p points.Point) int {
	sd := w.noise[p].deviation() / meanError
	return int(min(mostZeros, max(leastZeros, sd*sd)))
}

// judgeZero learns, from what was two seconds ago: a press that shows late must not be taken for an offset. Only what is
// under nothing counts at once, and though it moves: it is no pressure.
func (w *Watch) judgeZero(p points.Point) {
	t, z := &w.tracks[p], &w.zero[p]
	if !w.resting() || !t.long || !w.nothing(p, t) {
		z.since = 0
		return
	}
	long := downFor
	if p <= points.Separator {
		long = emptyFor
	}
	switch still := math.Abs(t.by) <= stillBy+w.noise[p].deviation(); {
	case !still:
		z.since = 0
	case z.since == 0:
		z.since = t.at
	}
	rested := z.since != 0 && t.at.Sub(z.since) >= long
	memory := w.memory(p)
	v := t.early
	switch {
	case rested:
		if v > healthyZero {
			v = max(0, v-w.shared(p))
		}
		z.n = min(z.n+1, mostZeros)
		z.offset += (v - z.offset) / float64(min(z.n, memory))
	case v < -healthyZero && p >= points.Vessel:
		v += t.by // what chose it must not be what counts: noise would choose itself
	default:
		return
	}
	z.learnRecent(t.at, v, memory)
	off := math.Abs(z.offset)
	switch ends := w.floors[p] - (driftFault - driftEnds); {
	case w.farOff(p):
		w.set(p, ZeroDrift, true, Finding{})
		w.found[p][ZeroDrift].Size = z.recent
	case z.n < memory:
	case off >= w.floors[p]:
		w.set(p, ZeroDrift, true, Finding{})
		w.found[p][ZeroDrift].Size = z.offset
	case off < ends && math.Abs(z.recent) < ends:
		w.set(p, ZeroDrift, false, Finding{})
	}
}

// learnRecent takes a reading into the mean of the last rests. No more of the earlier ones is kept than makes a mean that is
// good enough.
func (z *zero) learnRecent(at si.Instant, v float64, memory int) {
	if at.Sub(z.learned) > settles {
		z.weight = min(recentKept*z.weight, float64(memory))
	}
	z.learned = at
	z.weight = min(z.weight+1, mostZeros)
	z.recent += (v - z.recent) / z.weight
}

// farOff tells whether the last rests alone show an offset that is a fault.
func (w *Watch) farOff(p points.Point) bool {
	z, n := &w.zero[p], &w.noise[p]
	least := leastRecent
	if z.recent < 0 {
		least = leastUnder
	}
	return n.n >= noiseLearned/4 && z.weight >= least &&
		math.Abs(z.recent) >= w.floors[p]+max(meanError, recentSure*n.deviation()/math.Sqrt(z.weight))
}

// nothing tells whether there can be no pressure at a point, but for what is trapped in the vessel without a sign.
func (w *Watch) nothing(p points.Point, t *track) bool {
	if p == points.Control {
		return t.fast < offUnder && !w.params.Pot.Inverse
	}
	v, ok := w.fresh(points.Vessel)
	if !ok || v.fast >= downUnder {
		return false
	}
	switch p {
	case points.Hose, points.Nozzle:
		return t.fast < offUnder
	case points.Supply, points.Separator:
		return t.fast < downUnder && w.empty(points.Supply) && w.empty(points.Separator)
	}
	return true
}

// empty tells whether a point of the supply is without air, or not there.
func (w *Watch) empty(p points.Point) bool {
	t, ok := w.fresh(p)
	return ok && t.fast < downUnder || !w.params.Pot.Points.Has(p)
}

// shared is the pressure that neighbours show too, and that is therefore no offset. For the vessel all of them must show
// it; hose and nozzle may share more than the vessel has, as a leaking inlet valve feeds them by the push line.
func (w *Watch) shared(p points.Point) float64 {
	of := downstream[:]
	switch {
	case p == points.Control:
		return 0
	case p <= points.Separator:
		of = airs[:2]
	}
	least, most := math.Inf(1), 0.0
	for _, q := range of {
		if t, ok := w.fresh(q); q != p && ok && t.long {
			least, most = min(least, t.early), max(most, t.early)
		}
	}
	if p == points.Hose || p == points.Nozzle {
		least = most
	}
	if math.IsInf(least, 1) || least <= healthyZero {
		return 0
	}
	return least
}
