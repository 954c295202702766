package guard_test

import (
	"math"
	"slices"
	"testing"

	"gritwatch/agent/internal/guard"
	"gritwatch/internal/vent"
)

// A vent that a shut exhaust keeps from happening is told at the pot, within two seconds, and that it has ended.
func TestGuardTellsOfAVentThatDoesNotHappen(t *testing.T) {
	var told []string
	r := &rig{clock: &clock{now: 1_760_000_000_000_000, epoch: 1}}
	g, err := guard.New(guard.Options{Pots: []vent.WatchParams{{Pot: alder()}}, Clock: r.clock,
		Found: func(pot string, c vent.Condition, f vent.Finding) {
			if f.On {
				told = append(told, pot+" "+c.String())
			} else {
				told = append(told, pot+" no "+c.String())
			}
		}})
	if err != nil {
		t.Fatal(err)
	}
	r.Guard = g
	r.run(5, 0, func(float64) float64 { return 0 })
	r.run(20, 690, func(t float64) float64 { return 690 * (1 - math.Exp(-t/1.5)) })
	if len(told) != 0 {
		t.Fatal(told)
	}
	r.run(2, 0, func(t float64) float64 { return 690 - 10*t })
	if want := []string{"alder vent-slow"}; !slices.Equal(told, want) {
		t.Fatalf("told %v, want %v", told, want)
	}
	r.run(10, 0, func(t float64) float64 { return 670 - t })
	r.run(30, 0, func(t float64) float64 { return 660 * math.Exp(-t/2) })
	if want := []string{"alder vent-slow", "alder vessel-held", "alder no vent-slow", "alder no vessel-held"}; len(told) != 4 || told[1] != want[1] ||
		!slices.Contains(told, want[2]) || !slices.Contains(told, want[3]) {
		t.Errorf("told %v, want %v", told, want)
	}
}
