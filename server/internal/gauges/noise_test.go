package gauges_test

import (
	"math"
	"testing"

	"gritwatch/protocol/points"
	"gritwatch/server/internal/gauges"
)

// Noise that grows to 0.35 % of the range (4.8 kPa) is found, its size right within a fifth, and its end too.
func TestNoiseGrows(t *testing.T) {
	for _, p := range points.All() {
		r := newRig(t, 10, 1)
		r.run(3 * cycle)
		r.only()
		r.g[p].noise = 4800
		r.run(3 * cycle)
		r.only(of(p, gauges.Noisy))
		if f := r.w.Find(p, gauges.Noisy); math.Abs(f.Size-4800) > 1200 {
			t.Errorf("%v: %.0f Pa", p, f.Size)
		}
		r.g[p].noise = 700
		r.run(4 * cycle)
		r.only()
	}
}

// Single readings that stand out by 2 bar: two in minutes are not yet enough, three are.
func TestSpikes(t *testing.T) {
	r := newRig(t, 10, 2)
	r.run(2 * cycle)
	spike := func() {
		r.until(40)
		r.g[points.Vessel].offset = 200e3
		r.run(0.1)
		r.g[points.Vessel].offset = 0
		r.run(0.2)
	}
	spike()
	r.only()
	spike()
	r.only()
	spike()
	r.only(of(points.Vessel, gauges.Noisy))
	if f := r.w.Find(points.Vessel, gauges.Noisy); math.Abs(f.Size-200e3) > 5e3 {
		t.Errorf("height %.0f", f.Size)
	}
	r.run(900)
	r.only()
}

// A control line that rises over what it comes to, as the supply falls with the press, makes no spike.
func TestControlOvershoots(t *testing.T) {
	r := newRig(t, 10, 4)
	r.world = func(s float64) [points.Count]float64 {
		p := truth(s)
		switch since := s - pressAt; {
		case since > 0.45 && since < 0.55:
			p[points.Control] = 740e3
		case since >= 0 && since < 0.1:
			p[points.Control] = 370e3
		}
		return p
	}
	r.run(6 * cycle)
	r.only()
}
