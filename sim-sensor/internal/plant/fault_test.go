package plant_test

import (
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/plant"
)

func TestExhaustShut(t *testing.T) {
	p := build(t, medium)
	run(p, 20*time.Second, plant.Input{Pressed: true}, nil)
	shut := plant.Input{Condition: plant.Condition{ExhaustShut: 1, NozzlePlugged: true}}
	run(p, 20*time.Second, shut, nil)
	within(t, "vessel with every way shut", psi(p, points.Vessel), 95, 125)
	within(t, "control", psi(p, points.Control), -0.1, 0.1)
	run(p, 20*time.Second, plant.Input{}, nil)
	within(t, "vessel when it opens again", psi(p, points.Vessel), -0.05, 0.05)
}

// A partly shut exhaust vents more slowly, and the nozzle alone still empties the pot.
func TestExhaustPartlyShut(t *testing.T) {
	vent := func(shut si.Ratio) time.Duration {
		p := build(t, large)
		run(p, 20*time.Second, plant.Input{Pressed: true}, nil)
		var vented time.Duration
		run(p, 40*time.Second, plant.Input{Condition: plant.Condition{ExhaustShut: shut}}, func(at time.Duration) {
			if vented == 0 && psi(p, points.Vessel) < 0.5 {
				vented = at
			}
		})
		return vented
	}
	healthy, half, none := vent(0), vent(0.5), vent(1)
	if !(healthy > 0 && half > healthy*5/4 && none > half*5/4) {
		t.Errorf("vent took %v, half shut %v, shut %v", healthy, half, none)
	}
}

func TestTrap(t *testing.T) {
	for _, trap := range []float64{1.3, 38} {
		p := build(t, large)
		run(p, 25*time.Second, plant.Input{Pressed: true}, nil)
		stuck := plant.Input{Condition: plant.Condition{Trap: si.GaugePressure(trap * si.PSI)}}
		run(p, 15*time.Second, stuck, nil)
		// Shut in, the air that the blowdown cooled warms up again: by up to 15 % of the absolute pressure.
		within(t, "trapped", psi(p, points.Vessel), trap-0.1, trap+0.15*(trap+14.7))
		within(t, "hose", psi(p, points.Hose), -0.05, 0.05)
		held := psi(p, points.Vessel)
		run(p, 30*time.Second, stuck, nil)
		within(t, "held", psi(p, points.Vessel), held-0.01, held+2)
		stuck.Pressed = true
		run(p, 15*time.Second, stuck, nil)
		within(t, "nozzle after the next press", psi(p, points.Nozzle), 80, 105)
		run(p, 20*time.Second, plant.Input{}, nil)
		within(t, "vessel when the trap is gone", psi(p, points.Vessel), -0.05, 0.05)
	}
}

func TestSeparatorRestricted(t *testing.T) {
	p := build(t, large)
	in := plant.Input{Pressed: true}
	run(p, 30*time.Second, in, nil)
	healthy := psi(p, points.Supply) - psi(p, points.Separator)
	in.SeparatorLost = 0.5
	run(p, 10*time.Second, in, nil)
	within(t, "separator loses", psi(p, points.Supply)-psi(p, points.Separator), 3*healthy, 6*healthy) // half the conductance, about four times the loss
}

func TestCompressorOff(t *testing.T) {
	p := build(t, large)
	run(p, 20*time.Second, plant.Input{Pressed: true}, nil)
	off := plant.Input{Pressed: true, Condition: plant.Condition{CompressorOff: true}}
	run(p, 90*time.Second, off, nil)
	within(t, "supply", psi(p, points.Supply), -0.1, 25)
	if l := p.Ledger(); l.AirIn <= 0 || l.AirOut <= l.AirIn {
		t.Errorf("ledger %+v", l)
	}
}

// The tender pours in only with the vessel at zero, and never more than it holds.
func TestRefill(t *testing.T) {
	s := small
	s.Fill = 0.2
	p := build(t, s)
	run(p, 10*time.Second, plant.Input{Pressed: true, Refill: 1}, nil)
	if got := p.Ledger().GritIn; got != 0 {
		t.Errorf("%v kg went in at %.1f psi", got, psi(p, points.Vessel))
	}
	run(p, 60*time.Second, plant.Input{Refill: 1}, nil)
	within(t, "level", float64(p.Level()), 0.9999, 1)
	within(t, "vessel", psi(p, points.Vessel), -0.05, 0.5)
}

// A pot that runs empty blows air only.
func TestEmpty(t *testing.T) {
	s := small
	s.Fill = 0.01
	p := build(t, s)
	run(p, 60*time.Second, plant.Input{Pressed: true}, nil)
	air, grit := p.NozzleFlow()
	within(t, "loading", float64(grit/air), 0, 0.05)
	within(t, "hose loses", psi(p, points.Hose)-psi(p, points.Nozzle), 1, 6)
}
