package vent_test

import (
	"fmt"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
)

// The table test of the answer. It is written from the rules R1 to R9 alone, not from the judge: a row that the
// judge fails is the judge's fault until the rule is changed.
//
// A row is a story (rules_story_test.go). While it is fed to the judge, the answer after every single sample is held
// against what must always be so (rules_oracle_test.go), and afterwards against the row's own
// expectations.
type row struct {
	name string
	pot  vent.Pot
	opts vent.Options
	tell func(s *story)
}

func runRows(t *testing.T, rows []row) {
	t.Helper()
	for _, r := range rows {
		t.Run(r.name, func(t *testing.T) {
			s := newStory(r.pot)
			r.tell(s)
			if len(s.checks) == 0 {
				t.Fatal("the row expects nothing")
			}
			record, _ := run(t, s, r.opts)
			for _, c := range s.checks {
				c.verify(t, record)
			}
		})
	}
}

// A said is one answer of the judge.
type said struct {
	t, truth float64
	answer   vent.Answer
}

func (a said) String() string {
	return fmt.Sprintf("t=%.2f s (vessel truly %.2f kPa): %v %v", a.t, a.truth, a.answer.Word, a.answer.Because.Strings())
}

type failer interface {
	Helper()
	Errorf(format string, args ...any)
}

// run feeds a story to a judge and holds every answer against the oracle.
func run(t failer, s *story, o vent.Options) ([]said, *oracle) {
	t.Helper()
	j := vent.NewJudge(s.pot, o)
	or := newOracle(s.pot, o)
	var record []said
	over, wrong := -1.0, 0
	for i, it := range s.stream() {
		if it.brk != 0 {
			j.Break(it.brk)
			or.cut(it.brk)
			continue
		}
		j.Step(it.sample)
		if !s.long {
			or.step(it.sample)
		}
		a := said{it.t, it.truth, j.Answer()}
		record = append(record, a)
		if it.truth <= 7 {
			over = -1
		} else if over < 0 {
			over = it.t
		}
		if a.answer.Word == vent.Vented && over >= 0 && it.t-over > s.grace {
			t.Errorf("vented although the vessel holds pressure: %v", a)
			wrong++
		}
		last := i > 0 && len(record) > 1 && record[len(record)-2].answer.Word == vent.Vented
		if s.long {
			continue
		}
		for _, why := range or.wrong(a.answer, last && i%16 != 0) {
			t.Errorf("%v: %s", a, why)
			wrong++
		}
		if wrong > 4 {
			t.Errorf("more of the same left out")
			break
		}
	}
	return record, or
}

// A check is one expectation over the answers given in a span of the story.
type check struct {
	from, to float64
	some     bool // one answer in the span is enough, else all; an empty span (from == to): the last answer before
	want     string
	ok       func(vent.Answer) bool
}

func (c check) verify(t *testing.T, record []said) {
	t.Helper()
	if c.from == c.to {
		for i := len(record) - 1; i >= 0; i-- {
			if record[i].t <= c.from+1e-9 {
				if !c.ok(record[i].answer) {
					t.Errorf("want %s; %v", c.want, record[i])
				}
				return
			}
		}
		t.Errorf("want %s at %.2f s: nothing was said by then", c.want, c.from)
		return
	}
	seen := 0
	for _, a := range record {
		if a.t < c.from-1e-9 || a.t > c.to+1e-9 {
			continue
		}
		seen++
		ok := c.ok(a.answer)
		if ok && c.some {
			return
		}
		if !ok && !c.some {
			t.Errorf("want %s from %.2f to %.2f s; %v", c.want, c.from, c.to, a)
			return
		}
	}
	if c.some {
		t.Errorf("want %s at some time from %.2f to %.2f s: never said in %d answers", c.want, c.from, c.to, seen)
	} else if seen == 0 {
		t.Errorf("want %s from %.2f to %.2f s: nothing was said", c.want, c.from, c.to)
	}
}

func is(w vent.Word, cs ...vent.Code) (string, func(vent.Answer) bool) {
	return fmt.Sprintf("%v with %v", w, vent.CodesOf(cs...).Strings()), func(a vent.Answer) bool {
		want := vent.CodesOf(cs...)
		return a.Word == w && a.Because&want == want
	}
}

func isNot(w vent.Word) (string, func(vent.Answer) bool) {
	return "anything but " + w.String(), func(a vent.Answer) bool { return a.Word != w }
}

// says expects the answer at the cursor, with at least the codes.
func (s *story) says(w vent.Word, cs ...vent.Code) {
	want, ok := is(w, cs...)
	s.checks = append(s.checks, check{s.cursor, s.cursor, false, want, ok})
}

