package vent_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Presses and releases of a pot of which the vessel alone is measured (with and without its supply, which sags and
// cycles), against the handle that made them.
func TestInference(t *testing.T) {
	for _, supplied := range []bool{true, false} {
		for seed := range some(50) {
			rng := rand.New(rand.NewPCG(seed, 4))
			var i vent.Inference
			var late []time.Duration
			at, v, air := si.Instant(1_790_000_000_000_000), 0.0, 700e3
			pressed, changed := false, at
			said := false
			wrong := 0
			for k := range 6000 {
				at = at.Add(100 * time.Millisecond)
				if since := at.Sub(changed); pressed && since > 20*time.Second || !pressed && since > 15*time.Second {
					pressed, changed, said = !pressed, at, false
				}
				air = 690e3 + 25e3*math.Sin(float64(k)/80) // the compressor cycles
				if pressed {
					v += (air - 20e3 - v) * 0.1 / 1.2
				} else {
					v -= v * 0.1 / 2
				}
				sample := func(p points.Point, x float64) {
					i.Step(points.Sample{Point: p, Quality: points.Good, At: at, Value: si.GaugePressure(x + 1.4e3*rng.NormFloat64())})
				}
				if supplied {
					sample(points.Supply, air)
				}
				sample(points.Vessel, v)
				h := i.Handle()
				switch {
				case h.Known && h.Pressed == pressed && !said:
					said = true
					if k > 300 {
						late = append(late, at.Sub(changed))
						if d := h.Since.Sub(changed); d < -700*time.Millisecond || d > 500*time.Millisecond {
							t.Errorf("seed %d: says it began %v after it did", seed, d)
						}
					}
				case said && h.Pressed != pressed:
					wrong++
				}
				if h.Known && !h.Inferred {
					t.Fatal("not called inferred")
				}
			}
			if wrong > 0 {
				t.Errorf("seed %d, supply %v: %d samples wrong", seed, supplied, wrong)
			}
			if len(late) < 25 {
				t.Errorf("seed %d: %d changes told", seed, len(late))
			}
			for _, d := range late {
				if d > 800*time.Millisecond {
					t.Errorf("seed %d: told after %v", seed, d)
				}
			}
		}
	}
}

// A supply that sags takes the vessel with it; that is no release.
func TestInferenceOfASag(t *testing.T) {
	var i vent.Inference
	at := si.Instant(1_790_000_000_000_000)
	step := func(air, v float64) {
		at = at.Add(100 * time.Millisecond)
		i.Step(points.Sample{Point: points.Supply, Quality: points.Good, At: at, Value: si.GaugePressure(air)})
		i.Step(points.Sample{Point: points.Vessel, Quality: points.Good, At: at, Value: si.GaugePressure(v)})
	}
	for range 30 {
		step(700e3, 0)
	}
	for range 100 {
		step(700e3, 680e3)
	}
	for k := range 50 {
		step(700e3-4e3*float64(k), 680e3-4e3*float64(k))
	}
	if h := i.Handle(); !h.Pressed {
		t.Errorf("a sag is taken for a release: %+v", h)
	}
}
