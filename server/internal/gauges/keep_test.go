package gauges_test

import (
	"bytes"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

// What one watch has found stands in another that has long seen good readings, until it has seen enough of them since.
func TestKeep(t *testing.T) {
	pot := vent.Pot{Rated: 150 * si.PSI, Points: points.SetOf(points.Vessel, points.Hose)}
	fault, well := gauges.New(gauges.Params{Pot: pot}), gauges.New(gauges.Params{Pot: pot})
	at := si.Instant(1_800_000_000_000_000)
	step := func(w *gauges.Watch, q points.Quality) {
		w.Step(points.Sample{Point: points.Vessel, At: at, Quality: q, Value: 1e3}, vent.Handle{})
	}
	for range 200 {
		at = at.Add(100 * time.Millisecond)
		step(fault, points.OutOfRange)
		step(well, points.Good)
	}
	if !fault.Find(points.Vessel, gauges.OutOfRange).On || well.Fault() {
		t.Fatal("the rig is wrong")
	}
	before := well.AppendState(nil)
	well.Keep(gauges.New(gauges.Params{Pot: pot}))
	if !bytes.Equal(before, well.AppendState(nil)) {
		t.Error("keeping nothing changes something")
	}
	well.Keep(fault)
	if f := well.Find(points.Vessel, gauges.OutOfRange); f != fault.Find(points.Vessel, gauges.OutOfRange) || well.Find(points.Hose, gauges.OutOfRange).On {
		t.Errorf("%+v", f)
	}
	for k := range 120 {
		at = at.Add(100 * time.Millisecond)
		step(well, points.Good)
		if on := well.Fault(); on != (k < 100) {
			t.Fatalf("%d good readings later: %v", k+1, on)
		}
	}
}
