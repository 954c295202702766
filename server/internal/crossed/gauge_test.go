package crossed

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gritwatch/protocol/si"
)

// TestGauge plays courses of a vessel and lists the moves, in seconds from the course's beginning.
func TestGauge(t *testing.T) {
	fills := func(t float64) float64 { return 650e3 * (1 - math.Exp(-t/1.5)) }
	vents := func(p, t float64) float64 { return p * math.Exp(-t/2) }
	type moved struct {
		turn turn
		at   float64
	}
	for _, c := range []struct {
		name   string
		course func(t float64) float64 // Pa; NaN: no reading
		want   []moved
	}{
		{"at rest", func(float64) float64 { return 0 }, nil},
		{"reads too high at rest", func(float64) float64 { return 15e3 }, nil},
		{"drifts", func(t float64) float64 { return 60 * t }, nil},
		// A vessel shut after a fast blowdown rises again by up to 6 psi within some 20 s.
		{"rebound", func(t float64) float64 { return 41e3 * (1 - math.Exp(-max(0, t-10)/15)) }, nil},
		{"a press", func(t float64) float64 {
			switch {
			case t < 10:
				return 0
			case t < 40:
				return fills(t - 10)
			}
			return vents(650e3, t-40)
		}, []moved{{rose, 10}, {fell, 40}}},
		{"a scale wrong by ten", func(t float64) float64 {
			switch {
			case t < 10:
				return 0
			case t < 40:
				return fills(t-10) / 10
			}
			return vents(65e3, t-40)
		}, []moved{{rose, 10}, {fell, 40}}},
		{"pressed again in the vent", func(t float64) float64 {
			switch {
			case t < 10:
				return 0
			case t < 30:
				return fills(t - 10)
			case t < 33:
				return vents(650e3, t-30)
			case t < 50:
				low := vents(650e3, 3)
				return low + (650e3-low)*(1-math.Exp(-(t-33)/1.5))
			}
			return vents(650e3, t-50)
		}, []moved{{rose, 10}, {fell, 30}, {rose, 33}, {fell, 50}}},
		{"the supply sags by a third in a minute", func(t float64) float64 {
			if t < 10 {
				return 0
			}
			return fills(t-10) * (1 - min(1, max(0, t-20)/60)/3)
		}, []moved{{rose, 10}}},
		{"bleeds down through the nozzle for minutes", func(t float64) float64 {
			switch {
			case t < 10:
				return 0
			case t < 20:
				return fills(t - 10)
			}
			return 650e3 * math.Exp(-(t-20)/50)
		}, []moved{{rose, 10}, {fell, 20}}},
		{"it rose out of sight", func(t float64) float64 {
			switch {
			case t < 9:
				return 0
			case t < 12:
				return math.NaN()
			case t < 40:
				return fills(t - 10)
			}
			return vents(650e3, t-40)
		}, []moved{{fell, 40}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(5, 5))
			var g gauge
			var got []moved
			start := si.InstantOf(time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC))
			for k := range 2200 {
				s := float64(k) / 10
				v := c.course(s)
				if math.IsNaN(v) {
					continue
				}
				turned := g.step(start.Add(time.Duration(s*1e9)), v+2.76e3*rng.NormFloat64()) // 0.2 % of 200 psi
				at := g.fell
				if turned == rose {
					at = g.rose
				}
				if turned != none {
					got = append(got, moved{turned, at.Sub(start).Seconds()})
				}
			}
			if c.want == nil && c.name != "rebound" && g.began != 0 {
				t.Error("the noise at rest is taken for a rise")
			}
			if len(got) != len(c.want) {
				t.Fatalf("moves %+v, want %+v", got, c.want)
			}
			for i := range got {
				late := 0.8
				if c.name == "bleeds down through the nozzle for minutes" {
					late = 5
				}
				if got[i].turn != c.want[i].turn || math.Abs(got[i].at-c.want[i].at) > late {
					t.Errorf("moves %+v, want %+v", got, c.want)
				}
			}
		})
	}
}
