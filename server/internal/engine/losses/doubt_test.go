package losses_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/losses"
)

// gusty is a second of a rig whose mix comes in gusts and whose gauges make noise.
func (g *rig) gusty(l *losses.Losses, rng *rand.Rand) {
	mu := g.mu
	g.mu *= math.Exp(0.15 * rng.NormFloat64())
	s := g.second()
	g.mu = mu
	for pt := points.Supply; pt <= points.Nozzle; pt++ {
		if g.has.Has(pt) {
			s.P[pt] += 300 * rng.NormFloat64()
			s.PP[pt] = s.P[pt] * s.P[pt]
		}
	}
	l.Step(&s, losses.Aside{})
}

// What is said to be the doubt is one: four of five parts are no farther from the truth than 1.2816 deviations of a normal distribution, or nearly, while the hose
// kinks slowly, the nozzle wears and the separator clogs; and no part is said to be much less sure than it is. The truth is the rig's own, split by the logarithmic mean of the two drops (Carlson, American
// Mathematical Monthly 79, 1972, 615).
func TestDoubtIsOne(t *testing.T) {
	var within, n [points.SegmentCount]int
	for seed := range uint64(10) {
		rng := rand.New(rand.NewPCG(seed, 1))
		g := newRig(all)
		l := losses.New(params(all))
		for range 400 {
			g.gusty(l, rng)
		}
		then, was := g.pressures(), g.r
		kink, wear, clog := 0.4*rng.Float64(), 0.02*rng.Float64(), 0.8*rng.Float64()
		for i := range 1800 {
			g.r[points.HoseSegment] *= math.Exp(kink / 1800)
			g.r[points.SeparatorSegment] *= math.Exp(clog / 1800)
			g.bore *= math.Exp(wear / 1800)
			g.gusty(l, rng)
			if i%60 != 59 {
				continue
			}
			o, d, now := l.Estimate(), l.Doubt(), g.pressures()
			for s := range o.Parts {
				a, b := now[s]-now[s+1], then[s]-then[s+1]
				off := math.Abs(float64(o.Parts[s].Resistance) - (a-b)/math.Log(a/b)*math.Log(g.r[s]/was[s]))
				if n[s]++; off <= 1.2816*float64(d[s]) {
					within[s]++
				}
				if d[s] <= 0 || d[s] > 3*si.PSI {
					t.Fatalf("%v is off by %.2f psi, and said to be by %.2f", points.Segment(s), off/si.PSI, psi(d[s]))
				}
			}
		}
	}
	for s := range n {
		if share := float64(within[s]) / float64(n[s]); share < 0.7 {
			t.Errorf("%v: %.2f of %d parts are within what is said", points.Segment(s), share, n[s])
		} else {
			t.Logf("%v: %.2f of %d parts are within what is said", points.Segment(s), share, n[s])
		}
	}
}

// Without a nozzle point the mix is known by the flow alone, and what lies behind the vessel is told worse; the hose's part is not told, nor how far it is off. While nothing is
// split, nothing is off.
func TestDoubtOfFewer(t *testing.T) {
	few := all &^ points.SetOf(points.Nozzle)
	g, l := healthy(few)
	g.r[points.MixingSegment] *= 1.5
	g.blast(l, 60, losses.Aside{})
	d := l.Doubt()
	if !(d[points.MixingSegment] > 2*d[points.ValveSegment]) || !(d[points.ValveSegment] > 0) || d[points.HoseSegment] != 0 {
		t.Errorf("%v", d)
	}
	if d := losses.New(params(all)).Doubt(); d != (losses.Doubt{}) {
		t.Errorf("of nothing: %v", d)
	}
	// It is as it was after a restart.
	g, l = healthy(all)
	g.r[points.HoseSegment] *= 1.2
	g.blast(l, 300, losses.Aside{})
	restored := losses.New(params(all))
	if err := restored.SetState(l.AppendState(nil)); err != nil {
		t.Fatal(err)
	}
	if got, want := restored.Doubt(), l.Doubt(); got != want || want[points.HoseSegment] == 0 {
		t.Errorf("restored: %v, want %v", got, want)
	}
}
