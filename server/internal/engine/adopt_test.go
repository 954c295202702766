package engine_test

import (
	"bytes"
	"flag"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/gauges"

	"pgregory.net/rapid"
)

// name tells one cycle of a pot from another.
type name struct{ press, release si.Instant }

// told are cycles that were told.
type told struct {
	cycles map[name]engine.Cycle
	differ int // told a second time otherwise
}

// step takes a sample and notes the cycle that it completes.
func (m *told) step(f *engine.Follower, s points.Sample) {
	before := f.Out.Cycles
	f.Step(s)
	if f.Out.Cycles == before {
		return
	}
	n := name{f.Out.Cycle.Press, f.Out.Cycle.Release}
	if c, ok := m.cycles[n]; ok && c != f.Out.Cycle {
		m.differ++
	}
	m.cycles[n] = f.Out.Cycle
}

// TestAdoptRandom: a follower that missed a stretch, and takes over what another one has seen, is soon as one that missed
// nothing; no cycle is lost or told twice, and what it has found stays found.
func TestAdoptRandom(t *testing.T) {
	checks(t, "25")
	adopted, equal, cycles := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		h := randomShift(t)
		if !h.pot.Points.Has(points.Hose) {
			h.pot.Points |= points.SetOf(points.Control)
		}
		start := rapid.Float64Range(0, 100).Draw(t, "start")
		in := h.samples(start, 130)
		if len(in) == 0 {
			return
		}
		gap := rapid.Float64Range(5, 80).Draw(t, "gap")
		long := rapid.SampledFrom([]float64{0.5, 3, 10, 40}).Draw(t, "long")
		late := rapid.SampledFrom([]float64{0, 0.5, 4, 30}).Draw(t, "late")
		restarts := rapid.IntRange(0, 2).Draw(t, "restarts") == 0 // the server itself: the live one begins anew
		when := func(s points.Sample) float64 { return s.At.Sub(t0).Seconds() - start }
		live, whole := h.follower(), h.follower()
		ours, all := told{cycles: map[name]engine.Cycle{}}, told{cycles: map[name]engine.Cycle{}}
		var second *engine.Follower
		joined, done := false, 0.0
		var most uint64
		for i, s := range in {
			x := when(s)
			if second == nil && x >= gap-3 {
				second = h.again(t, live.AppendState(nil), in[:i])
				if !second.Primed() {
					t.Fatal("not primed")
				}
			}
			all.step(whole, s)
			if second != nil && done == 0 {
				ours.step(second, s)
			}
			if x >= gap && x < gap+long {
				continue
			}
			if x >= gap+long && !joined {
				joined = true
				if live.Break(vent.SourceSilent); restarts {
					live, most = h.follower(), 0
				}
			}
			ours.step(live, s)
			if joined && done == 0 && x >= gap+long+late {
				watch, found := *live.Watch, *live.Gauges
				if live.Adopt(second) {
					done = x
					adopted++
					if live.Out != whole.Out {
						t.Fatalf("adopted %+v, uninterrupted %+v", live.Out, whole.Out)
					}
					for c := range vent.Condition(vent.Conditions) {
						if watch.Find(c).On && live.Watch.Find(c) != watch.Find(c) {
							t.Fatalf("%v was found and is gone or another", c)
						}
					}
					for _, p := range points.All() {
						for k := range gauges.Kind(gauges.Kinds) {
							if found.Find(p, k).On && live.Gauges.Find(p, k) != found.Find(p, k) {
								t.Fatalf("%v of %v was found and is gone or another", k, p)
							}
						}
					}
				}
			}
			if live.Out.Cycles < most {
				t.Fatal("cycles are taken back")
			}
			most = live.Out.Cycles
			if done == 0 {
				continue
			}
			got, want := live.Answer(), whole.Answer()
			if vent.Worse(got.Word, want.Word) != got.Word {
				t.Fatalf("%v, uninterrupted %v", got, want)
			}
			if got.Word.IsVented() && x < gap+long+3 {
				t.Fatalf("vented %.2f s after the gap", x-gap-long)
			}
		}
		if done == 0 {
			return
		}
		if bytes.Equal(live.AppendState(nil), whole.AppendState(nil)) {
			equal++
		}
		if live.Out.Cycles != whole.Out.Cycles || len(ours.cycles) != len(all.cycles) || ours.differ > 0 {
			t.Fatalf("%d cycles counted, uninterrupted %d; told %v, uninterrupted %v (%d twice)", live.Out.Cycles, whole.Out.Cycles, ours.cycles, all.cycles, ours.differ)
		}
		for n, c := range all.cycles {
			if ours.cycles[n] != c {
				t.Fatalf("told %+v, uninterrupted %+v", ours.cycles[n], c)
			}
		}
		cycles += len(ours.cycles)
	})
	t.Logf("%d adopted, %d of them at last bit for bit as if uninterrupted; %d cycles", adopted, equal, cycles)
	if !testing.Short() && !t.Failed() && (adopted < 15 || equal*2 < adopted || cycles < 5) {
		t.Error("the shifts test little")
	}
}

