package gauges_test

import (
	"math"
	"testing"

	"gritwatch/protocol/points"
	"gritwatch/server/internal/gauges"
)

// A first-order lag is told by the second vent, and its size is right within a quarter: it is the definition of the trace.
func TestSlowPort(t *testing.T) {
	for _, hz := range []float64{5, 10, 20} {
		for _, c := range []struct {
			p   points.Point
			lag float64
			set []points.Point
		}{
			{points.Vessel, 0.6, nil}, {points.Hose, 0.6, nil}, {points.Nozzle, 1, nil}, {points.Vessel, 2, nil}, {points.Hose, 2, nil}, {points.Vessel, 10, nil},
			{points.Vessel, 0.6, []points.Point{points.Vessel, points.Hose, points.Control}},
			{points.Vessel, 0.6, []points.Point{points.Supply, points.Vessel, points.Nozzle, points.Control}},
			{points.Hose, 0.6, []points.Point{points.Vessel, points.Hose}},
		} {
			r := newRig(t, hz, 7, c.set...)
			r.run(cycle)
			r.only()
			r.g[c.p].lag = c.lag
			if c.lag > 5 {
				r.world = slowCycle // it must be up before the release
			}
			r.run(cycle)
			r.only()
			r.run(cycle - 8)
			r.only(of(c.p, gauges.SlowPort))
			if f := r.w.Find(c.p, gauges.SlowPort); math.Abs(f.Size-c.lag) > 0.25*c.lag+far(c.p) {
				t.Errorf("%v at %g Hz: %.2f s, want %.1f", c.p, hz, f.Size, c.lag)
			}
			r.g[c.p].lag = 0
			r.world = truth
			r.run(3 * cycle)
			r.only()
		}
	}
}

// far is what the nozzle is behind for real: its share of the pressure grows in the vent, as the drop to it shrinks.
func far(p points.Point) float64 {
	if p == points.Nozzle {
		return 0.1
	}
	return 0
}

// slowCycle is truth with the vessel up from long before the release, so that slow gauges are there too.
func slowCycle(s float64) [points.Count]float64 {
	if s >= releaseAt {
		return truth(s)
	}
	return truth(releaseAt - 0.1)
}

// Slow logs, a pot that holds its pressure, and a vessel without hose and nozzle point: not told.
func TestLagThatCannotBeTold(t *testing.T) {
	r := newRig(t, 2, 1)
	r.g[points.Vessel].lag = 1.5
	r.run(6 * cycle)
	r.only()

	r = newRig(t, 10, 1)
	r.pot.HoldsPressure = true
	r.restart()
	r.g[points.Vessel].lag = 1.5
	r.run(6 * cycle)
	r.only()

	r = newRig(t, 10, 1, points.Supply, points.Separator, points.Vessel, points.Control)
	r.g[points.Vessel].lag = 1.5
	r.run(6 * cycle)
	r.only()
}

// A vessel that is cut off from the hose at the release empties by itself, as its own exhaust lets it, and the hose much
// sooner: no gauge is slow. So too where the choke is partly shut: a steady 15 % between them.
func TestRealDifference(t *testing.T) {
	for _, tau := range []float64{0.2, 0.4, 0.6, 0.9} {
		r := newRig(t, 10, 2)
		r.world = func(s float64) [points.Count]float64 {
			p := truth(s)
			if s >= releaseAt {
				p[points.Hose] = 0.985 * 674e3 * math.Exp(-(s-releaseAt)/tau)
				p[points.Nozzle] = 0.93 * p[points.Hose]
			}
			return p
		}
		r.run(8 * cycle)
		r.only()
	}
	r := newRig(t, 10, 3)
	r.world = func(s float64) [points.Count]float64 {
		p := truth(s)
		if s < pressAt || s > pressAt+2 {
			p[points.Hose] *= 0.85
			p[points.Nozzle] *= 0.85
		}
		return p
	}
	r.run(8 * cycle)
	r.only()
}

// A point that is held against what it used to do: 0.6 s at the nozzle is told by the second vent where it was not late
// before, and a nozzle that always was by as much is not.
func TestSlowPortGrows(t *testing.T) {
	r := newRig(t, 10, 8)
	r.run(3 * cycle)
	r.g[points.Nozzle].lag = 0.6
	r.run(cycle)
	r.only()
	r.run(cycle - 8)
	r.only(of(points.Nozzle, gauges.SlowPort))
	r = newRig(t, 10, 8)
	r.g[points.Nozzle].lag = 0.6
	r.run(6 * cycle)
	r.only()
}

// Without a control point the hose tells the release, when the fall has begun: what was before is looked for earlier.
func TestSlowPortWithoutControl(t *testing.T) {
	for _, late := range []float64{0.2, 0.5} {
		r := newRig(t, 10, 9, points.Supply, points.Separator, points.Vessel, points.Hose)
		r.late = late
		r.run(3 * cycle)
		r.only()
		r.g[points.Vessel].lag = 0.8
		r.run(2*cycle - 8)
		r.only(of(points.Vessel, gauges.SlowPort))
	}
}

// A hose that follows so late that it tells the release seconds after it: the vessel has told it before. Without a control
// point nothing else does.
func TestSlowHoseWithoutControl(t *testing.T) {
	for _, lag := range []float64{0.8, 1.7, 2.7} {
		r := newRig(t, 10, 10, points.Supply, points.Separator, points.Vessel, points.Hose)
		r.run(3 * cycle)
		r.only()
		r.g[points.Hose].lag, r.late = lag, lag
		r.run(cycle)
		r.only()
		r.run(cycle - 5)
		r.only(of(points.Hose, gauges.SlowPort))
		if f := r.w.Find(points.Hose, gauges.SlowPort); math.Abs(f.Size-lag) > 0.3*lag {
			t.Errorf("%.2f s, want %.1f", f.Size, lag)
		}
		r.g[points.Hose].lag, r.late = 0, 0
		r.run(3 * cycle)
		r.only()
	}
}

// A dip of the pressures, as from a second hose, is no release that shows early.
func TestDipWithoutControl(t *testing.T) {
	r := newRig(t, 10, 11, points.Supply, points.Separator, points.Vessel, points.Hose)
	r.world = func(s float64) [points.Count]float64 {
		p := truth(s)
		if s > pressAt+12 && s < pressAt+15 {
			for i := points.Supply; i <= points.Nozzle; i++ {
				p[i] *= 0.7
			}
		}
		return p
	}
	r.run(8 * cycle)
	r.only()
}
