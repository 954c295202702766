package steady_test

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/internal/statecodec"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/steady"
)

const began = si.Instant(1_760_000_000_000_000)

var path = points.SetOf(points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle)

// feed gives n instants of blasting, each so long after the one before, with what p says of their time in seconds.
func feed(a *steady.Averager, from si.Instant, n int, each time.Duration, p func(t float64) [points.Count]float64) (out []steady.Second) {
	for i := range n {
		at := from.Add(time.Duration(i) * each)
		v := p(at.Sub(began).Seconds())
		if s, ok := a.Step(at, path, &v, true); ok {
			out = append(out, s)
		}
	}
	return out
}

func still(t float64) [points.Count]float64 {
	return [points.Count]float64{900e3, 880e3, 850e3, 840e3, 790e3}
}

// The mean of the square of a + b sin is a^2 + b^2/2, over whole periods (any table of integrals): not the square of
// the mean.
func TestSquaresFirst(t *testing.T) {
	const a, b = 800e3, 60e3
	var av steady.Averager
	s := feed(&av, began, 101, 20*time.Millisecond, func(t float64) [points.Count]float64 {
		v := a + b*math.Sin(2*math.Pi*5*t)
		return [points.Count]float64{v, v, v, v, v}
	})
	if len(s) != 2 {
		t.Fatalf("%d seconds of 2 s", len(s))
	}
	for _, s := range s {
		if s.N != 50 || s.Span != time.Second || s.Has != path {
			t.Errorf("%+v", s)
		}
		for p := range points.Nozzle {
			if want := math.Sqrt(a*a + b*b/2); math.Abs(s.P[p]-want) > 2 {
				t.Errorf("pressure %v, want %v", s.P[p], want)
			}
			if want := a*a + b*b/2; math.Abs(s.PP[p]/want-1) > 3e-6 {
				t.Errorf("mean of squares %v, want %v", s.PP[p], want)
			}
		}
	}
	loss, ok := s[1].Between(points.Hose, points.Nozzle)
	if !ok || math.Abs(loss) > 3e-6*a*a {
		t.Errorf("loss %v, %v", loss, ok)
	}
	if _, ok := s[1].Between(points.Hose, points.Control); ok {
		t.Error("a loss to a point that is not there")
	}
}

// A vessel that rises by a known rate is seen to, and the gate opens only under it.
func TestRateAndGate(t *testing.T) {
	for _, rate := range []float64{-9e3, -3.9e3, 0, 3.9e3, 4.1e3, 20e3} {
		var av steady.Averager
		for i, s := range feed(&av, began, 100, 100*time.Millisecond, func(t float64) [points.Count]float64 {
			v := still(t)
			v[points.Vessel] += rate * t
			return v
		}) {
			if s.Rated != (i >= 2) {
				t.Errorf("second %d rated %v", i, s.Rated)
			}
			if s.Rated && math.Abs(s.Rate-rate) > 3 {
				t.Errorf("rate %v, want %v", s.Rate, rate)
			}
			if s.Steady != (i >= 2 && math.Abs(rate) < 4e3) {
				t.Errorf("at %v Pa/s second %d steady: %v", rate, i, s.Steady)
			}
		}
	}
}

func TestGapsAndReleases(t *testing.T) {
	var av steady.Averager
	feed(&av, began, 15, 100*time.Millisecond, still)
	// After a gap nothing of before counts.
	s := feed(&av, began.Add(4*time.Second), 25, 100*time.Millisecond, still)
	if len(s) != 2 || s[0].N != 10 || s[1].Rated {
		t.Errorf("after a gap %+v", s)
	}
	// Nor after a release; readings of then do not count at all.
	v := [points.Count]float64{1, 1, 1, 1, 1}
	if s, ok := av.Step(began.Add(7*time.Second), path, &v, false); ok {
		t.Errorf("released: %+v", s)
	}
	s = feed(&av, began.Add(8*time.Second), 12, 100*time.Millisecond, still)
	if len(s) != 1 || math.Abs(s[0].P[points.Supply]-900e3) > 1 || s[0].Rated {
		t.Errorf("after a release %+v", s)
	}
	// An instant again is no new one.
	if s, ok := av.Step(began.Add(8*time.Second), path, &v, true); ok {
		t.Errorf("an old instant: %+v", s)
	}
	// A point that is there in a third of the instants is not there.
	av = steady.Averager{}
	for i := range 12 {
		has := path
		if i%3 != 0 {
			has &^= points.SetOf(points.Nozzle)
		}
		p := still(0)
		if s, ok := av.Step(began.Add(time.Duration(i)*100*time.Millisecond), has, &p, true); ok && (s.Has.Has(points.Nozzle) || s.PP[points.Nozzle] != 0 || !s.Has.Has(points.Hose)) {
			t.Errorf("points %v, nozzle %v", s.Has, s.PP[points.Nozzle])
		}
	}
}

// Of a log slower than 1 Hz a second is one reading, and stands for the time until the next.
func TestSlowLog(t *testing.T) {
	av := steady.Averager{Period: 2 * time.Second}
	s := feed(&av, began, 5, 2*time.Second, still)
	if len(s) != 4 || s[3].N != 1 || s[3].Span != 2*time.Second || !s[3].Steady || math.Abs(s[3].P[points.Vessel]-850e3) > 1 {
		t.Errorf("%+v", s)
	}
	var live steady.Averager
	if s := feed(&live, began, 5, 2*time.Second, still); len(s) != 0 {
		t.Errorf("live: %+v", s)
	}
}

// A state that was saved and restored anywhere goes on bit for bit.
func TestSaveRestore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cut := rapid.IntRange(0, 60).Draw(t, "cut")
		each := rapid.SampledFrom([]time.Duration{20, 100, 200, 1000}).Draw(t, "each") * time.Millisecond
		noise := rapid.Float64Range(0, 5e3).Draw(t, "noise")
		p := func(s float64) [points.Count]float64 {
			v := still(s)
			for i := range v {
				v[i] += noise * math.Sin(1e3*s+float64(i))
			}
			return v
		}
		var a steady.Averager
		feed(&a, began, cut, each, p)
		b := steady.Averager{}
		saved := statecodec.Append(nil, 1, a.Fields)
		if err := statecodec.Restore(&b, saved, 1, (*steady.Averager).Fields); err != nil {
			t.Fatal(err)
		}
		from := began.Add(time.Duration(cut) * each)
		x, y := feed(&a, from, 60, each, p), feed(&b, from, 60, each, p)
		if len(x) != len(y) {
			t.Fatalf("%d and %d seconds", len(x), len(y))
		}
		for i := range x {
			if x[i] != y[i] {
				t.Fatalf("%+v\n%+v", x[i], y[i])
			}
		}
	})
}

func TestNoAllocation(t *testing.T) {
	var a steady.Averager
	p := still(0)
	i := 0
	if n := testing.AllocsPerRun(1000, func() {
		i++
		a.Step(began.Add(time.Duration(i)*100*time.Millisecond), path, &p, i%200 != 0)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkStep(b *testing.B) {
	var a steady.Averager
	p := still(0)
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		i++
		a.Step(began.Add(time.Duration(i)*100*time.Millisecond), path, &p, true)
	}
}
