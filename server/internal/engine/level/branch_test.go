package level

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/stroke"
)

// Two resistances in parallel, of square law: 1/sqrt(r) adds up (Crane, Technical Paper 410).
func parallel(a, b float64) float64 { return 1 / square(1/math.Sqrt(a)+1/math.Sqrt(b)) }

// Whatever the line of a pot loses and its gauges' spans are off, vents with abrasive in the valve teach enough of it to tell an open valve from a shut one by the law of
// parallel resistances: rightly by far most times, wrongly hardly ever, and never by more than is allowed.
func TestBranch(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	right, wrong, all := 0, 0, 0
	for range 300 {
		b := newBranch()
		loss, off := 0.08+0.1*rng.Float64(), 0.003*(2*rng.Float64()-1)
		shows := func(q, held, loss float64) seen {
			return seen{loss: off + loss*q*math.Abs(q) + 0.001*rng.NormFloat64(), leaves: q, held: held, doubt: 0.02}
		}
		for range 20 {
			held := 0.15 + 0.2*rng.Float64()
			s := shows(0.8-held, held, loss)
			if b.n < branchVents && b.told(&s) != 1 {
				t.Fatal("told before it was learned")
			}
			b.learn(&s)
		}
		// The valve loses up to three times what the line does.
		for _, open := range []bool{false, true} {
			r := loss
			if open {
				r = parallel(loss, loss*(1+2*rng.Float64()))
			}
			s := shows(0.8, 0, r)
			like := b.told(&s)
			if like < 1/branchMost || like > branchMost {
				t.Fatalf("%v times likelier", like)
			}
			all++
			switch {
			case open && like > 3, !open && like < 1.0/3:
				right++
			case open && like < 1.0/3, !open && like > 3:
				wrong++
			}
			if s.leaves = leastLeaves / 2; b.told(&s) != 1 {
				t.Fatal("told by a vent in which hardly anything leaves the vessel")
			}
		}
	}
	if right < all*85/100 || wrong > all/100 {
		t.Errorf("of %d vents %d told right, %d wrong", all, right, wrong)
	}
}

// A pot of which it has told wrongly is left alone, and one whose level is known until it has told rightly.
func TestBranchProven(t *testing.T) {
	b := newBranch()
	var at [points.Count]float64
	at[points.Vessel], at[points.Hose] = 102e3, 101e3
	b.rest(points.SetOf(points.Vessel, points.Hose), &at)
	if b.zero != 1e3 || b.rests != 1 {
		t.Fatalf("%+v", b)
	}
	b.n, b.p = branchVents, [branchStates][branchStates]float64{} // it is sure of what it knows
	shut := seen{loss: branchUsual * 0.64, leaves: 0.8}
	if like := b.stop(&shut, true); like != 1 || b.last > 0.2 {
		t.Errorf("level known: %v, %v", like, b.last)
	}
	b.proven(Blocked)
	if like := b.stop(&shut, true); like > 0.2 {
		t.Errorf("level known, told rightly before: %v", like)
	}
	b.proven(Empty)
	b.stop(&shut, false)
	b.proven(Empty)
	if like := b.stop(&shut, false); like != 1 || b.right != -1 {
		t.Errorf("told wrongly before: %v, %d", like, b.right)
	}
	b.proven(Blocked)
	if b.last != 0 || b.right != 0 {
		t.Errorf("%+v", b)
	}
	b.proven(Blocked)
	if b.right != 0 {
		t.Error("a stop that it told nothing of")
	}
}

// Clean air in a hose of 12 l whose pressure falls by a tenth a second gives V/(R T) dp/dt of what the nozzle passes (law of ideal gases), so much less leaves the vessel; the piping's
// 3 l likewise. What the vessel's gauge shows at rest over the hose point's is no loss. Before rests have shown it nothing is told.
func TestBranchSees(t *testing.T) {
	p := Params{Points: points.SetOf(points.Vessel, points.Hose, points.Nozzle), Volume: 0.18, Nozzle: 0.0095, HoseBore: 0.032, HoseLength: 15, Target: 700e3, Ambient: si.StandardAtmosphere}
	m := newMeter(p)
	const pn, falls = 450e3, 0.1
	flow, err := airflow.Nozzle{Area: si.CircleArea(p.Nozzle), Coefficient: 1}.MassFlow(pn, si.StandardAtmosphere, room)
	if err != nil {
		t.Fatal(err)
	}
	ph := pn * math.Sqrt(1+m.hose)
	hose := float64(si.CircleArea(p.HoseBore)) * 15
	stored := falls * hose * (ph + pn) / 2 / (airflow.GasConstant * room) / float64(flow)
	piping := falls * 3e-3 * (ph + pn) / 2 / (airflow.GasConstant * room) / float64(flow)
	v := stroke.Vent{Bleeds: 20, Over: pn, Fall: falls, Bleed: 0.05, Hose: m.hose * square(1-stored/2)}
	b := newBranch()
	if _, ok := b.sees(&m, &v); ok {
		t.Error("told without a rest")
	}
	var at [points.Count]float64
	at[points.Vessel], at[points.Hose] = 102e3, 101e3
	for range branchRests {
		b.rest(p.Points, &at)
	}
	s, ok := b.sees(&m, &v)
	if want := 1 - stored - piping; !ok || math.Abs(s.leaves-want) > 0.01 || s.held > 0.01 {
		t.Errorf("%+v, want %.3f to leave", s, want)
	}
	if want := 0.05 - 2*1e3/pn; math.Abs(s.loss-want) > 1e-9 {
		t.Errorf("loss %v, want %v", s.loss, want)
	}
	v.Bleeds = 0
	if _, ok := b.sees(&m, &v); ok {
		t.Error("told by a vent that shows nothing")
	}
}

// Of a vent that was not timed, as readings are missing, what it has shown of the branch before still tells the cause: of even odds it makes the ones that it tells, and nothing
// of odds that stay near even.
func TestVentNotTimed(t *testing.T) {
	for _, c := range []struct {
		left float64 // of the line's resistance
		want Stop
	}{{1, Blocked}, {0.4, Empty}, {0, Undecided}} {
		p := Params{Points: points.SetOf(points.Vessel, points.Hose, points.Nozzle), Volume: 0.18, Nozzle: 0.0095, HoseBore: 0.032, HoseLength: 15, Target: 700e3, Ambient: si.StandardAtmosphere}
		f := New(p)
		f.est.Refills, f.est.Stop, f.est.StopSince, f.meter.stopped = 1, Undecided, someday, 8
		f.carried = 1 // nothing is known of how the stream ended
		f.b.forget(iShare, 0.25, 0.06)
		if odds := f.ranDry() / (1 - f.ranDry()); odds < 1/unlearned || odds > unlearned {
			t.Fatalf("before the vent %v to 1", odds)
		}
		f.branch.n, f.branch.p, f.branch.rests = branchVents, [branchStates][branchStates]float64{}, branchRests
		v := stroke.Vent{At: someday, Blast: time.Minute, Bleeds: 15, Over: 450e3, Fall: 0.1, Hose: f.meter.hose}
		s, ok := f.branch.sees(&f.meter, &v)
		if !ok {
			t.Fatal("the vent shows nothing")
		}
		v.Bleed = c.left * branchUsual * square(s.leaves)
		if c.left == 0 {
			v.Bleeds = 0 // it shows nothing
		}
		if f.Vent(&v); f.est.Stop != c.want || f.est.StopSince != someday {
			t.Errorf("%v of the resistance left: %v since %v", c.left, f.est.Stop, f.est.StopSince)
		}
	}
}
