package engine_test

import (
	"fmt"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/wear"
)

// A service counts once, though a server that starts anew tells of it again, by the clock of its records; and every one counts, however that clock
// was set between them.
func TestServedOnce(t *testing.T) {
	all := points.All()
	h := &shift{pot: potOf(points.SetOf(all[:]...)), every: 100 * time.Millisecond, seed: 1,
		params: engine.Params{Nozzle: 3.0 / 8 * si.Inch, HoseBore: 1.25 * si.Inch, HoseLength: 50 * si.Foot}}
	in := h.samples(0, 170)
	half := len(in) / 2
	step := func(f *engine.Follower, in []points.Sample) {
		for _, s := range in {
			f.Step(s)
		}
	}
	want := func(what string, f *engine.Follower, p wear.Part, at si.Instant) {
		t.Helper()
		if got := f.Served(p).At; got != at {
			t.Errorf("%s: the service of the %s was taken at %v, want %v", what, p, got, at)
		}
	}
	// How far the records' clock is ahead of the samples' as the one of the hose is recorded, and half a minute later as that of the exhaust is.
	for _, c := range []struct{ first, second time.Duration }{
		{300 * time.Millisecond, 300 * time.Millisecond}, {5 * time.Second, 5 * time.Second}, {-time.Hour, -time.Hour},
		{time.Second, -time.Hour}, {-time.Hour, time.Second},
	} {
		what := fmt.Sprintf("%v ahead, then %v", c.first, c.second)
		f := engine.NewFollower(h.pot, h.params)
		step(f, in[:half])
		at := f.Out.At + 1
		hose := engine.Service{ID: "01JD", At: at, Part: wear.Hose.String(), Work: "replaced"}
		f.Serve(hose)
		f.Serve(hose) // before its time has come
		step(f, in[half:half+500])
		want(what, f, wear.Hose, at)
		state := f.AppendState(nil)
		step(f, in[half+500:half+1500])
		exhaust := engine.Service{ID: "01JC", At: f.Out.At + 1, Part: wear.Exhaust.String(), Work: "cleaned"}
		f.Serve(exhaust)
		f.Serve(hose)
		step(f, in[half+1500:half+2000])
		want(what, f, wear.Exhaust, exhaust.At)
		want(what, f, wear.Hose, at)

		// A start from before the second one.
		told := []engine.Service{hose, exhaust}
		told[0].At, told[1].At = at.Add(c.first), exhaust.At.Add(c.second)
		again := engine.NewFollower(h.pot, h.params)
		tell := func() {
			for _, s := range told {
				again.Serve(s)
			}
		}
		tell()
		if err := again.SetState(state); err != nil {
			t.Fatal(err)
		}
		tell()
		step(again, in[half+500:])
		want(what+", after a start", again, wear.Hose, at)
		want(what+", after a start", again, wear.Exhaust, told[1].At)
		next := engine.Service{ID: "01JE", At: again.Out.At + 1, Part: wear.Hose.String(), Work: "replaced"}
		again.Serve(next)
		for _, s := range h.samples(170, 10) {
			again.Step(s)
		}
		want(what+", the next one", again, wear.Hose, next.At)
	}
}

// As many services as are remembered come back from a state, and each counts once; with one more the oldest is forgotten.
func TestServedMost(t *testing.T) {
	all := points.All()
	h := &shift{pot: potOf(points.SetOf(all[:]...)), every: 100 * time.Millisecond, seed: 1}
	f := h.follower()
	serve := func(f *engine.Follower, n int, at si.Instant) {
		f.Serve(engine.Service{ID: fmt.Sprint(n), At: at, Part: wear.Hose.String(), Work: "replaced"})
	}
	in := h.samples(0, 12)
	f.Step(in[0])
	first := f.Out.At
	for n := range engine.MostServices {
		serve(f, n, first.Add(time.Duration(n)*time.Millisecond))
	}
	for _, s := range in[:len(in)/2] {
		f.Step(s)
	}
	last := f.Served(wear.Hose).At
	if want := first.Add((engine.MostServices - 1) * time.Millisecond); last != want {
		t.Fatalf("the last was taken at %v, want %v", last, want)
	}
	again := h.again(t, f.AppendState(nil), in[:len(in)/2])
	for n := range engine.MostServices {
		serve(again, n, again.Out.At)
	}
	rest := in[len(in)/2:]
	for _, s := range rest[:len(rest)/3] {
		again.Step(s)
	}
	if got := again.Served(wear.Hose).At; got != last {
		t.Errorf("one counts again, at %v", got)
	}
	more := again.Out.At + 1
	serve(again, engine.MostServices, more)
	for _, s := range rest[len(rest)/3 : 2*len(rest)/3] {
		again.Step(s)
	}
	if got := again.Served(wear.Hose).At; got != more {
		t.Errorf("one more was taken at %v, want %v", got, more)
	}
	serve(again, 1, again.Out.At+1) // of those that are told again at most
	for _, s := range rest[2*len(rest)/3:] {
		again.Step(s)
	}
	if got := again.Served(wear.Hose).At; got != more {
		t.Errorf("one of the newest counts again, at %v", got)
	}
}
