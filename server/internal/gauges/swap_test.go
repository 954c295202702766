package gauges_test

import (
	"fmt"
	"math"
	"testing"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

var airs = []points.Point{points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle}

// Every exchange of two air points is told after two cycles, and its end after two more.
func TestSwapped(t *testing.T) {
	for i, a := range airs {
		for _, b := range airs[i+1:] {
			t.Run(fmt.Sprintf("%s-%s", a, b), func(t *testing.T) {
				r := newRig(t, 10, 1)
				r.run(cycle)
				r.only()
				r.g[a].shows, r.g[b].shows = b, a
				r.run(cycle)
				r.only()
				r.run(cycle - 5)
				r.only(of(a, gauges.Swapped), of(b, gauges.Swapped))
				if fa, fb := r.w.Find(a, gauges.Swapped), r.w.Find(b, gauges.Swapped); fa.Other != b || fb.Other != a || !(fa.Size > 0) {
					t.Errorf("%+v and %+v", fa, fb)
				}
				if r.w.Fault() != (a == points.Vessel || b == points.Vessel) {
					t.Error("the vessel's fault", r.w.Fault())
				}
				r.g[a].shows, r.g[b].shows = a, b
				r.run(3 * cycle)
				r.only()
			})
		}
	}
}

// At 1 Hz only those that the release tells are told.
func TestSwappedInSlowLogs(t *testing.T) {
	for _, c := range []struct {
		a, b points.Point
		told bool
	}{{points.Separator, points.Vessel, true}, {points.Supply, points.Hose, true}, {points.Hose, points.Nozzle, false}, {points.Vessel, points.Hose, false}, {points.Supply, points.Separator, false}} {
		r := newRig(t, 1, 2)
		r.g[c.a].shows, r.g[c.b].shows = c.b, c.a
		r.run(5 * cycle)
		if c.told {
			r.only(of(c.a, gauges.Swapped), of(c.b, gauges.Swapped))
		} else {
			r.only()
		}
	}
}

// A gauge that reads a tenth too little or too much stands the wrong way round, and is exchanged with none.
func TestSpanIsNoSwap(t *testing.T) {
	for _, p := range airs {
		for _, span := range []float64{-0.1, 0.1} {
			r := newRig(t, 10, 3)
			r.g[p].span = span
			r.run(6 * cycle)
			for _, q := range airs {
				if f := r.w.Find(q, gauges.Swapped); f.On && !(p >= points.Hose && q >= points.Hose) {
					t.Errorf("%s with span %g: %s swapped with %s", p, span, q, f.Other)
				}
			}
		}
	}
}

// Without a control point the hose tells the handle, and the separator in its place tells it the wrong way round.
func TestSwappedHoseWithoutControl(t *testing.T) {
	r := newRig(t, 10, 3, points.Supply, points.Separator, points.Vessel, points.Hose)
	r.run(2 * cycle)
	r.only()
	r.wrong = true
	r.g[points.Hose].shows, r.g[points.Separator].shows = points.Separator, points.Hose
	r.run(cycle + pressAt)
	r.only()
	r.run(cycle)
	r.only(of(points.Hose, gauges.Swapped), of(points.Separator, gauges.Swapped))
}

// What two ways of looking tell of one cycle counts once.
func TestSwappedVesselWithoutControl(t *testing.T) {
	r := newRig(t, 10, 3, points.Supply, points.Separator, points.Vessel, points.Hose)
	r.g[points.Vessel].shows, r.g[points.Separator].shows = points.Separator, points.Vessel
	r.run(cycle)
	r.only()
	r.run(cycle)
	r.only(of(points.Vessel, gauges.Swapped), of(points.Separator, gauges.Swapped))
}

// Without a control point the press may be told late, by a hose that stands for the vessel: the air tells when it came.
func TestSwappedHoseTellsLate(t *testing.T) {
	for _, late := range []float64{0.6, 1.4} {
		r := newRig(t, 10, 4, points.Supply, points.Separator, points.Vessel, points.Hose)
		r.late = late
		r.run(2 * cycle)
		r.only()
		r.g[points.Vessel].shows, r.g[points.Hose].shows = points.Hose, points.Vessel
		r.run(2 * cycle)
		r.only(of(points.Vessel, gauges.Swapped), of(points.Hose, gauges.Swapped))
	}
}

// A nozzle that is late by itself does not hide that vessel and hose are exchanged.
func TestSwappedBesideLateNozzle(t *testing.T) {
	r := newRig(t, 10, 5)
	r.g[points.Nozzle].lag = 0.45
	r.run(2 * cycle)
	r.only()
	r.g[points.Vessel].shows, r.g[points.Hose].shows = points.Hose, points.Vessel
	r.run(2 * cycle)
	r.only(of(points.Vessel, gauges.Swapped), of(points.Hose, gauges.Swapped))
}

// letDown is a pot that holds its pressure and is let down by hand at every other release, so many seconds after it. All
// presses but those that follow begin with the vessel up.
func letDown(r *rig, after float64) func(s float64) [points.Count]float64 {
	plain := holding(0.25, 0.6)
	return func(s float64) (p [points.Count]float64) {
		p = plain(s)
		up := math.Mod(r.now, 2*cycle) >= cycle // the press of this cycle begins with the vessel up
		switch {
		case s < pressAt && !up:
			p[points.Vessel] = 0
		case s >= pressAt && s < releaseAt:
			blow := 1 - math.Exp(-(s-pressAt)/0.2)
			p[points.Supply] -= 50e3 * blow
			p[points.Separator] -= 60e3 * blow
			if p[points.Vessel] = vesselAfter(0, s-pressAt); up {
				p[points.Vessel] = 600e3 + 75e3*(1-math.Exp(-(s-pressAt)/4))
			}
		case s >= releaseAt+after && up:
			p[points.Vessel] = vesselAfter(1, s-releaseAt-after)
		}
		return p
	}
}

// Supply or separator in the vessel's place, where a pot holds its pressure: the vessel alone fills from nothing. The two
// cycles that tell have others between them, and the end takes two more.
func TestSwappedSupplyInHoldingPot(t *testing.T) {
	for _, set := range [][]points.Point{nil, {points.Supply, points.Separator, points.Vessel, points.Control}, {points.Supply, points.Vessel, points.Hose, points.Control}} {
		for _, p := range airs[:2] {
			for _, after := range []float64{0.3, 8} {
				r := newHoldingRig(t, 10, set...)
				r.world = letDown(r, after)
				if !r.pot.Points.Has(p) {
					continue
				}
				r.run(6 * cycle)
				r.only()
				r.g[p].shows, r.g[points.Vessel].shows = points.Vessel, p
				r.run(2 * cycle)
				r.only()
				r.run(2 * cycle)
				r.only(of(p, gauges.Swapped), of(points.Vessel, gauges.Swapped))
				if f := r.w.Find(points.Vessel, gauges.Swapped); f.Other != p || !(f.Size > 0) {
					t.Errorf("%+v", f)
				}
				r.g[p].shows, r.g[points.Vessel].shows = p, points.Vessel
				r.run(6 * cycle)
				r.only()
			}
		}
	}
}

// A pot that is left without air: the vessel, which held its pressure, fills what is before it at the press, and empties by
// the nozzle. That is no exchange, however often it comes; nor when the air comes back in the press.
func TestPotWithoutAirIsNoSwap(t *testing.T) {
	for _, c := range []struct {
		empties float64 // s
		back    bool
		hose    float64 // s, in which it fills; the last is behind a choke that is nearly shut, and the vessel stays up
	}{{4, false, 0.2}, {25, false, 0.2}, {70, false, 0.2}, {70, true, 0.2}, {1000, false, 5}} {
		r := newHoldingRig(t, 10)
		r.world = func(s float64) (p [points.Count]float64) {
			p[points.Vessel] = 675e3
			if s >= pressAt {
				blow := min(s, releaseAt) - pressAt
				p[points.Vessel] *= math.Exp(-blow / c.empties)
				if c.back && blow > 3 {
					p[points.Vessel] = 650e3
				}
				p[points.Supply] = 0.96 * p[points.Vessel] * (1 - math.Exp(-blow/0.8))
				if c.back && blow > 3 {
					p[points.Supply] = 690e3
				}
				p[points.Separator] = p[points.Supply]
				p[points.Hose] = 0.98 * p[points.Vessel] * (1 - math.Exp(-blow/c.hose))
				p[points.Control] = 690e3
			}
			if s >= releaseAt {
				p[points.Hose] *= math.Exp(-(s - releaseAt) / 0.6)
				fades := math.Exp(-(s - releaseAt) / 3)
				p[points.Supply], p[points.Separator] = p[points.Supply]*fades, p[points.Separator]*fades
				p[points.Control] = 0
			}
			p[points.Nozzle] = 0.93 * p[points.Hose]
			return p
		}
		r.run(8 * cycle)
		for _, p := range airs {
			if f := r.w.Find(p, gauges.Swapped); f.On {
				t.Errorf("%+v: %s swapped with %s", c, p, f.Other)
			}
		}
	}
}

// A hose that follows late, in a pot that holds its pressure and is let down by hand at every release: it falls after the
// vessel, and is not exchanged with it, as it is not above it while both fill.
func TestSlowHoseOfHoldingPotIsNoSwap(t *testing.T) {
	for _, lag := range []float64{0.8, 1.3, 2.5} {
		r := newHoldingRig(t, 10)
		plain := holding(0.3, 1.1)
		r.world = func(s float64) [points.Count]float64 {
			p := plain(s)
			switch {
			case s < pressAt:
				p[points.Vessel] = 0
			case s < releaseAt:
				p[points.Vessel] = vesselAfter(0, s-pressAt)
			default:
				p[points.Vessel] = vesselAfter(1, s-releaseAt)
			}
			return p
		}
		r.run(3 * cycle)
		r.only()
		r.g[points.Hose].lag = lag
		r.run(8 * cycle)
		for _, p := range airs {
			if f := r.w.Find(p, gauges.Swapped); f.On {
				t.Errorf("lag %g s: %s swapped with %s", lag, p, f.Other)
			}
		}
	}
}

// A hose that follows late shows more or less than the nozzle as pressures fall or rise, and is not exchanged with it.
func TestSlowHoseOnARampIsNoSwap(t *testing.T) {
	for _, ramp := range []float64{-12e3, 12e3} { // Pa/s
		r := newRig(t, 10, 6)
		r.g[points.Hose].lag = 2.7
		r.world = func(s float64) [points.Count]float64 {
			p := truth(s)
			if s > pressAt+6 && s < releaseAt {
				for i := points.Vessel; i <= points.Nozzle; i++ {
					p[i] += ramp * (s - pressAt - 6)
				}
				p[points.Nozzle] = p[points.Hose] - 10e3
			}
			return p
		}
		r.run(8 * cycle)
		r.only(of(points.Hose, gauges.SlowPort))
	}
}

// Cycles that cannot tell a pair, as the vessel was not let down to nothing, neither count nor break what is counted.
func TestSwappedBetweenCyclesThatCannotTell(t *testing.T) {
	r := newRig(t, 10, 7, points.Vessel, points.Hose, points.Nozzle, points.Control)
	r.world = func(s float64) [points.Count]float64 {
		p := truth(s)
		if math.Mod(r.now, 3*cycle) >= cycle && (s < pressAt || s >= releaseAt+4) {
			for _, q := range airs[2:] {
				p[q] = max(p[q], 60e3)
			}
		}
		return p
	}
	r.g[points.Vessel].shows, r.g[points.Hose].shows = points.Hose, points.Vessel
	r.run(2.5 * cycle)
	r.only()
	r.run(3 * cycle)
	r.only(of(points.Vessel, gauges.Swapped), of(points.Hose, gauges.Swapped))
	if f := r.w.Find(points.Vessel, gauges.Swapped); f.Size < 60*si.KPa {
		t.Errorf("%+v", f)
	}
}

// What was found before a restart with another configuration ends only by cycles that show that pair as it must be.
func TestSwapKeptEndsByItsOwnPair(t *testing.T) {
	before := newRig(t, 10, 8)
	before.g[points.Vessel].shows, before.g[points.Hose].shows = points.Hose, points.Vessel
	before.run(3 * cycle)
	before.only(of(points.Vessel, gauges.Swapped), of(points.Hose, gauges.Swapped))

	r := newRig(t, 10, 9)
	r.w.Keep(before.w)
	plain := truth
	r.world = func(s float64) [points.Count]float64 { // never down to nothing: supply and vessel's side are told, vessel and hose are not
		p := plain(s)
		for _, q := range airs[2:] {
			p[q] = max(p[q], 60e3)
		}
		return p
	}
	r.run(4 * cycle)
	r.only(of(points.Vessel, gauges.Swapped), of(points.Hose, gauges.Swapped))
	r.world = plain
	r.run(4 * cycle)
	r.only()
}
