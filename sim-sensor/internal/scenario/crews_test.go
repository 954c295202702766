package scenario_test

import (
	"reflect"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/sim-sensor/internal/scenario"
)

// Every seed of a family is a site that can be played, and no two are alike.
func TestFamilies(t *testing.T) {
	for _, name := range []string{scenario.Crews, scenario.Troubled, scenario.Shut} {
		var volumes, nozzles, lengths, rates, holds, electric, missing = map[float64]bool{}, map[float64]bool{}, map[float64]bool{}, map[float64]bool{}, 0, 0, 0
		for seed := range uint64(24) {
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
		if len(volumes) < 4 || len(nozzles) < 6 || len(lengths) < 5 || len(rates) < 6 || holds < 4 || electric < 6 || missing < 24 {
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
