package transducer_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/transducer"
)

const dt = 10 * time.Millisecond

var ideal = transducer.Spec{Hi: 200 * si.PSI}

func build(t *testing.T, s transducer.Spec) *transducer.Transducer {
	t.Helper()
	tr, err := transducer.New(s, 7)
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func hold(tr *transducer.Transducer, d time.Duration, truth float64, f transducer.Fault) float64 {
	for at := time.Duration(0); at < d; at += dt {
		tr.Step(dt, si.GaugePressure(truth*si.PSI), f)
	}
	return tr.Output().Value.PSI()
}

func near(t *testing.T, what string, got, want, abs float64) {
	t.Helper()
	if !(math.Abs(got-want) <= abs) {
		t.Errorf("%s = %v, want %v within %v", what, got, want, abs)
	}
}

// 4 to 20 mA over 0 to 200 psi: 12 mA is the middle. A module of 0..27648 counts for 0..20 mA shows 5529.6 at 4 mA
// and 16588.8 at 12 mA, by proportion.
func TestLoop(t *testing.T) {
	m := transducer.Module{CountHi: 27648, CurrentHi: 20e-3}
	for _, tt := range []struct {
		psi, mA float64
		counts  int16
	}{{0, 4, 5530}, {100, 12, 16589}, {200, 20, 27648}, {-50, 3.8, 5253}, {260, 20.5, 28339}} {
		tr := build(t, ideal)
		hold(tr, dt, tt.psi, transducer.Fault{})
		out := tr.Output()
		near(t, "value", out.Value.PSI(), tt.psi, 1e-9) // a digital output is not cut
		near(t, "current", float64(out.Current)*1e3, tt.mA, 1e-9)
		if got := int16(math.Round(m.Counts(out.Current))); got != tt.counts {
			t.Errorf("%v psi gives %d counts, want %d", tt.psi, got, tt.counts)
		}
	}
	if got := m.Counts(40e-3); math.Abs(got-2*27648) > 1e-6 { // nothing is limited
		t.Errorf("40 mA gives %v counts", got)
	}
}

// A first-order lag has done 63.2 % of a step after one time constant.
func TestLag(t *testing.T) {
	s := ideal
	s.Lag = 100 * time.Millisecond
	tr := build(t, s)
	hold(tr, time.Second, 0, transducer.Fault{})
	near(t, "after one time constant", hold(tr, 100*time.Millisecond, 100, transducer.Fault{}), 63.212, 0.001)
	near(t, "after ten", hold(tr, time.Second, 100, transducer.Fault{}), 100, 0.01)
}

func TestNoiseAndResolution(t *testing.T) {
	s := ideal
	s.Noise = 0.001
	tr := build(t, s)
	var sum, squares float64
	const n = 20000
	for range n {
		v := hold(tr, dt, 50, transducer.Fault{}) - 50
		sum += v
		squares += v * v
	}
	near(t, "mean", sum/n, 0, 4*0.2/math.Sqrt(n)) // four standard errors
	near(t, "deviation", math.Sqrt(squares/n), 0.2, 4*0.2/math.Sqrt(2*n))

	s = ideal
	s.Resolution = 0.01 // 2 psi
	near(t, "quantised", hold(build(t, s), dt, 50.9, transducer.Fault{}), 50, 1e-9)
	near(t, "quantised up", hold(build(t, s), dt, 51.1, transducer.Fault{}), 52, 1e-9)
}

func TestKinds(t *testing.T) {
	s := ideal
	s.Against = si.PressureDrop(si.StandardAtmosphere)
	near(t, "absolute", hold(build(t, s), dt, 0, transducer.Fault{}), 14.6959, 1e-4) // psia of the standard atmosphere
}

func TestFaults(t *testing.T) {
	tr := build(t, ideal)
	near(t, "drift", hold(tr, dt, 100, transducer.Fault{Drift: -3 * si.PSI}), 97, 1e-9)
	near(t, "gain", hold(tr, dt, 100, transducer.Fault{Gain: 0.1}), 10, 1e-9)
	near(t, "healthy again", hold(tr, dt, 100, transducer.Fault{}), 100, 1e-9)
	near(t, "stuck", hold(tr, time.Second, 0, transducer.Fault{Stuck: true}), 100, 1e-9)
	near(t, "free", hold(tr, dt, 0, transducer.Fault{}), 0, 1e-9)

	hold(tr, dt, 80, transducer.Fault{})
	shut := transducer.Fault{Isolated: true}
	hold(tr, dt, 80, shut)
	near(t, "trapped behind the isolation valve", hold(tr, 5*time.Second, 0, shut), 80, 1e-9)
	shut.Leak = 2 * time.Second
	near(t, "leaking", hold(tr, 2*time.Second, 100, shut), 80/math.E, 0.01)
	near(t, "valve open", hold(tr, dt, 100, transducer.Fault{}), 100, 1e-9)

	near(t, "driven", hold(tr, dt, 100, transducer.Fault{Driven: true, Current: 21.6e-3}), 220, 1e-9)
	near(t, "driven loop", float64(tr.Output().Current), 21.6e-3, 0)
	if v := hold(tr, dt, 100, transducer.Fault{Failed: true}); !math.IsNaN(v) || tr.Output().Current != 0 || tr.Output().Silent {
		t.Errorf("failed: %+v", tr.Output())
	}
	if v := hold(tr, dt, 100, transducer.Fault{Unplugged: true}); !math.IsNaN(v) || tr.Output().Current != 0 || !tr.Output().Silent {
		t.Errorf("unplugged: %+v", tr.Output())
	}
	near(t, "plugged in again", hold(tr, dt, 100, transducer.Fault{}), 100, 1e-9)
}

// A plugged port and a slow gauge are first-order lags as well; a span error grows with the reading; spikes are as many and
// as high as said, both ways, and leave the readings between them alone.
func TestMoreFaults(t *testing.T) {
	tr := build(t, ideal)
	near(t, "at rest", hold(tr, time.Second, 0, transducer.Fault{}), 0, 1e-9)
	near(t, "behind a plugged port", hold(tr, 5*time.Second, 100, transducer.Fault{Port: 5 * time.Second}), 63.212, 0.001)
	near(t, "clean again", hold(tr, dt, 100, transducer.Fault{}), 100, 1e-9)
	near(t, "slow", hold(tr, time.Second, 0, transducer.Fault{Lag: time.Second}), 36.788, 0.001)
	near(t, "span", hold(tr, dt, 100, transducer.Fault{Span: 0.02}), 102, 1e-9)
	near(t, "span at zero", hold(tr, dt, 0, transducer.Fault{Span: 0.02}), 0, 1e-9)

	var squares float64
	const n = 20000
	for range n {
		v := hold(tr, dt, 50, transducer.Fault{Noise: 0.01}) - 50
		squares += v * v
	}
	near(t, "noise", math.Sqrt(squares/n), 2, 4*2/math.Sqrt(2*n)) // four standard errors

	up, down := 0, 0
	for range n {
		switch v := hold(tr, dt, 50, transducer.Fault{Spikes: 0.02, Spike: 20 * si.PSI}); {
		case math.Abs(v-70) < 1e-9:
			up++
		case math.Abs(v-30) < 1e-9:
			down++
		case math.Abs(v-50) > 1e-9:
			t.Fatalf("reads %v", v)
		}
	}
	near(t, "spikes", float64(up+down), 0.02*n, 4*math.Sqrt(0.02*n))
	near(t, "spikes up", float64(up), 0.01*n, 4*math.Sqrt(0.01*n))
}

// A fault must not shift the noise of the readings after it, or two scenarios could not be compared.
func TestFaultKeepsNoise(t *testing.T) {
	s := ideal
	s.Noise = 0.001
	a, b := build(t, s), build(t, s)
	hold(a, time.Second, 50, transducer.Fault{})
	hold(b, time.Second, 50, transducer.Fault{Stuck: true})
	hold(a, time.Second, 50, transducer.Fault{})
	hold(b, time.Second, 50, transducer.Fault{Spikes: 0.1, Spike: 9e4})
	if x, y := hold(a, dt, 50, transducer.Fault{}), hold(b, dt, 50, transducer.Fault{}); x != y {
		t.Errorf("%v and %v", x, y)
	}
}

func TestRefused(t *testing.T) {
	for _, s := range []transducer.Spec{{}, {Lo: 2, Hi: 1}, {Hi: 1, Noise: -1}, {Hi: 1, Lag: -1}} {
		if _, err := transducer.New(s, 1); err == nil {
			t.Errorf("%+v: no error", s)
		}
	}
}

// Every gauge has an error of its own, which is no fault.
func TestHealthyErrors(t *testing.T) {
	s := ideal
	s.Zero, s.Span = 0.2*si.PSI, -0.001
	tr := build(t, s)
	near(t, "at zero", hold(tr, dt, 0, transducer.Fault{}), 0.2, 1e-9)
	near(t, "at 100 psi", hold(tr, dt, 100, transducer.Fault{}), 100.1, 1e-9)
}
