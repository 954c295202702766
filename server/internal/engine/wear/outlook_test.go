package wear_test

import (
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/server/internal/engine/wear"
)

// A pot that has run empty and is blasted on fills through its open metering valve too, in half the time; its vent is that of an empty
// pot. Taken for a full one it would be found slow at every vent. With the losses of separator and valve the other way of the air shows in
// them; without, what such a press tells counts for nothing until a vent goes with it.
func TestExpectOfAnEmptyPot(t *testing.T) {
	for name, has := range map[string]points.Set{"all points": allPoints, "no separator": allPoints &^ points.SetOf(points.Separator),
		"vessel and control": points.SetOf(points.Vessel, points.Control)} {
		p := newPot(has)
		for range 200 {
			p.saw()
		}
		if p.expected == 0 {
			t.Fatalf("%s: nothing is expected of a pot that was blasted 200 times", name)
		}
		for p.level > 0.1 {
			p.saw()
		}
		// The filling takes 1/0.55 of the air, the nozzle a quarter of that before: the losses grow as the square of their sum.
		p.level, p.empty, p.hastens, p.loses, p.use = 0, true, 0.55, 2.7, 0
		for i := range 60 {
			p.cycle()
			if p.expected != 0 && p.expected.Seconds() < p.tau {
				t.Fatalf("%s: %v is expected at the slowest of vent %d of an empty pot, which has %.3g s", name, p.expected, i, p.tau)
			}
		}
		// Filled up, it is expected again: at once, or from the second vent on.
		p.level, p.empty, p.use = 1, false, 0.05
		for i := range 4 {
			p.cycle()
			if p.expected != 0 && (p.expected.Seconds() < p.tau || p.expected.Seconds() > 1.4*p.tau) || i > 1 && p.expected == 0 {
				t.Fatalf("%s: %v is expected at the slowest of vent %d after the refill, which has %.3g s", name, p.expected, i, p.tau)
			}
		}
	}
}

// A vessel that a bad exhaust has left under pressure is pressed again before it is empty, and that press is not timed. Nobody has filled
// anything in meanwhile: what is expected of the next vent is what the blasting has used since, and no less slow.
func TestExpectAfterUntimedPresses(t *testing.T) {
	p := newPot(allPoints)
	for range 100 {
		p.saw()
	}
	p.level, p.use = 0.9, 0.05
	p.cycle()
	p.untimed = true
	for i := range 5 {
		was := p.expected
		p.cycle()
		if r := p.expected.Seconds() / p.tau; r < 1 || r > 1.5 || p.expected < was {
			t.Fatalf("%v is expected at the slowest of vent %d, which has %.3g s", p.expected, i, p.tau)
		}
	}
}

// An exhaust at half that is vented through again and again is never what is expected.
func TestExpectForgetsNoHealthyVent(t *testing.T) {
	p := newPot(allPoints)
	for range 100 {
		p.saw()
	}
	p.exhaust = 0.5
	for i := range 100 {
		p.saw()
		if healthy := p.tau * (0.87*0.5 + 0.13); p.expected == 0 || p.expected.Seconds() > 1.35*healthy {
			t.Fatalf("%v is expected of vent %d through half an exhaust, where a healthy one has %.3g s", p.expected, i, healthy)
		}
		if p.lag > 500*time.Millisecond {
			t.Fatalf("a lag of %v is expected", p.lag)
		}
	}
}

// Another nozzle or silencer, recorded, may make every vent slower: nothing is expected of such vents until one goes with it, and of slower ones
// nothing ever, whatever is filled in.
func TestExpectAfterAnotherNozzle(t *testing.T) {
	for _, part := range []wear.Part{wear.Bore, wear.Exhaust} {
		p := newPot(allPoints)
		for range 100 {
			p.saw()
		}
		p.m.Serve(part, p.at)
		p.exhaust = 0.7
		for i := range 100 {
			if p.saw(); p.expected != 0 && p.expected.Seconds() < p.tau {
				t.Fatalf("%v: %v is expected at the slowest of vent %d after the service, which has %.3g s", part, p.expected, i, p.tau)
			}
		}
		p.m.Serve(part, p.at)
		p.exhaust = 1
		p.saw()
		if p.saw(); p.expected == 0 {
			t.Errorf("%v: nothing is expected of the second vent after a service that has put it right", part)
		}
	}
}
