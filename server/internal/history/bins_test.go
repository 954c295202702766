package history

import (
	"math"
	"math/big"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Every bin is what a search through all samples for those of its time gives, whatever their order.
func TestDownsamplerAgainstSearch(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := si.Instant(rapid.Int64Range(0, 1<<50).Draw(t, "from"))
		span := si.Instant(rapid.Int64Range(0, 5000).Draw(t, "span"))
		step := time.Duration(rapid.Int64Range(1, 700).Draw(t, "step")) * time.Microsecond
		type sample struct {
			at si.Instant
			q  points.Quality
			v  float64
		}
		samples := rapid.SliceOf(rapid.Custom(func(t *rapid.T) sample {
			return sample{from + si.Instant(rapid.Int64Range(-100, 5100).Draw(t, "at")), points.Quality(rapid.IntRange(0, 2).Draw(t, "quality")),
				rapid.Float64Range(-1e7, 1e7).Draw(t, "value")}
		})).Draw(t, "samples")
		n, err := Steps(from, from+span, step)
		if err != nil {
			t.Fatal(err)
		}
		d := newDownsampler(from, from+span, step, n)
		for _, p := range samples {
			d.add(p.at, p.q, si.GaugePressure(p.v))
		}
		bins := d.finish()
		us := si.Instant(step / time.Microsecond)
		taken := 0
		for i, b := range bins {
			lo := from + si.Instant(i)*us
			hi := min(lo+us, from+span)
			if lo >= hi {
				t.Fatalf("bin %d of %d covers nothing", i, n)
			}
			var want [qualities][]float64
			for _, p := range samples {
				if p.at >= lo && p.at < hi {
					want[p.q] = append(want[p.q], p.v)
				}
			}
			check(t, "good", b.Good, want[points.Good])
			check(t, "out of range", b.OutOfRange, want[points.OutOfRange])
			if b.NoReply != len(want[points.NoReply]) {
				t.Fatalf("bin %d: %d without reply, want %d", i, b.NoReply, len(want[points.NoReply]))
			}
			taken += b.Good.Count + b.OutOfRange.Count + b.NoReply
		}
		inside := 0
		for _, p := range samples {
			if p.at >= from && p.at < from+span {
				inside++
			}
		}
		if taken != inside {
			t.Fatalf("%d of %d samples are in a bin", taken, inside)
		}
	})
}

// check compares with an exact sum.
func check(t *rapid.T, what string, s Spread, want []float64) {
	if s.Count != len(want) {
		t.Fatalf("%s: count %d, want %d", what, s.Count, len(want))
	}
	if len(want) == 0 {
		if s != (Spread{}) {
			t.Fatalf("%s: nothing gives %+v", what, s)
		}
		return
	}
	lo, hi, sum := want[0], want[0], new(big.Float).SetPrec(200)
	for _, v := range want {
		lo, hi = math.Min(lo, v), math.Max(hi, v)
		sum.Add(sum, big.NewFloat(v))
	}
	mean, _ := sum.Quo(sum, big.NewFloat(float64(len(want)))).Float64()
	if float64(s.Min) != lo || float64(s.Max) != hi || math.Abs(float64(s.Mean)-mean) > 1e-6 || s.Mean < s.Min || s.Mean > s.Max {
		t.Fatalf("%s: %+v, want %g, %g, %g", what, s, lo, hi, mean)
	}
}

func TestSteps(t *testing.T) {
	for _, c := range []struct {
		span, step time.Duration
		n          int
	}{
		{0, time.Second, 0},
		{time.Microsecond, time.Second, 1},
		{time.Second, time.Second, 1},
		{time.Second + time.Microsecond, time.Second, 2},
		{11_000 * time.Second, time.Second, 11_000},
	} {
		if n, err := Steps(start, start.Add(c.span), c.step); n != c.n || err != nil {
			t.Errorf("%v by %v: %d, %v", c.span, c.step, n, err)
		}
	}
	for _, span := range []time.Duration{time.Nanosecond * 1000, 24 * time.Hour, 400 * 24 * time.Hour} {
		// The step that an error names must do.
		to := start.Add(span)
		if _, err := Steps(start, to, 1); err == nil {
			t.Error("a step under a microsecond is taken")
		}
		least := (span/MaxSteps + time.Millisecond).Truncate(time.Microsecond)
		if _, err := Steps(start, to, least); err != nil {
			t.Errorf("%v: %v", span, err)
		}
	}
	if _, err := Steps(math.MinInt64, math.MaxInt64, time.Hour); err == nil {
		t.Error("all of time in hours is taken")
	}
}
