package records

import (
	"testing"
	"time"
)

// What a cycle used is kept, and a late cycle that takes an incomplete one's place brings its own.
func TestCycleKeepsAbrasive(t *testing.T) {
	s, _ := opened(t, t.TempDir())
	first := cycleOf("alder", time.Hour)
	first.Abrasive, first.Incomplete = 12.5, true
	second := first
	second.Abrasive, second.Incomplete, second.Late = 59, false, true
	must(t, s.AddCycle(first))
	p := got[Page[Cycle]](t)(s.Cycles(t.Context(), Query{Pot: "alder"}))
	if len(p.Items) != 1 || p.Items[0].Abrasive != 12.5 {
		t.Fatalf("%+v", p.Items)
	}
	must(t, s.AddCycle(second))
	p = got[Page[Cycle]](t)(s.Cycles(t.Context(), Query{Pot: "alder"}))
	if len(p.Items) != 1 || p.Items[0].Abrasive != 59 {
		t.Errorf("%+v", p.Items)
	}
}

// One id for one thing at one instant, as ids of records are.
func TestSameID(t *testing.T) {
	a := SameID(begin, "refill alder")
	if !isID(a) || a != SameID(begin, "refill alder") || a == SameID(begin, "refill birch") || a == SameID(begin+1, "refill alder") {
		t.Errorf("%s", a)
	}
	if NewID(begin.Add(time.Second)) < a || NewID(begin.Add(-time.Second)) > a {
		t.Error("it does not stand in the order of time")
	}
}
