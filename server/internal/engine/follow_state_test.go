package engine_test

import (
	"bytes"
	"errors"
	"math"
	"math/bits"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/statecodec"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"

	"pgregory.net/rapid"
)

// A shift is what one pot does and how it is read: the day of phases over and over, with noise, gaps, bad readings.
type shift struct {
	pot    vent.Pot
	params engine.Params
	every  time.Duration
	noise  float64 // Pa
	faults int     // one reading in so many is bad or missing; 0: none
	seed   uint64
}

func potOf(set points.Set) vent.Pot {
	pot := vent.Pot{Name: "alder", Volume: 6.5 * si.CubicFoot, Rated: 150 * si.PSI, Target: 100 * si.PSI, Points: set}
	for _, p := range points.All() {
		pot.Gauges[p] = vent.Gauge{Kind: vent.KindGauge, Lo: 0, Hi: 200 * si.PSI}
	}
	return pot
}

// samples are those of the shift, as they come, for some seconds of the day from one on.
func (h *shift) samples(start, seconds float64) (out []points.Sample) {
	rng := rand.New(rand.NewPCG(h.seed, 3))
	skip := 0.0
	for n := 0; ; n++ {
		x := start + float64(n)*h.every.Seconds()
		if x > start+seconds {
			return out
		}
		if h.faults > 0 && rng.IntN(20*h.faults) == 0 {
			skip = x + 6*rng.Float64()
		}
		if x < skip {
			continue
		}
		for i, p := range points.All() {
			if !h.pot.Points.Has(p) {
				continue
			}
			at := x + float64(i)*0.001
			v := shown(p, math.Mod(at, 170))
			s := points.Sample{Point: p, Quality: points.Good, At: t0.Add(time.Duration(at * 1e9)), Value: si.GaugePressure(v*si.KPa + h.noise*rng.NormFloat64())}
			if h.pot.Electric && p == points.Control {
				s.Value, s.Pressed = 0, v > 300
			}
			if h.faults > 0 && rng.IntN(h.faults) == 0 {
				s.Quality = points.Quality(rng.IntN(2))
			}
			out = append(out, s)
		}
	}
}

func randomShift(t *rapid.T) *shift {
	set := points.SetOf(points.Vessel)
	for _, p := range []points.Point{points.Supply, points.Separator, points.Hose, points.Nozzle, points.Control} {
		if rapid.IntRange(0, 3).Draw(t, p.String()) > 0 {
			set |= points.SetOf(p)
		}
	}
	h := &shift{pot: potOf(set), every: rapid.SampledFrom([]time.Duration{20 * time.Millisecond, 100 * time.Millisecond, 100 * time.Millisecond, 200 * time.Millisecond, time.Second}).Draw(t, "every"),
		noise:  rapid.SampledFrom([]float64{0, 300, 2700}).Draw(t, "noise"),
		faults: rapid.SampledFrom([]int{0, 0, 200, 30}).Draw(t, "faults"),
		seed:   rapid.Uint64().Draw(t, "seed")}
	h.pot.Electric = rapid.IntRange(0, 3).Draw(t, "electric") == 0
	h.pot.HoldsPressure = rapid.IntRange(0, 5).Draw(t, "holds") == 0
	if rapid.Bool().Draw(t, "zero") {
		h.pot.Gauges[points.Vessel].Zero = &vent.Zero{Offset: 300, By: "yard foreman", At: "2031-04-02"}
	}
	h.params = engine.Params{Nozzle: 3.0 / 8 * si.Inch}
	if h.every == time.Second && rapid.Bool().Draw(t, "log") {
		h.params.Period = h.every
	}
	return h
}

func (h *shift) follower() *engine.Follower { return engine.NewFollower(h.pot, h.params) }

// again is a follower restored from a state and primed with what it needs of the samples before.
func (h *shift) again(t interface{ Fatal(...any) }, state []byte, before []points.Sample) *engine.Follower {
	f := h.follower()
	if err := f.SetState(state); err != nil {
		t.Fatal(err)
	}
	for _, s := range before {
		if from, to, ok := f.Needs(s.Point); ok && s.At >= from && s.At <= to {
			f.Prime(s)
		}
	}
	return f
}

