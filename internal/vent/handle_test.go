package vent_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A pot without a control point is pressed again in the middle of its vent, at a third of the pressure: the hose point rises at once to two
// thirds of what it had and goes on slowly, as the vessel fills. That is one press and no release, and no vent of it is slow.
func TestHosePressedAgainInAVent(t *testing.T) {
	pot := vent.Pot{Name: "yew", Volume: 3.5 * si.CubicFoot, Rated: 150 * si.PSI, Target: 100 * si.PSI,
		Points: points.SetOf(points.Supply, points.Vessel, points.Hose), Commissioned: &vent.Vent{Time: 8 * time.Second, By: "yard foreman", At: "2026-01-05"}}
	for _, p := range points.All() {
		pot.Gauges[p] = vent.Gauge{Kind: vent.KindGauge, Hi: 200 * si.PSI}
	}
	j, w := vent.NewJudge(pot, vent.Options{}), vent.NewWatch(vent.WatchParams{Pot: pot})
	at := si.Instant(1_790_000_000_000_000)
	// hose and vessel, kPa, each tenth of a second.
	run := func(seconds float64, shown func(s float64) (hose, vessel float64), each func(s float64)) {
		for s := 0.0; s < seconds; s += 0.1 {
			at = at.Add(100 * time.Millisecond)
			hose, vessel := shown(s)
			for _, x := range []struct {
				p points.Point
				v float64
			}{{points.Supply, 850}, {points.Vessel, vessel}, {points.Hose, hose}} {
				sample := points.Sample{Point: x.p, Quality: points.Good, At: at, Value: si.GaugePressure(x.v * si.KPa)}
				j.Step(sample)
				w.Step(sample, j.Handle())
			}
			if each != nil {
				each(s)
			}
		}
	}
	up := func(float64) (hose, vessel float64) { return 810, 824 }
	run(5, func(float64) (hose, vessel float64) { return 0, 0 }, nil)
	run(20, up, nil)
	falls := func(s float64) (hose, vessel float64) { p := 824 * math.Exp(-s/2.5); return p - 5, p }
	run(2.8, falls, nil)
	if h := j.Handle(); !h.Known || h.Pressed {
		t.Fatalf("in the vent: %+v", h)
	}
	began := si.Instant(0)
	run(8, func(s float64) (hose, vessel float64) {
		return 560 + 30*s - 300*math.Exp(-s/0.2), 260 + 130*s - 8*s*s
	}, func(s float64) {
		switch h := j.Handle(); {
		case s > 1 && !h.Pressed:
			t.Fatalf("%.1f s after the second press: %+v", s, h)
		case s > 1 && began == 0:
			began = h.Since
		case s > 1 && h.Since != began:
			t.Fatalf("%.1f s after the second press there is another: %+v", s, h)
		}
		if f := w.Find(vent.VentSlow); f.On {
			t.Fatalf("%.1f s after the second press: %+v", s, f)
		}
	})
	// Its own release shows as that of any other.
	run(1.5, func(s float64) (hose, vessel float64) { p := 780 * math.Exp(-s/2.5); return p, p }, nil)
	if h := j.Handle(); !h.Known || h.Pressed {
		t.Errorf("after the second release: %+v", h)
	}
}