func TestAdoptRefuses(t *testing.T) {
	h := &shift{pot: potOf(points.SetOf(points.Vessel, points.Control)), every: 100 * time.Millisecond, noise: 300}
	in := h.samples(0, 70)
	follow := func(pot vent.Pot, p engine.Params, in []points.Sample) *engine.Follower {
		f := engine.NewFollower(pot, p)
		for _, s := range in {
			f.Step(s)
		}
		return f
	}
	late := in[len(in)-40:]
	other := h.pot
	other.Rated++
	whole := follow(h.pot, h.params, in)
	for name, with := range map[string]*engine.Follower{
		"another rating":          follow(other, h.params, in),
		"another nozzle":          follow(h.pot, engine.Params{Nozzle: 1}, in),
		"not up to the newest":    follow(h.pot, h.params, in[:len(in)-1]),
		"restored and not primed": h.again(t, whole.AppendState(nil), nil),
	} {
		f := follow(h.pot, h.params, late)
		before, out := f.AppendState(nil), f.Out
		if f.Adopt(with) || !bytes.Equal(before, f.AppendState(nil)) || out != f.Out {
			t.Errorf("%s: adopted, or something has changed", name)
		}
	}
	if f := follow(h.pot, h.params, late); !f.Adopt(whole) || f.Out != whole.Out {
		t.Error("not even the right one is adopted")
	}
	if h.again(t, whole.AppendState(nil), nil).Adopt(whole) {
		t.Error("one that is not primed adopts another")
	}
}

// What was found live stays found although the rewound follower sees nothing wrong, and what that one found is added.
func TestAdoptKeepsWhatIsFound(t *testing.T) {
	h := &shift{pot: potOf(points.SetOf(points.Vessel, points.Control, points.Supply)), every: 100 * time.Millisecond}
	in := h.samples(0, 30) // pressed since 10 s, up
	at := func(s float64) si.Instant { return t0.Add(time.Duration(s * 1e9)) }
	run := func(ill bool) *engine.Follower {
		f := h.follower()
		for _, s := range in {
			switch {
			case !ill:
			case s.Point == points.Vessel && s.At > at(18) && s.At < at(23):
				s.Quality = points.OutOfRange
			case s.Point == points.Vessel && s.At > at(14) && s.At < at(16):
				s.Value = 151 * si.PSI
			}
			f.Step(s)
		}
		return f
	}
	over := func(f *engine.Follower) bool { return f.Watch.Find(vent.OverPressure).On }
	ill, well := run(true), run(false)
	if !ill.Gauges.Fault() || well.Gauges.Fault() || over(well) || over(ill) {
		t.Fatal("the rig is wrong")
	}
	if !ill.Adopt(well) || !ill.Gauges.Fault() || ill.Answer().Because.Has(vent.OverLimit) != well.Answer().Because.Has(vent.OverLimit) {
		t.Error("a fault of the vessel's gauge is gone")
	}
	// The other way round the ill one's run is the shorter one; it is stepped on until the live one has no longer one.
	live, rewound := run(false), run(true)
	live.Break(vent.SourceSilent)
	for _, s := range h.samples(30.1, 1) {
		live.Step(s)
		rewound.Step(s)
	}
	if !rewound.Gauges.Fault() || !live.Adopt(rewound) || !live.Gauges.Fault() {
		t.Error("a fault of the vessel's gauge is not taken over")
	}
}

// The live follower's own alarm stands over an adoption until readings end it.
func TestAdoptKeepsAlarms(t *testing.T) {
	h := &shift{pot: potOf(points.SetOf(points.Vessel, points.Control)), every: 100 * time.Millisecond}
	in := h.samples(0, 30)
	live, whole := h.follower(), h.follower()
	for i, s := range in {
		whole.Step(s)
		if i < len(in)-20 && s.Point == points.Vessel && s.At > t0.Add(25*time.Second) {
			s.Value = 149.5 * si.PSI // between the limit and what ends the alarm
			if s.At < t0.Add(26*time.Second) {
				s.Value = 152 * si.PSI
			}
		}
		if s.Point == points.Vessel && i >= len(in)-20 {
			s.Value = 149.5 * si.PSI
		}
		live.Step(s)
	}
	if !live.Watch.Find(vent.OverPressure).On || whole.Watch.Find(vent.OverPressure).On {
		t.Fatal("the rig is wrong")
	}
	live.Break(vent.SourceSilent)
	since := live.Watch.Find(vent.OverPressure)
	for _, s := range h.samples(30.1, 1) {
		if s.Point == points.Vessel {
			s.Value = 149.5 * si.PSI
		}
		live.Step(s)
		whole.Step(s)
	}
	if !live.Adopt(whole) || live.Watch.Find(vent.OverPressure) != since {
		t.Errorf("%+v, was %+v", live.Watch.Find(vent.OverPressure), since)
	}
	for _, s := range h.samples(31.2, 1) {
		live.Step(s)
	}
	if live.Watch.Find(vent.OverPressure).On {
		t.Error("readings do not end it")
	}
}

// A press that was going on when readings were lost, and one that is going on when they come back, are not one.
func TestBreakEndsTheCycle(t *testing.T) {
	h := &shift{pot: potOf(points.SetOf(points.Vessel, points.Control)), every: 100 * time.Millisecond}
	f := h.follower()
	for _, s := range h.samples(0, 20) {
		f.Step(s)
	}
	f.Break(vent.SourceSilent)
	for i, s := range h.samples(30, 35) { // released at 45 s
		if i > 0 || s.Point == points.Control { // the handle comes first
			f.Step(s)
		}
	}
	if f.Out.Cycles != 0 {
		t.Errorf("told a cycle with a gap in it: %+v", f.Out.Cycle)
	}
	for _, s := range h.samples(65.1, 100) {
		f.Step(s)
	}
	if f.Out.Cycles != 1 || f.Out.Cycle.Press.Sub(t0) < 80*time.Second || f.Out.Cycle.Press.Sub(t0) > 81*time.Second {
		t.Errorf("%d cycles, %+v", f.Out.Cycles, f.Out.Cycle)
	}
}

// checks has a property held on fewer stories than usual, unless the command line says how many: each is a whole shift.
func checks(t *testing.T, n string) {
	t.Helper()
	f := flag.Lookup("rapid.checks")
	if was := f.Value.String(); was == f.DefValue {
		if err := f.Value.Set(n); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = f.Value.Set(was) })
	}
}