// Saved anywhere, restored, primed and gone on, all that follows a pot is as if nothing had happened.
func TestFollowerSaveAndRestore(t *testing.T) {
	checks(t, "30")
	cycles := uint64(0)
	rapid.Check(t, func(t *rapid.T) {
		h := randomShift(t)
		start := rapid.Float64Range(0, 100).Draw(t, "start")
		in := h.samples(start, 90)
		whole := h.follower()
		cut := rapid.IntRange(0, len(in)).Draw(t, "cut")
		for _, s := range in[:cut] {
			whole.Step(s)
		}
		state := whole.AppendState(nil)
		f := h.again(t, state, in[:cut])
		if !bytes.Equal(f.AppendState(nil), state) {
			t.Fatal("half primed, it saves another state")
		}
		for _, p := range points.All() {
			if from, to, ok := f.Needs(p); ok && (to.Sub(from) > max(6500*time.Millisecond, 13*h.params.Period) || to > whole.Out.At) {
				t.Fatalf("needs %v to %v of %v", from, to, p)
			}
		}
		if !f.Primed() || !bytes.Equal(f.AppendState(nil), state) || f.Out != whole.Out {
			t.Fatal("primed, it is not what it was")
		}
		for i, s := range in[cut:] {
			told := whole.Out.Cycles
			whole.Step(s)
			f.Step(s)
			if whole.Out.Cycles != told && f.Judged() != whole.Judged() {
				t.Fatalf("%d samples behind the cut: a vent was judged by %+v, uninterrupted by %+v", i, f.Judged(), whole.Judged())
			}
			if f.Out != whole.Out || f.Answer() != whole.Answer() {
				t.Fatalf("%d samples behind the cut: %+v, uninterrupted %+v", i, f.Out, whole.Out)
			}
		}
		if !bytes.Equal(f.AppendState(nil), whole.AppendState(nil)) {
			t.Fatal("at the end it saves another state")
		}
		cycles += f.Out.Cycles
	})
	if !testing.Short() && cycles < 8 {
		t.Errorf("%d cycles: the stories test little", cycles)
	}
}

// Whatever is missing of the past, the run has ended, and what is found stays.
func TestFollowerUnprimed(t *testing.T) {
	h := &shift{pot: potOf(points.SetOf(points.Vessel, points.Control, points.Supply)), every: 100 * time.Millisecond, noise: 300}
	in := h.samples(0, 75) // vented since 53 s
	whole := h.follower()
	for _, s := range in {
		whole.Step(s)
	}
	if !whole.Answer().Word.IsVented() {
		t.Fatalf("%+v", whole.Answer())
	}
	state := whole.AppendState(nil)
	for name, past := range map[string][]points.Sample{"nothing": nil, "all but the newest": in[:len(in)-1], "all but some early ones": in[:len(in)-30]} {
		for _, asked := range []bool{true, false} {
			f := h.again(t, state, past)
			if asked && f.Primed() {
				t.Errorf("%s: primed", name)
			}
			broken := h.follower()
			for _, s := range in {
				broken.Step(s)
			}
			broken.Break(vent.SourceSilent)
			for k := range 100 {
				for _, s := range in[len(in)-3:] {
					s.At = s.At.Add(time.Duration(k+1) * 100 * time.Millisecond)
					f.Step(s)
					broken.Step(s)
				}
				if a := f.Answer(); a.Word.IsVented() {
					t.Fatalf("%s: vented %d steps later", name, k)
				}
			}
			// The engine has lost its readings too.
			if !bytes.Equal(f.Judge.AppendState(nil), broken.Judge.AppendState(nil)) || !bytes.Equal(f.Watch.AppendState(nil), broken.Watch.AppendState(nil)) ||
				!bytes.Equal(f.Gauges.AppendState(nil), broken.Gauges.AppendState(nil)) {
				t.Errorf("%s, asked %v: not the state that a gap leaves", name, asked)
			}
		}
	}
	if f := h.again(t, state, in); !f.Primed() {
		t.Error("not primed with all")
	}
}

