package engine_test

import (
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/wear"
)

// A service counts once, though a server that starts anew tells of it again, by the clock of its records: that is ahead of the newest sample at
// the least, and may be far off.
func TestServedOnce(t *testing.T) {
	all := points.All()
	h := &shift{pot: potOf(points.SetOf(all[:]...)), every: 100 * time.Millisecond, seed: 1,
		params: engine.Params{Nozzle: 3.0 / 8 * si.Inch, HoseBore: 1.25 * si.Inch, HoseLength: 50 * si.Foot}}
	in := h.samples(0, 170)
	half := len(in) / 2
	for _, ahead := range []time.Duration{300 * time.Millisecond, 5 * time.Second, -time.Hour} {
		f := engine.NewFollower(h.pot, h.params)
		step := func(f *engine.Follower, in []points.Sample) {
			for _, s := range in {
				f.Step(s)
			}
		}
		step(f, in[:half])
		at := f.Out.At + 1
		done := engine.Service{At: at, Recorded: at.Add(ahead), Part: wear.Hose.String(), Work: "replaced"}
		f.Serve(done)
		step(f, in[half:half+500])
		if got := f.Served(wear.Hose).At; got != at {
			t.Fatalf("%v ahead: taken at %v, want %v", ahead, got, at)
		}
		again := engine.NewFollower(h.pot, h.params)
		told := engine.Service{At: done.Recorded, Part: done.Part, Work: done.Work}
		again.Serve(told)
		if err := again.SetState(f.AppendState(nil)); err != nil {
			t.Fatal(err)
		}
		again.Serve(told)
		last := len(in) - 500
		step(again, in[half+500:last])
		if got := again.Served(wear.Hose).At; got != at {
			t.Errorf("%v ahead: after a start it counts again, at %v, and was done at %v", ahead, got, at)
		}
		next := again.Out.At + 1
		again.Serve(engine.Service{At: next, Recorded: done.Recorded.Add(time.Minute), Part: done.Part, Work: done.Work})
		step(again, in[last:])
		if got := again.Served(wear.Hose).At; got != next {
			t.Errorf("%v ahead: the next one was taken at %v, want %v", ahead, got, next)
		}
	}
}
