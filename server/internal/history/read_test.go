package history

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A gap, a dead gauge and a gauge beyond its limits look different, and a handle that is a switch is no pressure.
func TestDownsampled(t *testing.T) {
	c := &clock{start}
	s := mustOpen(t, t.TempDir(), options(c))
	at := func(sec float64) si.Instant { return start.Add(time.Duration(sec * float64(time.Second))) }
	b := Batch{Pot: "alder", Epoch: 4, Electric: true}
	for i := range 40 { // seconds 0 to 9: good; 10 to 19: nothing; 20 to 29: no reply; 30 to 39: out of range
		p := points.Sample{Point: points.Vessel, Quality: points.Good, At: at(float64(i)), Value: si.GaugePressure(i * i)}
		switch i / 10 {
		case 1:
			continue
		case 2:
			p.Quality = points.NoReply
		case 3:
			p.Quality = points.OutOfRange
		}
		b.Samples = append(b.Samples, p, points.Sample{Point: points.Control, Quality: points.Good, At: at(float64(i) + 0.5), Pressed: i%10 < 3})
	}
	mustAppend(t, s, Result{Stored: len(b.Samples)}, b)
	// The clock was set back: a second epoch has the same times.
	mustAppend(t, s, Result{Stored: 1}, Batch{Pot: "alder", Epoch: 3, Samples: []points.Sample{good(points.Vessel, at(3), 1000)}})
	traces, epochs, err := s.Downsampled(t.Context(), Query{"alder", allPoints, start, at(45)}, 10*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(epochs, []uint64{3, 4}) {
		t.Errorf("epochs %v", epochs)
	}
	press := func(n int) Bin { return Bin{Good: Spread{n, 0, 1, 0.3}} }
	want := []Trace{
		{points.Vessel, false, []Bin{{Good: Spread{11, 0, 1000, (285. + 1000) / 11}}, {}, {NoReply: 10}, {OutOfRange: Spread{10, 900, 1521, (285 + 2*30*45 + 9000) / 10.}}, {}}},
		{points.Control, true, []Bin{press(10), {}, press(10), press(10), {}}},
	}
	if fmt.Sprint(traces) != fmt.Sprint(want) {
		t.Errorf("got  %v\nwant %v", traces, want)
	}
}

// All that is stored, in memory, in full chunks and in blocks, is in a bin, and pages of Range do not show.
func TestLong(t *testing.T) {
	c := &clock{start}
	o := options(c)
	s := mustOpen(t, t.TempDir(), o)
	bs := fleet(2)
	const ticks = 3600 // half an hour, in blocks of ten minutes
	for n := range ticks {
		tick(bs, n)
		c.at = start.Add(time.Duration(n) * 500 * time.Millisecond)
		if _, err := s.Append(bs...); err != nil {
			t.Fatal(err)
		}
		if n%600 == 0 {
			s.upkeep(t.Context())
		}
	}
	if n := len(s.current.db.Blocks()); n == 0 {
		t.Fatal("no block was written")
	}
	q := Query{"pot-1", allPoints, start, start.Add(time.Hour + time.Second)}
	const step = 7 * time.Second
	n, err := Steps(q.From, q.To, step)
	if err != nil {
		t.Fatal(err)
	}
	var want [points.Count]*downsampler
	for p := range want {
		want[p] = newDownsampler(q.From, q.To, step, n)
	}
	count, last := 0, si.Instant(0)
	if err := s.Range(t.Context(), q, func(r Record) error {
		if r.At < last {
			t.Fatalf("%v after %v", r.At, last)
		}
		last = r.At
		count++
		want[r.Point].add(r.At, r.Quality, r.Value)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if count != ticks*30 {
		t.Fatalf("%d records, want %d", count, ticks*30)
	}
	traces, _, err := s.Downsampled(t.Context(), q, step)
	if err != nil || len(traces) != points.Count {
		t.Fatal(err, len(traces))
	}
	for p, trace := range traces {
		if !slices.Equal(trace.Bins, want[p].finish()) {
			t.Errorf("%v differs", trace.Point)
		}
	}
	stop := errors.New("enough")
	if err := s.Range(t.Context(), q, func(Record) error { return stop }); err != stop {
		t.Error(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := s.Range(ctx, q, func(Record) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if _, _, err := s.Downsampled(ctx, q, step); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// Days are read one by one, which does not show, nor does a query that names neither points nor an end.
func TestDownsampledByDays(t *testing.T) {
	c := &clock{start}
	s := mustOpen(t, t.TempDir(), options(c))
	b := Batch{Pot: "alder", Epoch: 1}
	const days = 6
	for i := range days * 24 * 20 { // each 3 min, some twice a microsecond apart where days meet
		at := start.Add(-days*24*time.Hour + time.Duration(i)*3*time.Minute)
		b.Samples = append(b.Samples, good(points.Vessel, at, si.GaugePressure(i)))
		if i%(24*20) == 0 && i > 0 {
			b.Samples = append(b.Samples, good(points.Vessel, at-1, si.GaugePressure(-i)))
		}
	}
	mustAppend(t, s, Result{Stored: len(b.Samples)}, b)
	q := Query{Pot: "alder", From: start.Add(-days * 24 * time.Hour)}
	const step = time.Hour
	n, err := Steps(q.From, b.Samples[len(b.Samples)-1].At+1, step)
	if err != nil {
		t.Fatal(err)
	}
	want, count := newDownsampler(q.From, start, step, n), 0
	if err := s.Range(t.Context(), q, func(r Record) error {
		want.add(r.At, r.Quality, r.Value)
		count++
		return nil
	}); err != nil || count != len(b.Samples) {
		t.Fatal(count, err)
	}
	traces, _, err := s.Downsampled(t.Context(), q, step)
	if err != nil || len(traces) != 1 || !slices.Equal(traces[0].Bins, want.finish()) {
		t.Errorf("%v, %d traces", err, len(traces))
	}
}

// Blocks past their time go, and only those.
func TestRetention(t *testing.T) {
	c := &clock{start}
	o := options(c)
	o.Retention = 2 * time.Hour
	s := mustOpen(t, t.TempDir(), o)
	for n := range 8 * 60 {
		c.at = start.Add(time.Duration(n) * time.Minute)
		mustAppend(t, s, Result{Stored: 1}, Batch{Pot: "alder", Epoch: 1, Samples: []points.Sample{good(points.Vessel, c.at, 1)}})
		if n%10 == 0 {
			s.upkeep(t.Context())
		}
	}
	got := all(t, s, everything("alder"))
	if len(got) < 2*60 || len(got) > 3*60 || got[len(got)-1].At != c.at {
		t.Errorf("%d records, from %v", len(got), got[0].At)
	}
	if oldest := s.Stats().Oldest; oldest > got[0].At || oldest < got[0].At.Add(-o.Block) {
		t.Errorf("oldest %v, first %v", oldest, got[0].At)
	}
}

// A slow reader holds up neither the writer nor a store that must be opened anew.
func TestSlowReader(t *testing.T) {
	c := &clock{start}
	s := mustOpen(t, t.TempDir(), options(c))
	b := Batch{Pot: "alder", Epoch: 1}
	for i := range 20_000 {
		b.Samples = append(b.Samples, good(points.Vessel, start.Add(time.Duration(i)*time.Microsecond), 1))
	}
	mustAppend(t, s, Result{Stored: len(b.Samples)}, b)
	n := 0
	err := s.Range(t.Context(), everything("alder"), func(Record) error {
		if n++; n == 5 {
			if err := s.reopen(); err != nil {
				return err
			}
			mustAppend(t, s, Result{Stored: 1}, Batch{Pot: "alder", Epoch: 2, Samples: []points.Sample{good(points.Vessel, start, 1)}})
		}
		return nil
	})
	if err != nil || n < len(b.Samples) {
		t.Fatal(n, err)
	}
}

// Writers, readers, Sync, upkeep and faults at once. For the race detector, and that nothing waits for ever.
func TestTogether(t *testing.T) {
	c := &clock{start.Add(time.Hour)}
	o := options(c)
	o.Block = time.Minute
	s := mustOpen(t, t.TempDir(), o)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var g sync.WaitGroup
	run := func(f func(i int)) {
		g.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				f(i)
			}
		})
	}
	run(func(int) { _ = s.Sync() })
	run(func(int) { s.upkeep(ctx) })
	run(func(int) {
		_ = s.Stats()
		_ = s.Damage()
		_, _, _ = s.Downsampled(ctx, Query{"pot-0", allPoints, start, start.Add(time.Hour)}, time.Minute)
	})
	run(func(int) { _ = s.Range(ctx, everything("pot-1"), func(Record) error { return ctx.Err() }) })
	var others [2]int
	for w := range others {
		g.Go(func() {
			bs := fleet(2)
			for i := range bs {
				bs[i].Epoch = uint64(w)
			}
			for n := range 240 {
				tick(bs, n)
				for {
					r, err := s.Append(bs...)
					if err == nil {
						if r.Stored+r.Repeated != 60 {
							t.Errorf("%+v", r)
						}
						_ = s.Fate(r.Mark)
						break
					}
				}
				if n%100 == 50 && w == 0 {
					if err := s.reopen(); err != nil {
						t.Error(err)
					}
				}
				others[w]++
			}
			if w == 0 {
				cancel()
			}
		})
	}
	g.Wait()
	for _, pot := range []string{"pot-0", "pot-1"} {
		if got := len(all(t, s, everything(pot))); got != 2*240*30 {
			t.Errorf("%s has %d records", pot, got)
		}
	}
}

// Run mends and tidies on its own, and ends with its context.
func TestRun(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		o := crashOptions()
		free := uint64(0)
		s, err := open(dir, o, func(string) (uint64, error) { return free, nil }, fsyncFile)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx) }()
		time.Sleep(time.Hour)
		if _, err := s.Append(crashBatch(0)); !errors.Is(err, ErrAway) {
			t.Errorf("full disk: %v", err)
		}
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		free = 1 << 40
		s.mend()
		mustAppend(t, s, Result{Stored: 30}, crashBatch(0))
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
}