// saysNot expects any other word at the cursor.
func (s *story) saysNot(w vent.Word) {
	want, ok := isNot(w)
	s.checks = append(s.checks, check{s.cursor, s.cursor, false, want, ok})
}

// lacks expects none of the codes at the cursor.
func (s *story) lacks(cs ...vent.Code) {
	none := vent.CodesOf(cs...)
	s.checks = append(s.checks, check{s.cursor, s.cursor, false, fmt.Sprintf("none of %v", none.Strings()),
		func(a vent.Answer) bool { return a.Because&none == 0 }})
}

// stays lets time pass in which every answer is this one.
func (s *story) stays(d float64, w vent.Word, cs ...vent.Code) {
	want, ok := is(w, cs...)
	s.checks = append(s.checks, check{s.cursor, s.cursor + d, false, want, ok})
	s.rest(d)
}

// within lets time pass in which this answer comes.
func (s *story) within(d float64, w vent.Word, cs ...vent.Code) {
	want, ok := is(w, cs...)
	s.checks = append(s.checks, check{s.cursor, s.cursor + d, true, want, ok})
	s.rest(d)
}

// not lets time pass in which the word never comes.
func (s *story) not(d float64, w vent.Word) {
	want, ok := isNot(w)
	s.checks = append(s.checks, check{s.cursor, s.cursor + d, false, want, ok})
	s.rest(d)
}

// never expects that from the cursor to the end of the story the word does not come.
func (s *story) never(w vent.Word) {
	want, ok := isNot(w)
	s.checks = append(s.checks, check{s.cursor, 1e9, false, want, ok})
}

// feed runs a story's stream through a judge and gives its last answer.
func feed(j *vent.Judge, in []item) vent.Answer {
	for _, it := range in {
		if it.brk != 0 {
			j.Break(it.brk)
			continue
		}
		j.Step(it.sample)
	}
	return j.Answer()
}

func TestNothingSeen(t *testing.T) {
	for _, p := range []vent.Pot{alder(), alder(points.Vessel), alder(points.Control), {}} {
		a := vent.NewJudge(p, vent.Options{}).Answer()
		if a.Word != vent.NotProven || !a.Because.Has(vent.VesselOld) || a.At != 0 {
			t.Errorf("points %b: a judge that has seen nothing says %v %v at %d, want not-proven, vessel-old, at 0",
				p.Points, a.Word, a.Because.Strings(), a.At)
		}
	}
}

func TestSameStreamSameAnswers(t *testing.T) {
	s := newStory(alder(points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle, points.Control))
	s.noise = 2.76
	s.proven()
	s.silent(points.Vessel, 3)
	s.rest(10)
	s.press(8)
	s.release(30)
	in := s.stream()
	a, b, quiet := vent.NewJudge(s.pot, vent.Options{}), vent.NewJudge(s.pot, vent.Options{}), vent.NewJudge(s.pot, vent.Options{})
	words := map[vent.Word]int{}
	for i, it := range in {
		a.Step(it.sample)
		b.Step(it.sample)
		quiet.Step(it.sample)
		x, y := a.Answer(), b.Answer()
		if x != y || x != b.Answer() || a.Handle() != b.Handle() {
			t.Fatalf("sample %d: %+v and %+v from the same stream", i, x, y)
		}
		words[x.Word]++
	}
	if got := quiet.Answer(); got != a.Answer() {
		t.Errorf("asking changes the answer: %+v never asked, %+v asked after every sample", got, a.Answer())
	}
	if len(words) != 3 {
		t.Errorf("the stream was to bring out all three words, got %v", words)
	}
}

func TestStepAllocatesNothing(t *testing.T) {
	for _, o := range []vent.Options{{}, {Period: time.Second}} {
		s := newStory(alder(points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle, points.Control))
		s.noise = 1
		if o.Period > 0 {
			s.every(o.Period.Seconds())
		}
		for range 8 {
			s.rest(5)
			s.press(20)
			s.release(30)
		}
		in := s.stream()
		j := vent.NewJudge(s.pot, o)
		next, words := 0, map[vent.Word]int{}
		for ; next < len(in)/2; next++ {
			j.Step(in[next].sample)
			words[j.Answer().Word]++
		}
		if words[vent.Vented] == 0 {
			t.Errorf("period %v: nothing was proven, so the measurement says little: %v", o.Period, words)
		}
		const runs = 100
		each := (len(in) - next) / (runs + 1)
		if n := testing.AllocsPerRun(runs, func() {
			for range each {
				j.Step(in[next].sample)
				j.Answer()
				j.Handle()
				next++
			}
		}); n != 0 {
			t.Errorf("period %v: %v allocations in %d samples", o.Period, n, each)
		}
	}
}
