package records

import (
	"slices"
	"testing"
	"time"

	"gritwatch/protocol/si"
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

// What a pot used is summed up by the hour of the press; what is not known of a press is counted, and is in no sum.
func TestAbrasiveUsed(t *testing.T) {
	s, _ := opened(t, t.TempDir())
	add := func(pot string, after, blast time.Duration, used si.Mass) {
		c := cycleOf(pot, after)
		c.Release, c.Ended, c.Abrasive = c.Press.Add(blast), c.Press.Add(blast+8*time.Second), used
		must(t, s.AddCycle(c))
	}
	add("alder", 59*time.Minute, 10*time.Minute, 50) // goes on into the next hour
	add("alder", 80*time.Minute, 5*time.Minute, 20.5)
	add("alder", 90*time.Minute, time.Minute, 0)
	add("birch", 90*time.Minute, time.Minute, 7)
	add("alder", 200*time.Minute, time.Minute, 3)
	add("alder", 240*time.Minute, time.Minute, 9) // at the end, which is left out
	use, err := s.AbrasiveUsed(t.Context(), "alder", begin, begin.Add(4*time.Hour), time.Hour)
	want := []AbrasiveUse{
		{From: begin, Used: 50, Cycles: 1, Blast: 10 * time.Minute, Metered: 10 * time.Minute},
		{From: begin.Add(time.Hour), Used: 20.5, Cycles: 2, Unknown: 1, Blast: 6 * time.Minute, Metered: 5 * time.Minute},
		{From: begin.Add(3 * time.Hour), Used: 3, Cycles: 1, Blast: time.Minute, Metered: time.Minute},
	}
	if err != nil || !slices.Equal(use, want) {
		t.Errorf("%v %v, want %v", use, err, want)
	}
	if _, err := s.AbrasiveUsed(t.Context(), "alder", begin, begin, time.Hour); err == nil {
		t.Error("no error of an empty range")
	}
}
