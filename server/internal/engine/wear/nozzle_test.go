package wear_test

import (
	"math"
	"testing"

	"gritwatch/server/internal/engine/wear"
)

// A nozzle that is configured anew is no worn one of its size: what a state knows of the bore are shares of the nozzle before.
func TestAnotherNozzleConfigured(t *testing.T) {
	p := newPot(allPoints)
	p.cycles(80)
	p.bore = 1.12
	p.cycles(80)
	if bore, _, known := p.m.Bore(); !known || math.Abs(1e3*float64(bore)-8.96) > 0.2 {
		t.Fatalf("the worn nozzle has %.2f mm, known %v, want 8.96", 1e3*float64(bore), known)
	}
	state := p.m.AppendState(nil)
	p.m = wear.New(wear.Params{Points: allPoints, Volume: 0.1, Bore: 0.0095})
	if err := p.m.SetState(state); err != nil {
		t.Fatal(err)
	}
	p.bore = 9.5 / 8
	for range 60 {
		p.cycle()
		bore, sd, known := p.m.Bore()
		if x := p.m.Index(wear.Bore); known && math.Abs(float64(bore)-0.0095) > 3*float64(sd) || x.Finding {
			t.Fatalf("a new nozzle of 9.5 mm has %.2f mm, sd %.2f, finding %v", 1e3*float64(bore), 1e3*float64(sd), x.Finding)
		}
	}
	if _, _, known := p.m.Bore(); !known {
		t.Error("its bore is not known after 60 presses")
	}
}
