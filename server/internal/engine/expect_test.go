package engine_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
)

// crew blasts a pot that has a vessel and a control point, from full to a third, and fills it up. What the vessel shows is written out
// here: air fills it in a straight line and leaves it as an exponential, both the faster the more abrasive is in it.
type crew struct {
	f       *engine.Follower
	rng     *rand.Rand
	at      si.Instant
	air     float64 // share of the vessel
	exhaust float64 // share that opens
	p       float64 // vessel, gauge Pa
	found   float64 // s from the last release to the finding; infinite: none
}

const crewWorks = 690e3

func newCrew(seed uint64) *crew {
	pot := potOf(points.SetOf(points.Vessel, points.Control))
	// Twice as long as these vents take when the pot is full.
	pot.Commissioned = &vent.Vent{Time: 13 * time.Second, By: "yard foreman", At: "2031-04-02"}
	return &crew{f: engine.NewFollower(pot, engine.Params{Nozzle: 3.0 / 8 * si.Inch}), rng: rand.New(rand.NewPCG(seed, 8)),
		at: si.Instant(1_900_000_000_000_000), air: 0.5, exhaust: 1, found: math.Inf(1)}
}

// run plays the handle for some tenths of a second.
func (c *crew) run(pressed bool, tenths int) {
	for i := range tenths {
		since := float64(i) / 10
		switch {
		case pressed:
			c.p = min(crewWorks, c.p+crewWorks/10/(2*c.air))
		case since > 0.2:
			c.p = max(0, (c.p+101325)*math.Exp(-0.1/(2.5*math.Pow(c.air, 0.8))*(0.85*c.exhaust+0.15))-101325)
		}
		control := 0.0
		if pressed {
			control = 690e3
		}
		c.at = c.at.Add(100 * time.Millisecond)
		c.f.Step(points.Sample{Point: points.Control, Quality: points.Good, At: c.at - 1000, Value: si.GaugePressure(control)})
		c.f.Step(points.Sample{Point: points.Vessel, Quality: points.Good, At: c.at, Value: si.GaugePressure(c.p + 300*c.rng.NormFloat64())})
		if !pressed && math.IsInf(c.found, 1) && c.f.Watch.Find(vent.VentSlow).On {
			c.found = since
		}
	}
}

func (c *crew) cycle() {
	if c.air > 0.85 {
		c.air = 0.5
	}
	c.found = math.Inf(1)
	c.run(true, 250)
	c.air += 0.02
	c.run(false, 150)
}

// The level and the valves, as presses and vents have told of them, find a half-open exhaust at a pot that is so full that no envelope of
// the empty pot could; healthy vents are found at no level.
func TestFollowerExpects(t *testing.T) {
	c := newCrew(1)
	for range 60 {
		if c.cycle(); !math.IsInf(c.found, 1) {
			t.Fatalf("a healthy vent is found slow %.1f s after its release, air %.2f", c.found, c.air)
		}
	}
	c.air = 0.5
	c.cycle()
	c.cycle()
	c.exhaust = 0.5
	c.cycle()
	if c.found > 2 {
		t.Errorf("half an exhaust is found %.1f s after the release", c.found)
	}
	// Nothing is expected of a pot that was not seen for long enough, and its half exhaust is not found then.
	fresh := newCrew(1)
	fresh.cycle()
	fresh.exhaust = 0.5
	if fresh.cycle(); !math.IsInf(fresh.found, 1) {
		t.Errorf("half an exhaust of a fresh pot is found %.1f s after the release: the rig shows nothing", fresh.found)
	}
}
