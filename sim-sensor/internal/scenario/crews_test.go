package scenario_test

import (
	"math"
	"reflect"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/scenario"
)

// Every seed of a family is a site that can be played, and no two are alike.
func TestFamilies(t *testing.T) {
	for _, name := range []string{scenario.Crews, scenario.Troubled, scenario.Shut, scenario.Short, scenario.GaugeFaults} {
		var volumes, nozzles, lengths, rates, holds, electric, missing = map[float64]bool{}, map[float64]bool{}, map[float64]bool{}, map[float64]bool{}, 0, 0, 0
		seeds := uint64(24)
		if testing.Short() { // will do for the race detector
			seeds = 4
		}
		for seed := range seeds {
			s, err := scenario.Seeded(name, seed)
			if err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			rates[s.Rate] = true
			for _, p := range s.Pots {
				volumes[float64(p.Vessel.Volume)], nozzles[float64(p.Nozzle.Bore)], lengths[float64(p.Hose.Length)] = true, true, true
				if p.Vessel.HoldsPressure {
					holds++
				}
				if p.Control.Electric {
					electric++
				}
				for _, pt := range points.All() {
					if !p.Points.Has(pt) {
						missing++
					}
				}
			}
			if seed%10 > 0 {
				continue
			}
			again, err := scenario.Seeded(name, seed)
			if err != nil || !reflect.DeepEqual(s, again) {
				t.Errorf("seed %d is not the same twice: %v", seed, err)
			}
			w, err := scenario.NewWorld(s)
			if err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			for w.At() < 10*time.Second {
				w.Step()
			}
		}
		wantRates := 6
		if name == scenario.GaugeFaults {
			wantRates = 3
		}
		if !testing.Short() && (len(volumes) < 4 || len(nozzles) < 6 || len(lengths) < 5 || len(rates) < wantRates || holds < 4 || electric < 6 || missing < 24) {
			t.Errorf("%s: %d volumes, %d nozzles, %d lengths, %d rates, %d hold their pressure, %d are electric, %d points are missing",
				name, len(volumes), len(nozzles), len(lengths), len(rates), holds, electric, missing)
		}
	}
	if s, err := scenario.Seeded("healthy", 9); err != nil || s.Seed != 9 {
		t.Errorf("%+v, %v", s, err)
	}
	if _, err := scenario.Seeded("snow", 9); err == nil {
		t.Error("an unknown scenario is drawn")
	}
}

// Every pot of gauge-faults has one fault of one gauge and no other, all kinds come, and the truth says which gauge, which
// fault and how large it is: what the gauge shows of no pressure is the drift within the error that it had before.
func TestGaugeFaults(t *testing.T) {
	kinds := map[string]int{}
	seeds := uint64(4)
	if testing.Short() { // one will do for the race detector
		seeds = 1
	}
	for seed := uint64(5); seed < 5+seeds; seed++ {
		s, err := scenario.Seeded(scenario.GaugeFaults, seed)
		if err != nil {
			t.Fatal(err)
		}
		if s.Rate < 5 || s.Rate > 20 {
			t.Errorf("seed %d: %g Hz", seed, s.Rate)
		}
		w, err := scenario.NewWorld(s)
		if err != nil {
			t.Fatal(err)
		}
		for w.At() < 420*time.Second { // the latest fault has come at 400 s
			w.Step()
		}
		for i, row := range w.Truth() {
			if len(row.Faults) != 1 || len(row.Gauges) != 1 {
				t.Fatalf("seed %d %s: %v, %v", seed, row.Pot, row.Faults, row.Gauges)
			}
			g := row.Gauges[0]
			kinds[g.Fault]++
			if pt, err := points.Parse(g.Point); err != nil || !s.Pots[i].Points.Has(pt) || pt == points.Control {
				t.Errorf("seed %d %s: %+v, %v", seed, row.Pot, g, err)
			}
			e := &s.Pots[i].Script.Events[0]
			grown := float64(w.At()-e.At) / float64(max(1, e.Over))
			drift := float64(e.Gauge.Fault.Drift) * min(1, grown)
			if off := math.Abs(g.ZeroPa - drift); g.Fault == "drift" && (off > 0.2*si.PSI+0.1 || math.Abs(drift) < 0.08*si.PSI) {
				t.Errorf("seed %d %s: %+v after a drift of %g Pa", seed, row.Pot, g, drift)
			}
			if g.Fault == "port" && !(g.LagS >= 0.1 && g.LagS <= 3) || g.Fault == "swapped" && (g.With == "" || g.With == g.Point) {
				t.Errorf("seed %d %s: %+v", seed, row.Pot, g)
			}
		}
	}
	if testing.Short() {
		return
	}
	for _, kind := range []string{"stuck", "port", "drift", "swapped"} {
		if kinds[kind] < 2 {
			t.Errorf("of 12 pots %v", kinds)
		}
	}
	if len(kinds) != 4 {
		t.Errorf("of 12 pots %v", kinds)
	}
}

// Short cycles are short, and nothing is ever wrong.
func TestShortCycles(t *testing.T) {
	s, err := scenario.Seeded(scenario.Short, 3)
	if err != nil {
		t.Fatal(err)
	}
	w, err := scenario.NewWorld(s)
	if err != nil {
		t.Fatal(err)
	}
	releases, pressed := 0, make([]bool, len(s.Pots))
	long := 10 * time.Minute
	if testing.Short() { // will do for the race detector
		long = 4 * time.Minute
	}
	for w.At() < long {
		for range 10 {
			w.Step()
		}
		for i, row := range w.Truth() {
			if len(row.Faults) > 0 || row.Gauges != nil {
				t.Fatalf("%v: %v", w.At(), row.Faults)
			}
			if pressed[i] && !row.Pressed {
				releases++
			}
			pressed[i] = row.Pressed
		}
	}
	if each := long.Seconds() * float64(len(s.Pots)) / float64(releases); !(each < 75) {
		t.Errorf("%d releases, one every %.0f s", releases, each)
	}
}
