package gauges_test

import (
	"math"
	"testing"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

func TestOutOfRange(t *testing.T) {
	r := newRig(t, 10, 1)
	r.run(cycle)
	g := &r.g[points.Vessel]
	bad := func(readings int) {
		g.out = true
		r.run(float64(readings) / r.hz)
		g.out = false
	}
	bad(1)
	r.run(1)
	r.only()
	r.run(200)
	bad(6) // half a second
	r.only(of(points.Vessel, gauges.OutOfRange))
	r.run(9)
	r.only(of(points.Vessel, gauges.OutOfRange))
	r.run(2)
	r.only()
	r.run(200)
	for range 2 { // flickering
		bad(1)
		r.run(4)
		r.only()
	}
	bad(1)
	r.only(of(points.Vessel, gauges.OutOfRange))
}

// What is no number is out of range, whatever the quality says; a lost poll is only a gap.
func TestNoNumber(t *testing.T) {
	r := newRig(t, 10, 2)
	h := vent.Handle{Known: true}
	step := func(q points.Quality, v float64) {
		for range 20 {
			r.now += 0.1
			r.w.Step(points.Sample{Point: points.Hose, Quality: q, Value: si.GaugePressure(v), At: at(r.now)}, h)
		}
	}
	step(points.NoReply, 0)
	r.only()
	step(points.Good, math.NaN())
	r.only(of(points.Hose, gauges.OutOfRange))
	if f := r.w.Find(points.Hose, gauges.OutOfRange); math.IsNaN(f.Size) {
		t.Error("the size is no number")
	}
}
