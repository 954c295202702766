package gauges_test

import (
	"math"
	"testing"

	"gritwatch/protocol/points"
	"gritwatch/server/internal/gauges"
)

// holding is a pot that holds its pressure: the hose fills and empties by itself, within time constants, s, which are those
// of a first-order volume.
func holding(fill, drain float64) func(s float64) [points.Count]float64 {
	return func(s float64) (p [points.Count]float64) {
		p[points.Supply], p[points.Separator], p[points.Vessel] = 760e3, 740e3, 675e3
		switch {
		case s < pressAt:
		case s < releaseAt:
			p[points.Hose] = 660e3 * (1 - math.Exp(-(s-pressAt)/fill))
			p[points.Control] = 690e3
		default:
			p[points.Hose] = 660e3 * math.Exp(-(s-releaseAt)/drain)
		}
		p[points.Nozzle] = 0.93 * p[points.Hose]
		return p
	}
}

func newHoldingRig(t *testing.T, hz float64, set ...points.Point) *rig {
	r := newRig(t, hz, 21, set...)
	r.pot.HoldsPressure = true
	r.restart()
	r.world = holding(0.2, 0.6)
	return r
}

// The hose of a pot that holds its pressure is held against what it used to do: the lag is told by the second release.
func TestSlowPortOfHoldingPot(t *testing.T) {
	for _, hz := range []float64{5, 10, 20} {
		for _, lag := range []float64{0.7, 2} {
			r := newHoldingRig(t, hz, points.Supply, points.Vessel, points.Hose, points.Control)
			r.run(3 * cycle)
			r.only()
			r.g[points.Hose].lag = lag
			r.run(cycle)
			r.only()
			r.run(cycle - 8)
			r.only(of(points.Hose, gauges.SlowPort))
			if f := r.w.Find(points.Hose, gauges.SlowPort); f.Size < 0.5*lag || f.Size > 1.1*lag {
				t.Errorf("%g Hz: %.2f s, want %.1f", hz, f.Size, lag)
			}
			r.g[points.Hose].lag = 0
			r.run(3 * cycle)
			r.only()
		}
	}
}

// A smaller nozzle empties the hose later, and does not fill it later; a choke that is nearly shut the other way round.
func TestOtherNozzleIsNoSlowPort(t *testing.T) {
	for _, c := range [][2]float64{{0.15, 1.8}, {1.2, 0.6}} {
		r := newHoldingRig(t, 10)
		r.run(3 * cycle)
		r.world = holding(c[0], c[1])
		r.run(4 * cycle)
		r.only()
	}
}

// Where a pot holds its pressure and is let down by hand after the release, the vessel and the hose are exchanged when the
// vessel falls first. A hose that follows late is not, even when the hand valve is opened at once.
func TestSwappedInHoldingPot(t *testing.T) {
	for _, c := range []struct {
		swapped bool
		after   float64 // s
	}{{false, 3}, {true, 3}, {false, 0.3}} {
		swapped := c.swapped
		r := newHoldingRig(t, 10)
		plain := holding(0.2, 0.6)
		r.world = func(s float64) [points.Count]float64 {
			p := plain(s)
			if s < pressAt {
				p[points.Vessel] = 0
			} else if s < releaseAt {
				p[points.Vessel] = vesselAfter(0, s-pressAt)
			} else if s > releaseAt+c.after {
				p[points.Vessel] = vesselAfter(1, s-releaseAt-c.after)
			}
			return p
		}
		if swapped {
			r.g[points.Vessel].shows, r.g[points.Hose].shows = points.Hose, points.Vessel
		}
		r.run(6 * cycle)
		if swapped {
			r.only(of(points.Vessel, gauges.Swapped), of(points.Hose, gauges.Swapped))
			continue
		}
		r.only()
		r.g[points.Hose].lag = 2 // is late, and not exchanged
		r.run(4 * cycle)
		r.only(of(points.Hose, gauges.SlowPort))
	}
}

// A hose that empties slowly at first, as valves take their time: a late gauge is timed from the release, which the control
// point tells, and not from where it is seen to fall itself.
func TestSlowPortBehindSlowValves(t *testing.T) {
	r := newHoldingRig(t, 10, points.Supply, points.Vessel, points.Hose, points.Control)
	plain := holding(0.2, 0.6)
	r.world = func(s float64) [points.Count]float64 {
		p := plain(s)
		if s >= releaseAt {
			x := (s - releaseAt) / 0.4
			p[points.Hose] = 660e3 * (1 + x + x*x/2) * math.Exp(-x) // three volumes of 0.4 s in a row
		}
		return p
	}
	r.run(4 * cycle)
	r.only()
	r.g[points.Hose].lag = 0.55
	r.run(2*cycle - 8)
	r.only(of(points.Hose, gauges.SlowPort))
}

// One release before it became slow is enough for what is far over it.
func TestSlowPortOfHoldingPotAfterOneRelease(t *testing.T) {
	r := newHoldingRig(t, 10, points.Supply, points.Vessel, points.Hose, points.Control)
	r.run(cycle)
	r.g[points.Hose].lag = 1.2
	r.run(cycle)
	r.only()
	r.run(cycle - 8)
	r.only(of(points.Hose, gauges.SlowPort))

	r = newHoldingRig(t, 10, points.Supply, points.Vessel, points.Hose, points.Control)
	r.run(cycle)
	r.world = holding(0.57, 1.1) // by more than two would allow
	r.run(4 * cycle)
	r.only()
}

// A first release that was short by chance, without grit say, is given up: what comes later is not held against it.
func TestFirstReleaseIsNoMeasure(t *testing.T) {
	r := newHoldingRig(t, 10, points.Supply, points.Vessel, points.Hose, points.Control)
	r.world = holding(0.2, 0.3)
	r.run(cycle)
	r.world = holding(0.2, 1.1)
	r.run(6 * cycle)
	r.only()
	r.world = holding(0.7, 1.1) // a choke before the gauge
	r.run(4 * cycle)
	r.only()
}