func TestFollowerStateRefused(t *testing.T) {
	h := &shift{pot: potOf(points.SetOf(points.Vessel, points.Control)), every: 100 * time.Millisecond}
	f := h.follower()
	for _, s := range h.samples(0, 60) {
		f.Step(s)
	}
	state := f.AppendState(nil)
	refuse := func(name string, pot vent.Pot, p engine.Params, b []byte, want error) {
		t.Helper()
		g := engine.NewFollower(pot, p)
		before := g.AppendState(nil)
		if err := g.SetState(b); !errors.Is(err, want) || !strings.Contains(err.Error(), pot.Name) || !bytes.Equal(before, g.AppendState(nil)) {
			t.Errorf("%s: %v", name, err)
		}
	}
	other := h.pot
	other.Target++
	refuse("another target", other, h.params, state, engine.ErrOtherPot)
	refuse("a slow log", h.pot, engine.Params{Period: time.Second}, state, engine.ErrOtherPot)
	refuse("nothing", h.pot, h.params, nil, statecodec.ErrState)
	refuse("the engine's alone", h.pot, h.params, f.Engine.AppendState(nil), statecodec.ErrState)
	for n := range len(state) {
		refuse("cut", h.pot, h.params, state[:n], statecodec.ErrState)
	}
	refuse("longer", h.pot, h.params, append(bytes.Clone(state), 0), statecodec.ErrState)
	if g := engine.NewFollower(h.pot, engine.Params{Nozzle: 1}); g.SetState(state) != nil {
		t.Error("another nozzle is not another pot")
	}
	if engine.StateVersion() == 0 || bytes.Equal(state[:4], make([]byte, 4)) {
		t.Error("no version")
	}
	faulty := h.follower()
	faulty.Judge.MarkFaulty()
	if faulty.SetState(state) != nil || !faulty.Judge.Faulty() {
		t.Error("a restored state clears a fault")
	}
}

// A state of any pot at 10 and 50 Hz, in any phase, is under 5 KB, of which at most 1.2 are what follows strokes and blasting.
func TestFollowerStateSize(t *testing.T) {
	const most, estimates = 5120, 1200
	type part struct {
		name string
		len  int
	}
	for every, long := range map[time.Duration]float64{100 * time.Millisecond: 170, 20 * time.Millisecond: 60} {
		largest, where, parts, sizes := 0, points.Set(0), []part(nil), map[string]int(nil)
		for set := range points.Set(1 << points.Count) {
			if !set.Has(points.Vessel) || bits.OnesCount(uint(set)) < points.Count-1 {
				continue // fewer points have less to save
			}
			for _, c := range []struct {
				holds  bool
				faults int
			}{{false, 0}, {true, 0}, {false, 25}} {
				h := &shift{pot: potOf(set), every: every, noise: 2700, seed: uint64(set), faults: c.faults}
				h.pot.HoldsPressure = c.holds
				f := h.follower()
				var b []byte
				for i, s := range h.samples(0, long) { // worst case: all 32 bits that the wire carries, noise of 0.2 % of the range
					s.Value = si.GaugePressure(float32(s.Value))
					f.Step(s)
					if i%997 != 0 {
						continue
					}
					if b = f.AppendState(b[:0]); len(b) > largest {
						largest, where, sizes = len(b), set, f.StateSizes()
						parts = []part{{"judge", len(f.Judge.AppendState(nil))}, {"watch", len(f.Watch.AppendState(nil))},
							{"gauges", len(f.Gauges.AppendState(nil))}, {"engine", len(f.Engine.AppendState(nil))}}
					}
				}
			}
		}
		t.Logf("every %v: %d bytes at most (points %06b): %v", every, largest, where, parts)
		if sizes["all"] >= estimates {
			t.Errorf("every %v: what follows strokes and blasting has %v bytes", every, sizes)
		}
		if largest >= most {
			t.Errorf("every %v: a state of %d bytes, of %v", every, largest, parts)
		}
	}
}

func BenchmarkFollowerAppendState(b *testing.B) {
	h := &shift{pot: potOf(points.SetOf(points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle, points.Control)), every: 20 * time.Millisecond, noise: 2700}
	f := h.follower()
	for _, s := range h.samples(0, 48) {
		f.Step(s)
	}
	var buf []byte
	b.ReportAllocs()
	for b.Loop() {
		buf = f.AppendState(buf[:0])
	}
	b.ReportMetric(float64(len(buf)), "B/state")
}

func TestFollowerAppendStateAllocatesNothing(t *testing.T) {
	h := &shift{pot: potOf(points.SetOf(points.Supply, points.Vessel, points.Control)), every: 100 * time.Millisecond, noise: 2700}
	f := h.follower()
	for _, s := range h.samples(0, 48) {
		f.Step(s)
	}
	buf := f.AppendState(nil)
	if n := testing.AllocsPerRun(100, func() { buf = f.AppendState(buf[:0]) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
