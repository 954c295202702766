package wear

import (
	"math"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/stroke"
)

// Numbers of what the next vent is expected to be. Those without a source are common practice.
const (
	expectLeast   = 20   // vents
	expectMargin  = 0.10 // of ln tau
	expectLate    = 80   // ms
	expectLag     = 100  // ms: no expectation begins sooner after the release
	lagDeviations = 4.0  // mean deviations
	usesMost      = 1.5  // of what blasting uses in the mean: a richer mixture uses more
	anotherWay    = 0.75 // of what ln of the filling time has shrunk by: abrasive lets both press losses grow by less, an open metering valve by more; from simulated pots, no source
	hastened      = 0.12 // of ln of the filling time: a vent that goes by that much less is still no slower than the margin allows
	goesWith      = 0.6  // of the margin that the slowest has: a vent that takes less goes with what was expected
	mostFill      = 8    // of ln of the filling time: no pot takes an hour
	lagGain       = 1.0 / 16
	mostLag       = 5000 // ms
	farLag        = 200
)

// An outlook is what is known of how full the vessel is, for the vent to come.
type outlook struct {
	known bool
	seen  fine // ln of the time that filling took, at the last press that told it
	fill  fine // the same as of the last vent, by what blasting has used since: no less than it truly is
	// sure says that nothing but abrasive has shortened it: either the losses of separator and valve show no other way of the air, or
	// a vent since then has gone with it.
	sure bool
	// fits says that a vent has gone with what was expected, since the beginning and since the last service of what air leaves by.
	fits bool
}

// press takes what the last press has told. jump is by how much both press losses have grown at least, in logarithms, where both says
// that both are known.
func (o *outlook) press(m *Monitor, jump float64, both bool) {
	if !m.filled {
		// The vessel is no emptier than it was, and what has been used since.
		return
	}
	less := (min(o.fill, o.seen+fineOf(hastened)) - m.fill).float()
	switch {
	case !o.known:
		o.sure = both
	case both && jump > max(emptyJump, anotherWay*less):
		return // as above: the air that hastens the filling does not go through the grit
	case less > hastened:
		o.sure = both
	}
	o.known, o.seen, o.fill = true, m.fill, m.fill
}

// vent takes a vent, before anything is learned from it.
func (o *outlook) vent(m *Monitor, v *stroke.Vent) {
	if !o.known {
		return
	}
	o.fill = min(fineOf(mostFill), o.fill+fineOf(m.most(v.Blast)))
	if t := &m.tracks[Exhaust]; v.Tau > 0 && v.Tau < absurd && t.ready() {
		if cooled(v)-t.base.float()-m.vents.correct(o.fill.float()) < goesWith*m.margin() {
			o.sure, o.fits = true, true
		}
	}
}

// cooled is ln of a vent's time constant, of air that has cooled: what was pressed in fast is warm, and a warm vessel vents faster.
func cooled(v *stroke.Vent) float64 {
	return math.Log(v.Tau) + warm*math.Exp(-v.Blast.Seconds()/cools)
}

// most is how much ln of the filling time grows at most in a blast.
func (m *Monitor) most(blast time.Duration) float64 {
	return max(0, m.uses.float()) * usesMost * max(0, min(mostBlast, blast.Seconds())) / usesPer
}

// margin is how much ln of a healthy vent's time constant may be over what the baseline has for its level.
func (m *Monitor) margin() float64 { return expectMargin + sure*m.tracks[Exhaust].deviation() }

// Expect is the slowest, by (8), that the vent of the press that goes on can credibly be, were the handle released at an instant: the time
// constant of its choked part, and the lag of the valves. It goes by how full the presses have found the vessel, by what blasting
// has used of it since, and by the exhaust's baseline, never by what has clogged since. Zero: not known.
func (m *Monitor) Expect(at si.Instant) (tau, lag time.Duration) {
	t := &m.tracks[Exhaust]
	if !m.ahead.known || !m.ahead.sure || !m.ahead.fits || t.n < expectLeast || m.lags < expectLeast {
		return 0, 0
	}
	slowest := t.base.float() + m.vents.correct(m.ahead.fill.float()+m.most(at.Sub(m.use.from))) + m.margin()
	late := float64(m.lag) + expectLate + lagDeviations*float64(m.lagOff)
	return time.Duration(math.Exp(slowest) * float64(time.Second)), time.Duration(max(expectLag, late) * float64(time.Millisecond))
}

// learnLag takes the lag of one vent, ms.
func (m *Monitor) learnLag(lag int32) {
	ms := float64(lag)
	off := math.Abs(ms - float64(m.lag))
	if m.lags >= expectLeast && off > farLag+2*lagDeviations*float64(m.lagOff) {
		return // not the valves: an exhaust that hardly opens, or a press in between
	}
	m.lags = min(m.lags+1, mostCount)
	g := max(lagGain, 1/float64(m.lags))
	m.lag += int32(math.Round(g * (ms - float64(m.lag))))
	if m.lags > 1 {
		m.lagOff += int32(math.Round(g * (off - float64(m.lagOff))))
	}
}
