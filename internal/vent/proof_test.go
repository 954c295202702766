package vent_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A gauge within its declared error that makes as much noise as R1 allows is not proven wrong by a shift at rest, though some of
// its 3 s means lie under -U; one that is wrong is, within half a minute.
func TestProofThroughNoise(t *testing.T) {
	const zero = 1.7 * si.KPa // declared
	for _, c := range []struct {
		name        string
		shows, wave float64 // Pa: mean, standard deviation
		rest        time.Duration
		wrong       bool
	}{
		{"at its declared error's end, quiet", -1.5 * si.KPa, 0.3 * si.KPa, 8 * time.Hour, false},
		{"well within, noisy", -1.0 * si.KPa, 1.0 * si.KPa, 8 * time.Hour, false},
		{"nearly right, as noisy as is allowed", -0.4 * si.KPa, 2.0 * si.KPa, 8 * time.Hour, false},
		{"wrong, no noise", -1.8 * si.KPa, 0, 4 * time.Second, true},
		{"wrong, noisy", -3.6 * si.KPa, 1.5 * si.KPa, 30 * time.Second, true},
		{"3 psi too low, as noisy as is allowed", -3 * si.PSI, 2.0 * si.KPa, 4 * time.Second, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			pot := gauged(vent.Gauge{ZeroError: zero})
			j := vent.NewJudge(pot, vent.Options{})
			r := rand.New(rand.NewPCG(7, 11))
			at, under := si.InstantOf(time.Date(2031, 4, 2, 6, 0, 0, 0, time.UTC)), 0
			var means [30]float64
			for i := range int(c.rest / (100 * time.Millisecond)) {
				v := c.shows + c.wave*r.NormFloat64()
				means[i%len(means)] = v
				j.Step(points.Sample{At: at.Add(time.Duration(i) * 100 * time.Millisecond), Point: points.Vessel, Quality: points.Good, Value: si.GaugePressure(v)})
				sum := 0.0
				for _, m := range means {
					sum += m / float64(len(means))
				}
				if i >= len(means) && sum < -float64(zero) {
					under++
				}
			}
			if j.Faulty() != c.wrong || c.wrong && under == 0 {
				t.Errorf("proven wrong: %v, want %v; %d means under", j.Faulty(), c.wrong, under)
			}
			if !c.wrong && c.wave > 0.5*si.KPa && under == 0 {
				t.Error("no mean of 3 s lay under -U: this tests nothing")
			}
		})
	}
}
