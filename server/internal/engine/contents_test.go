package engine_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
)

// A completed cycle says what the vessel holds at its end, with its range, and what it held at the press: that and what went through the valve, which add up. While the level is
// not known nothing is said.
func TestContents(t *testing.T) {
	all := points.All()
	h := &shift{pot: potOf(points.SetOf(all[:]...)), every: 100 * time.Millisecond, seed: 1,
		params: engine.Params{Nozzle: 3.0 / 8 * si.Inch, HoseBore: 1.25 * si.Inch, HoseLength: 50 * si.Foot}}
	f := engine.NewFollower(h.pot, h.params)
	cycles, known := uint64(0), 0
	for _, s := range h.samples(0, 170*5) {
		f.Step(s)
		if f.Out.Cycles == cycles {
			continue
		}
		cycles = f.Out.Cycles
		c, l := &f.Out.Cycle, &f.Out.Level
		if c.Contents.Known() != l.Known {
			t.Fatalf("cycle %d: level known %v, yet %+v", cycles, l.Known, c.Contents)
		}
		if !l.Known {
			continue
		}
		known++
		x := c.Contents
		if x.Left != l.Share || x.Low != l.Low || x.High != l.High || !(x.Before > x.Left) || math.Abs(float64(x.Before-x.Left)*float64(l.Capacity)-float64(c.Abrasive)) > 1e-9 {
			t.Errorf("cycle %d: %+v, %v used, level %+v", cycles, x, c.Abrasive, l)
		}
	}
	if known < 5 || known == int(cycles) {
		t.Errorf("known after %d of %d cycles: nothing was seen", known, cycles)
	}
}
