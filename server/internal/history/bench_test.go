package history

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// fleet makes half a second of readings at 10 Hz of each pot, as one tick brings them.
func fleet(pots int) []Batch {
	bs := make([]Batch, pots)
	for i := range bs {
		bs[i] = Batch{Pot: fmt.Sprintf("pot-%d", i), Epoch: 1, Samples: make([]points.Sample, 30)}
	}
	return bs
}

// tick sets their times: polled one point after another, in whole milliseconds, as they come over the wire.
func tick(bs []Batch, n int) {
	for i := range bs {
		for k := range bs[i].Samples {
			p := points.Point(k % points.Count)
			at := start.Add(time.Duration(n)*500*time.Millisecond + time.Duration(k/points.Count)*100*time.Millisecond + time.Duration(p)*15*time.Millisecond)
			at = at/1000*1000 + si.Instant((n*7+i+k*k)%3)*1000
			v := 690e3 - 1e4*float64(p) + 3e3*math.Sin(float64(n)/20+float64(i)) + 200*math.Sin(float64(n*31+k*17+i))
			bs[i].Samples[k] = points.Sample{Point: p, Quality: points.Good, At: at, Value: si.GaugePressure(float32(v))}
		}
	}
}

// One append with one commit for all pots each half second of their time; bytes/sample is of the log.
func BenchmarkAppend(b *testing.B) {
	for _, pots := range []int{1, 100, 1000, 10_000} {
		b.Run(fmt.Sprintf("pots=%d", pots), func(b *testing.B) { benchAppend(b, pots, true) })
	}
	b.Run("pots=100/each by itself", func(b *testing.B) { benchAppend(b, 100, false) })
}

func benchAppend(b *testing.B, pots int, together bool) {
	c := &clock{start}
	o := options(c)
	o.Block = time.Hour
	s := mustOpen(b, b.TempDir(), o)
	bs := fleet(pots)
	n := 0
	give := func() {
		tick(bs, n)
		n++
		c.at = start.Add(time.Duration(n) * 500 * time.Millisecond)
		b.StartTimer()
		defer b.StopTimer()
		if together {
			if _, err := s.Append(bs...); err != nil {
				b.Fatal(err)
			}
			return
		}
		for i := range bs {
			if _, err := s.Append(bs[i]); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.StopTimer()
	for range 4 {
		give()
	}
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		give()
		if n%120 == 0 {
			s.upkeep(context.Background())
		}
	}
	samples := float64(b.N) * float64(30*pots)
	b.ReportMetric(samples/b.Elapsed().Seconds(), "samples/s")
	b.ReportMetric(float64(s.Stats().Stored), "stored")
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	b.ReportMetric(float64(m.HeapInuse)/float64(pots)/1024, "heapKB/pot")
}

// A day of one pot at 10 Hz and six points, written as it comes, with blocks.
func BenchmarkDay(b *testing.B) {
	c := &clock{start}
	o := options(c)
	o.Block = time.Hour
	s := mustOpen(b, b.TempDir(), o)
	bs := fleet(1)
	const ticks = 24 * 3600 * 2
	began := time.Now()
	for n := range ticks {
		tick(bs, n)
		c.at = start.Add(time.Duration(n) * 500 * time.Millisecond)
		if _, err := s.Append(bs...); err != nil {
			b.Fatal(err)
		}
		if n%1200 == 0 {
			s.upkeep(context.Background())
		}
	}
	written := time.Since(began)
	s.upkeep(context.Background())
	st := s.Stats()
	day := Query{"pot-0", allPoints, start, start.Add(24 * time.Hour)}
	b.Run("downsampled to 1000 steps", func(b *testing.B) {
		for range b.N {
			traces, _, err := s.Downsampled(context.Background(), day, 86400*time.Millisecond)
			if err != nil || len(traces) != points.Count || traces[0].Bins[0].Good.Count == 0 {
				b.Fatal(err, len(traces))
			}
		}
		b.ReportMetric(float64(st.Bytes)/float64(st.Stored), "bytes/sample")
		b.ReportMetric(written.Seconds(), "s-to-write")
	})
	b.Run("downsampled vessel only", func(b *testing.B) {
		q := day
		q.Points = points.SetOf(points.Vessel)
		for range b.N {
			if _, _, err := s.Downsampled(context.Background(), q, 86400*time.Millisecond); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("last five minutes", func(b *testing.B) {
		q := day
		q.From = day.To.Add(-5 * time.Minute)
		for range b.N {
			if _, _, err := s.Downsampled(context.Background(), q, time.Second); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("range", func(b *testing.B) {
		b.ReportAllocs()
		n := 0
		for range b.N {
			n = 0
			if err := s.Range(context.Background(), day, func(Record) error { n++; return nil }); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
	})
	b.Run("late again", func(b *testing.B) { // a replay of what is there
		for n := range b.N {
			tick(bs, n%ticks)
			if r, err := s.Append(bs...); err != nil || r.Repeated != 30 {
				b.Fatal(r, err)
			}
		}
	})
}

// An hour of one pot that comes late, in messages of 500 samples.
func BenchmarkLate(b *testing.B) {
	c := &clock{start.Add(100 * time.Hour)}
	o := options(c)
	o.Block = time.Hour
	s := mustOpen(b, b.TempDir(), o)
	newest := fleet(1)
	tick(newest, 24*3600*2)
	if _, err := s.Append(newest...); err != nil {
		b.Fatal(err)
	}
	bs := fleet(1)
	var all []points.Sample
	n := 0
	b.ReportAllocs()
	for range b.N {
		b.StopTimer()
		all = all[:0]
		for range 17 {
			tick(bs, n)
			n++
			all = append(all, bs[0].Samples...)
		}
		b.StartTimer()
		if r, err := s.Append(Batch{Pot: "pot-0", Epoch: 1, Samples: all}); err != nil || r.Stored != len(all) {
			b.Fatal(r, err)
		}
	}
	b.ReportMetric(float64(b.N)*510/b.Elapsed().Seconds(), "samples/s")
}
