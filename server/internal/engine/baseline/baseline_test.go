package baseline_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/internal/statecodec"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/steady"
)

const t0 = si.Instant(1_900_000_000_000_000)

var path = points.SetOf(points.Supply, points.Vessel, points.Hose)

// second is one of blasting: supply 8 bar plus v kPa, vessel and hose 10 and 20 kPa under it.
func second(at time.Duration, v float64) steady.Second {
	s := steady.Second{At: t0.Add(at), N: 10, Has: path | points.SetOf(points.Control), Rated: true, Steady: true}
	for i, pt := range []points.Point{points.Supply, points.Vessel, points.Hose} {
		s.P[pt] = 8e5 + 1e3*v - 1e4*float64(i)
	}
	return s
}

// The first eight seconds of a press are left out, a profile is there from 20 more on, and stands after 300: it is the root of their mean square.
func TestLearn(t *testing.T) {
	var l baseline.Learner
	known, sum, n := 0, 0.0, 0
	for i := range 400 {
		s := second(time.Duration(i)*time.Second, float64(i%7))
		changed := l.Step(&s)
		p := l.Learned()
		if p.Known() && known == 0 {
			known = i + 1
		}
		if i >= 8 && n < 300 {
			sum, n = sum+math.Pow(8e5+1e3*float64(i%7), 2), n+1
		}
		if want := i >= 8+20-1 && i < 8+300; changed != want {
			t.Fatalf("second %d: changed %v", i, changed)
		}
	}
	p := l.Learned()
	if known != 28 || p.How != baseline.Learned || p.Seconds != 300 || p.Has != path {
		t.Errorf("known from second %d on: %+v", known, p)
	}
	if want := math.Sqrt(sum / 300); math.Abs(p.P[points.Supply]-want) > 1 || math.Abs(p.P[points.Hose]-want+2e4) > 1 || p.P[points.Nozzle] != 0 {
		t.Errorf("supply %v, want %v", p.P, want)
	}
	if want := t0.Add(307*time.Second + 500*time.Millisecond); p.At != want {
		t.Errorf("measured at %v, want %v", p.At, want)
	}
}

// Seconds in which the vessel fills or empties, and those of another set of points, do not count.
func TestWhatCounts(t *testing.T) {
	var l baseline.Learner
	at := time.Duration(0)
	step := func(change func(*steady.Second)) {
		at += time.Second
		s := second(at, 0)
		change(&s)
		l.Step(&s)
	}
	for range 100 {
		step(func(s *steady.Second) { s.Rate = 12.1 * si.KPa })
		step(func(s *steady.Second) { s.Rated = false })
	}
	if l.Learned().Known() {
		t.Fatal("learned while the vessel fills")
	}
	for range 50 {
		step(func(*steady.Second) {})
	}
	if p := l.Learned(); p.Seconds != 50 {
		t.Fatalf("%+v", p)
	}
	for range 50 {
		step(func(s *steady.Second) { s.Has &^= points.SetOf(points.Hose) })
	}
	if p := l.Learned(); p.Seconds != 50 || p.Has != path {
		t.Errorf("without the hose point: %+v", p)
	}
	if p := l.Last(t0.Add(at)); p.Seconds != 50 || p.Has != path&^points.SetOf(points.Hose) {
		t.Errorf("the last blast: %+v", p)
	}
}

// A ritual is the last blast alone, for ten minutes.
func TestLast(t *testing.T) {
	var l baseline.Learner
	at := time.Duration(0)
	blast := func(seconds int, v float64) {
		at += time.Minute
		for range seconds {
			at += time.Second
			s := second(at, v)
			l.Step(&s)
		}
	}
	blast(60, 0)
	blast(40, 10)
	p := l.Last(t0.Add(at))
	if p.How != baseline.Ritual || p.Seconds != 32 || math.Abs(p.P[points.Supply]-8.1e5) > 1 {
		t.Errorf("%+v", p)
	}
	if l.Last(t0.Add(at+10*time.Minute)) != p || l.Last(t0.Add(at+10*time.Minute+time.Second)).Known() {
		t.Error("it is offered for ten minutes after its end")
	}
	blast(27, 0)
	if l.Last(t0.Add(at)).Known() {
		t.Error("19 s are a ritual")
	}
}

// A person's takes the place of what was learned, whatever the day; of persons' the later one holds.
func TestNewer(t *testing.T) {
	of := func(k baseline.Kind, at si.Instant) baseline.Profile { return baseline.Profile{How: k, At: at} }
	for _, tt := range []struct {
		p, old baseline.Profile
		want   bool
	}{
		{of(baseline.Learned, 5), baseline.Profile{}, true},
		{baseline.Profile{}, of(baseline.Learned, 5), false},
		{of(baseline.Commissioned, 1), of(baseline.Learned, 5), true},
		{of(baseline.Learned, 9), of(baseline.Ritual, 5), false},
		{of(baseline.Ritual, 6), of(baseline.Commissioned, 5), true},
		{of(baseline.Ritual, 4), of(baseline.Commissioned, 5), false},
		{of(baseline.Commissioned, 6), of(baseline.Ritual, 5), true},
	} {
		if got := tt.p.Newer(&tt.old); got != tt.want {
			t.Errorf("%v of %d over %v of %d: %v", tt.p.How, tt.p.At, tt.old.How, tt.old.At, got)
		}
	}
	s := baseline.Set{Laden: of(baseline.Learned, 5)}
	if !s.Provisional() || !s.Put(baseline.Set{Laden: of(baseline.Ritual, 3), Air: of(baseline.Ritual, 3)}) || s.Provisional() || s.Air.How != baseline.Ritual {
		t.Errorf("%+v", s)
	}
	if s.Put(baseline.Set{Laden: of(baseline.Commissioned, 2)}) {
		t.Error("an older one was put")
	}
}

// Saved in the midst of learning and restored, it learns on bit for bit.
func TestFields(t *testing.T) {
	var l, again baseline.Learner
	for i := range 60 {
		s := second(time.Duration(i)*time.Second, math.Sin(float64(i)))
		l.Step(&s)
	}
	state := statecodec.Append(nil, 1, l.Fields)
	if err := statecodec.Read(state, 1, again.Fields); err != nil {
		t.Fatal(err)
	}
	for i := 60; i < 120; i++ {
		s := second(time.Duration(i)*time.Second, math.Sin(float64(i)))
		if l.Step(&s) != again.Step(&s) || l.Learned() != again.Learned() || l.Last(s.At) != again.Last(s.At) {
			t.Fatalf("second %d differs", i)
		}
	}
}
