package config_test

import (
	"errors"
	"math"
	"testing"

	"gritwatch/agent/internal/config"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
)

// Whatever a file holds, it is refused with lines that say where, or what is taken can be read: addresses that exist,
// scales that are numbers and rise, and for a vessel a gauge that can show a failure, over-pressure and zero.
func FuzzParse(f *testing.F) {
	f.Add([]byte(small))
	f.Add([]byte(config.Reference))
	f.Add([]byte(one("input: 7, type: int32, order: low-first, bytes: low-first, unit: bar, scale: 0.001, range: -1..20 bar", "{vessel: {kind: sealed}}", "")))
	f.Add([]byte(electric("coil: 3, inverse: true")))
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := config.Parse("agent.yaml", text)
		if err != nil {
			var ye *yamlfile.Error
			if !errors.As(err, &ye) || len(ye.Problems) == 0 {
				t.Fatalf("%v says no place", err)
			}
			return
		}
		rated := make(map[string]float64)
		for _, p := range c.Pots {
			rated[p.Name] = float64(p.Vessel.Rated)
		}
		for _, b := range c.Buses {
			for _, u := range b.Units {
				for _, r := range u.Read {
					if u.Unit < modbus.MinUnit || u.Unit > modbus.MaxUnit || int(r.Address)+r.Type.Size() > 1<<16 || rated[r.Pot] <= 0 {
						t.Fatalf("taken: unit %d, %+v", u.Unit, r)
					}
					checkTaken(t, r, rated[r.Pot])
				}
			}
		}
	})
}

func checkTaken(t *testing.T, r config.Read, rated float64) {
	t.Helper()
	s := r.Scale
	least, most := r.Type.Counts()
	switch {
	case r.Type == config.Discrete:
		if !r.Function.Bits() || r.Point != points.Control || r.LowFirst || r.BytesLow {
			t.Fatalf("a switch: %+v", r)
		}
		return
	case r.Function.Bits() || r.Inverse || r.LowFirst && r.Type.Size() == 1:
		t.Fatalf("a switch and a register: %+v", r)
	case s.PerUnit == 0 && (s.CountHi <= s.CountLo || s.Hi <= s.Lo || r.Type == config.Float32 || int64(s.CountLo) < least || int64(s.CountHi) > most):
		t.Fatalf("counts: %+v", r)
	case !(s.PerUnit >= 0) || math.IsInf(s.PerUnit, 0):
		t.Fatalf("a scale that is no number: %+v", r)
	}
	if r.Point != points.Vessel {
		return
	}
	if s.PerUnit == 0 && float64(s.Current(float64(least))) > 3.6e-3 {
		t.Fatalf("a dead-zero input: %+v", r)
	}
	if end := float64(s.Gauge(s.Hi)) / rated; s.Lo != 0 || s.Hi != 0 {
		if end < 1.1-1e-6 || end > 3+1e-6 {
			t.Fatalf("a range that ends at %v times the rating: %+v", end, r)
		}
	}
}
