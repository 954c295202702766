package scenario_test

import (
	"math"
	"testing"

	"gritwatch/protocol/si"
)

// What an answer must not be fooled by, and the kinds of pots.
func TestHazards(t *testing.T) {
	for i, tt := range []struct {
		name    string
		seconds float64
		check   func(*record)
	}{
		{"rebound", 122, func(r *record) {
			low := least(r.stats(63, 80, point(V)))
			r.is("V at its lowest", low, -0.2, 0.3)
			r.is("V at the end of the rest", r.true(102, V), low+1, low+6)
			r.is("H", r.true(102, H), -0.1, 0.1)
		}},
		{"half-psi-then-more", 560, func(r *record) {
			for s := 82.0; s < 440; s += 40 {
				r.is("V trapped", r.true(s, V), 0.35, 1)
			}
			r.is("V later", r.true(522, V), 1.25, 2.2)
		}},
		{"half-psi-drift", 320, func(r *record) {
			r.is("V", r.true(200, V), -0.1, 0.1)
			r.is("its gauge", r.reads(200, V), 0.1, 0.9)
			r.is("V trapped", r.true(282, V), 1.2, 3.5)
		}},
		{"holds-pressure", 120, func(r *record) {
			for _, s := range []float64{30, 40, 70, 80} {
				r.is("V after a release", r.true(s, V), 100, 115)
				r.is("H after a release", r.true(s, H), -0.1, 0.5)
			}
			r.is("fall of V in ten seconds", r.true(70, V)-r.true(80, V), -0.3, 0.3)
			r.is("V after the blowdown", r.true(119, V), -0.1, 0.1)
			if e := r.at(110).Events; len(e) != 1 || e[0] != "blowdown" {
				r.t.Errorf("events %v", e)
			}
		}},
		{"holds-pressure-leaks", 120, func(r *record) {
			r.is("V sinks in a minute", r.true(90, V)-r.true(115, V), 2, 40)
		}},
		{"swapped-pair", 65, func(r *record) {
			r.is("H's gauge shows N", r.reads(60, H)-r.true(60, N), -0.6, 0.6)
			r.is("N's gauge shows H", r.reads(60, N)-r.true(60, H), -0.6, 0.6)
			r.is("before", r.reads(20, H)-r.true(20, H), -0.6, 0.6)
		}},
		{"swapped-vessel", 82, func(r *record) {
			r.is("V", r.true(80, V), -0.1, 0.1)
			r.is("its gauge", r.reads(80, V), 100, 125)
			r.is("P's gauge", r.reads(80, P), -0.6, 0.6)
		}},
		{"span-drift", 260, func(r *record) {
			r.is("at pressure", r.reads(250, V)/r.true(250, V), 0.89, 0.91)
			r.is("at zero", r.reads(240, V), -0.6, 0.6)
		}},
		{"plugged-port", 340, func(r *record) {
			r.is("in the first vent after", r.reads(65, V)-r.true(65, V), 5, 60)
			r.is("in a later vent", r.reads(190, V)-r.true(190, V), 20, 100)
			r.is("shut for good", r.reads(320, V)-r.reads(300, V), -0.6, 0.6)
		}},
		{"slow-gauge", 70, func(r *record) { r.is("in the vent", r.reads(65, V)-r.true(65, V), 5, 60) }},
		{"noisy", 240, func(r *record) {
			of := func(t truthRow) float64 { return psi(t, "vessel") }
			r.is("swing at rest", swing(r.stats(232, 239, of)), 6, 24) // 2 psi deviation
			r.is("swing at rest before", swing(r.stats(33, 42, of)), 0.2, 1)
		}},
		{"spikes", 160, func(r *record) {
			n := 0
			for _, row := range r.rows {
				if row.AtS > 43 && math.Abs(psi(row, "vessel")-vessel(row)) > 20 {
					n++
				}
			}
			r.is("spikes among 1170 rows", float64(n), 1, 20)
		}},
		{"weather-front", 480, func(r *record) { // a quarter of the way
			r.is("barometer", r.at(450).BaroPa, 101181-1481/4-5, 101181-1481/4+5) // 12 m: 1011.8 mbar
			mean, _, _ := r.stats(470, 480, func(t truthRow) float64 { return psi(t, "hose") - t.TruePa["hose"]/si.PSI })
			r.is("a gauge at rest", mean-101181/si.PSI, -0.08, -0.03) // 3.9 mbar are 0.057 psi
			r.is("air", r.at(450).AmbientK, 284.1, 284.2)
		}},
		{"nozzle-wears", 300, func(r *record) {
			l := r.at(300)
			r.is("bore grown, over that of the grit", (l.BoreM-5.0/16*si.Inch)/(l.SprayedKg/3000*si.Inch/16), 0.999, 1.001)
			r.is("abrasive kg", l.SprayedKg, 10, 40)
		}},
		{"wet-carry-over", 1300, func(r *record) {
			r.is("water past the separator in the first five minutes, kg", r.at(300).CarriedKg, 0, 0.2)
			r.is("in the last five", r.at(1300).CarriedKg-r.at(1000).CarriedKg, 0.15, 2)
			r.is("sump kg", r.at(1300).SumpKg, 1.5, 3)
			_, lo, hi := r.stats(1150, 1300, loading)
			r.is("swing of the loading", hi-lo, 0.4, 8)
			r.is("at first", swing(r.stats(100, 122, loading)), 0, 0.3)
		}},
		{"partial-refills", 700, func(r *record) {
			r.is("level after a refill", most(r.stats(400, 700, level)), 0.5, 0.99)
			r.is("level at its lowest", least(r.stats(60, 700, level)), 0.25, 0.36)
		}},
		{"full-to-empty", 600, func(r *record) {
			r.is("level at its highest", most(r.stats(60, 600, level)), 0.99, 1)
			r.is("level at its lowest", least(r.stats(60, 600, level)), 0, 0.03)
		}},
	} {
		if testing.Short() && i%4 > 0 {
			continue // some will do for the race detector
		}
		t.Run(tt.name, func(t *testing.T) {
			tt.check(log(t, tt.name, tt.seconds))
		})
	}
}
