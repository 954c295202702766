package potparams_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/potparams"
)

// All that a file can say of a pot reaches what follows it: baselines as absolute pressures of the pot's own ambient, 1013 mbar.
func TestFollower(t *testing.T) {
	p, err := potfile.ParsePot("pot.yaml", []byte(potfile.Reference))
	if err != nil {
		t.Fatal(err)
	}
	f := potparams.Follower(p, 0)
	b := f.Out.Baseline
	if b.Laden.How != baseline.Commissioned || b.Air.How != baseline.Commissioned || b.Provisional() || b.Laden.Seconds != 0 {
		t.Fatalf("%+v", b)
	}
	if want := 109.2*6894.757293168 + 101300; math.Abs(b.Laden.P[points.Vessel]-want) > 1e-6 {
		t.Errorf("vessel %v, want %v", b.Laden.P[points.Vessel], want)
	}
	if at := b.Laden.At.Time(); !at.Equal(time.Date(2026, 5, 4, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("measured at %v", at)
	}
	// A steady blast of the pressures written down is a blast without losses over the baseline.
	at := si.Instant(1_900_000_000_000_000)
	for i := range 600 {
		now := at.Add(time.Duration(i) * 100 * time.Millisecond)
		for pt := points.Supply; pt <= points.Control; pt++ {
			s := points.Sample{Point: pt, Quality: points.Good, At: now, Value: 110 * si.PSI}
			switch {
			case pt <= points.Nozzle:
				s.Value = p.Baselines.Blasting.P[pt]
			case i < 20:
				s.Value = 0
			}
			if z := p.Gauges[pt].Zero; z != nil {
				s.Value += si.GaugePressure(z.Offset)
			}
			f.Step(s)
		}
	}
	o := f.Out.Losses
	if !o.Account || math.Abs(float64(o.Fall)) > 1 || math.Abs(float64(o.Sag)) > 1 {
		t.Errorf("%v: %+v", f.Out.State, o)
	}
	for s := range o.Resistance {
		if math.Abs(float64(o.Resistance[s])-1) > 1e-3 {
			t.Errorf("%v: %v", points.Segment(s), o.Resistance[s])
		}
	}
	if c := f.Out.Condensate; !c.Known || !(c.Water > 0) {
		t.Errorf("condensate %+v", c)
	}
	bare, err := potfile.ParsePot("pot.yaml", []byte("name: a\nvessel: {volume: 6.5 ft3, rated: 150 psi}\nhose: {bore: 1 in, length: 50 ft}\nnozzle: {bore: 3/8 in}\npoints: [vessel]\n"))
	if err != nil {
		t.Fatal(err)
	}
	if b := potparams.Baseline(bare); b != (baseline.Set{}) {
		t.Errorf("a baseline of nothing: %+v", b)
	}
}
