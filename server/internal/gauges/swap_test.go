package gauges_test

import (
	"fmt"
	"testing"

	"gritwatch/protocol/points"
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
