package vent_test

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"gritwatch/internal/statecodec"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"

	"pgregory.net/rapid"
)

// randomStory is a story of a random pot, read at a random rate.
func randomStory(t *rapid.T) (*story, vent.Options) {
	s := newStory(randomPot(t))
	s.seed = rapid.Uint64().Draw(t, "seed")
	s.noise = rapid.SampledFrom([]float64{0, 0.3, 2.7}).Draw(t, "noise")
	s.grace = 1e9
	var o vent.Options
	switch rapid.IntRange(0, 9).Draw(t, "rate") {
	case 0:
		s.every(0.02)
	case 1, 2:
		s.every(0.2)
	case 3, 4:
		s.every(1)
	case 5:
		o.Period = 2 * time.Second
		s.every(2)
	}
	s.rest(2)
	for range rapid.IntRange(1, 6).Draw(t, "deeds") {
		deed(t, s)
	}
	return s, o
}

func do(j *vent.Judge, it item) {
	if it.brk != 0 {
		j.Break(it.brk)
		return
	}
	j.Step(it.sample)
}

// restore is a judge that has the state of another and the samples it was made from.
func restore(t failer, s *story, o vent.Options, state []byte, before []item) *vent.Judge {
	t.Helper()
	j := vent.NewJudge(s.pot, o)
	if err := j.SetState(state); err != nil {
		t.Errorf("%v", err)
	}
	for i, it := range before {
		from, to, ok := j.Needs(it.sample.Point)
		if it.brk != 0 || len(before)%2 == 0 && !(ok && it.sample.At >= from && it.sample.At <= to) {
			continue // every other time those that are not needed are there too
		}
		if j.Prime(it.sample); i%5 == 0 {
			j.Prime(it.sample) // come twice
		}
	}
	return j
}

// Saved anywhere, restored, primed and gone on, a judge is as one that was never interrupted, bit for bit.
func TestJudgeSaveAndRestore(t *testing.T) {
	primed, vented, wide := 0, 0, time.Duration(0)
	rapid.Check(t, func(t *rapid.T) {
		s, o := randomStory(t)
		in := s.stream()
		cut := rapid.IntRange(0, len(in)).Draw(t, "cut")
		whole := vent.NewJudge(s.pot, o)
		for _, it := range in[:cut] {
			do(whole, it)
		}
		state := whole.AppendState(nil)
		again := restore(t, s, o, state, in[:cut])
		if !bytes.Equal(again.AppendState(nil), state) {
			t.Fatal("half primed, it saves another state")
		}
		for _, p := range points.All() {
			if from, to, ok := again.Needs(p); ok {
				primed++
				wide = max(wide, to.Sub(from))
			}
		}
		if a := again.Answer(); a.Word == vent.Vented {
			t.Fatal("vented before it was primed")
		}
		if !again.Primed() || !bytes.Equal(again.AppendState(nil), state) {
			t.Fatal("primed, it is not what it was")
		}
		for i, it := range in[cut:] {
			do(whole, it)
			do(again, it)
			a := whole.Answer()
			if b := again.Answer(); a != b || whole.Handle() != again.Handle() {
				t.Fatalf("%d samples behind the cut: %v %v, uninterrupted %v %v", i, b.Word, b.Because.Strings(), a.Word, a.Because.Strings())
			}
			if a.Word == vent.Vented {
				vented++
			}
		}
		if !bytes.Equal(whole.AppendState(nil), again.AppendState(nil)) {
			t.Fatal("at the end it saves another state")
		}
	})
	t.Logf("%d points primed, %v at most; %d words vented behind the cut", primed, wide, vented)
	if wide > 6500*time.Millisecond {
		t.Errorf("priming needs %v", wide)
	}
	if !testing.Short() && !t.Failed() && (primed < 100 || vented < 100) {
		t.Error("the stories test little")
	}
}

// A past of which a single reading lacks, or is another, ends the run.
func TestJudgeUnprimed(t *testing.T) {
	const what = 6
	seen := [what]int{}
	rapid.Check(t, func(t *rapid.T) {
		s, o := randomStory(t)
		in := s.stream()
		cut := rapid.IntRange(0, len(in)).Draw(t, "cut")
		whole := vent.NewJudge(s.pot, o)
		for _, it := range in[:cut] {
			do(whole, it)
		}
		state := whole.AppendState(nil)
		probe := vent.NewJudge(s.pot, o)
		if err := probe.SetState(state); err != nil {
			t.Fatal(err)
		}
		var needed []int
		for i, it := range in[:cut] {
			from, to, ok := probe.Needs(it.sample.Point)
			if it.brk == 0 && ok && it.sample.Quality == points.Good && it.sample.At >= from && it.sample.At <= to {
				needed = append(needed, i)
			}
		}
		if len(needed) == 0 {
			return
		}
		past := append([]item(nil), in[:cut]...)
		i := rapid.SampledFrom(needed).Draw(t, "spoiled")
		kind := rapid.IntRange(0, what-1).Draw(t, "how")
		electric := s.pot.Electric && past[i].sample.Point == points.Control
		switch kind {
		case 0:
			past = append(past[:i], past[i+1:]...)
		case 1:
			if past[i].sample.Value++; electric {
				return // it has no pressure
			}
		case 2:
			past[i].sample.At++
		case 3:
			past[i].sample.Quality = points.NoReply
		case 4:
			past = nil
		case 5:
			more := past[i]
			more.sample.At--
			past = append(past[:i], append([]item{more}, past[i:]...)...)
		}
		// A reading just before the oldest one counts only by the half second behind that.
		j := restore(t, s, o, state, past)
		step := kind == 4 && rapid.Bool().Draw(t, "stepped unprimed")
		if !step && j.Primed() {
			if from, _, _ := probe.Needs(in[i].sample.Point); in[i].sample.At.Sub(from) > 510*time.Millisecond || kind == 4 {
				t.Fatalf("spoiled (%d) %v after the first that is needed, and primed", kind, in[i].sample.At.Sub(from))
			}
			return
		}
		seen[kind]++
		broken := vent.NewJudge(s.pot, o)
		for _, it := range in[:cut] {
			do(broken, it)
		}
		broken.Break(vent.SourceSilent)
		for _, it := range in[cut:] {
			do(j, it)
			do(broken, it)
			if j.Answer() != broken.Answer() {
				t.Fatalf("%+v, after a gap %+v", j.Answer(), broken.Answer())
			}
		}
		if cut < len(in) && !bytes.Equal(j.AppendState(nil), broken.AppendState(nil)) {
			t.Fatal("not the state that a gap leaves")
		}
	})
	if !testing.Short() && !t.Failed() && (seen[0] == 0 || seen[1] == 0 || seen[4] == 0) {
		t.Errorf("spoiled %v", seen)
	}
}

func TestJudgeStateRefused(t *testing.T) {
	s := newStory(alder())
	s.proven()
	j := vent.NewJudge(s.pot, vent.Options{})
	feed(j, s.stream())
	state := j.AppendState(nil)
	fresh := vent.NewJudge(s.pot, vent.Options{})
	before := fresh.AppendState(nil)
	bad := map[string][]byte{"nothing": nil, "cut": state[:len(state)-1], "long": append(bytes.Clone(state), 0), "a watch's": vent.NewWatch(vent.WatchParams{Pot: s.pot}).AppendState(nil)}
	for name, b := range bad {
		if err := fresh.SetState(b); !errors.Is(err, statecodec.ErrState) || !bytes.Equal(before, fresh.AppendState(nil)) {
			t.Errorf("%s: %v", name, err)
		}
	}
	fresh.MarkFaulty()
	if err := fresh.SetState(state); err != nil || !fresh.Faulty() {
		t.Errorf("%v; a restored state clears a fault", err)
	}
}

// Whatever bytes a state is, nothing panics.
func FuzzJudgeState(f *testing.F) {
	s := newStory(alder())
	s.rest(5)
	s.press(20)
	s.release(16)
	in := s.stream()
	j := vent.NewJudge(s.pot, vent.Options{})
	feed(j, in)
	f.Add(j.AppendState(nil))
	next := in[len(in)-1].sample
	f.Fuzz(func(t *testing.T, b []byte) {
		j := vent.NewJudge(s.pot, vent.Options{})
		if j.SetState(b) != nil {
			return
		}
		for _, it := range in[len(in)-100:] {
			j.Prime(it.sample)
		}
		j.Answer()
		j.Primed()
		for k := range 50 {
			x := next
			x.At = x.At.Add(time.Duration(k) * 100 * time.Millisecond)
			x.Point, x.Value = points.Point(k%points.Count), si.GaugePressure(k*1000)
			j.Step(x)
			j.Answer()
			j.Handle()
		}
	})
}

func BenchmarkJudgeAppendState(b *testing.B) {
	s := newStory(alder(points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle, points.Control))
	s.noise = 2
	s.every(0.02)
	s.rest(5)
	s.press(20)
	s.release(10)
	j := vent.NewJudge(s.pot, vent.Options{})
	feed(j, s.stream())
	var buf []byte
	b.ReportAllocs()
	for b.Loop() {
		buf = j.AppendState(buf[:0])
	}
	b.ReportMetric(float64(len(buf)), "B/state")
}
