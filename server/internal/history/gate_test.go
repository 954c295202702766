package history

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A listener hears what the library logs.
type listener struct {
	slog.Handler
	heard func(message string)
}

func (l listener) Enabled(context.Context, slog.Level) bool { return true }

func (l listener) Handle(_ context.Context, r slog.Record) error { l.heard(r.Message); return nil }

// Nothing is appended from when a block of samples as they came was written until the library has taken stock of late
// samples; while anything is being written samples are taken.
func TestGate(t *testing.T) {
	c := &clock{start}
	o := options(c)
	var s *Store
	var tending atomic.Bool
	heard := map[string]int{}
	o.Log = slog.New(listener{slog.DiscardHandler, func(message string) {
		if !tending.Load() {
			return
		}
		free := s.gate.TryLock()
		if free {
			s.gate.Unlock()
		}
		for part, wantFree := range map[string]bool{
			"write block":                     true,  // by the library's compactor
			"Head GC completed":               false, // after a block of samples as they came; see below for late ones
			"out-of-order compaction started": false, // stock was taken just before
			"compact blocks":                  true,
		} {
			if !strings.HasPrefix(message, part) {
				continue
			}
			if part == "Head GC completed" && heard["out-of-order compaction completed"] > 0 {
				wantFree = true
			}
			if heard[part]++; free != wantFree {
				t.Errorf("at %q the gate is open: %v", message, free)
			}
		}
		if strings.HasPrefix(message, "out-of-order compaction completed") {
			heard["out-of-order compaction completed"]++
		}
	}})
	s = mustOpen(t, t.TempDir(), o)
	for n := range 60 {
		c.at = start.Add(time.Duration(n) * time.Minute)
		mustAppend(t, s, Result{Stored: 1}, Batch{Pot: "alder", Epoch: 1, Samples: []points.Sample{good(points.Vessel, c.at, 1)}})
	}
	mustAppend(t, s, Result{Stored: 300}, lateBatch(points.Vessel, 0, 300))
	tending.Store(true)
	s.upkeep(t.Context())
	tending.Store(false)
	t.Log(heard)
	for _, part := range []string{"write block", "Head GC completed", "out-of-order compaction started", "compact blocks"} {
		if heard[part] == 0 {
			t.Errorf("the library did not say %q", part)
		}
	}
	if !s.gate.TryLock() {
		t.Fatal("the gate stays shut")
	}
	s.gate.Unlock()
}

// Late samples that come while the library takes stock of others are not lost.
func TestLateWhileStockIsTaken(t *testing.T) {
	c := &clock{start}
	o := options(c)
	begun := make(chan struct{})
	begin := sync.OnceFunc(func() { close(begun) })
	var tending atomic.Bool
	o.Log = slog.New(listener{slog.DiscardHandler, func(message string) {
		if tending.Load() && message == "Head GC completed" { // the last that it says before
			begin()
		}
	}})
	s := mustOpen(t, t.TempDir(), o)
	for n := range 20 {
		c.at = start.Add(time.Duration(n) * time.Minute)
		mustAppend(t, s, Result{Stored: 1}, Batch{Pot: "alder", Epoch: 1, Samples: []points.Sample{good(points.Vessel, c.at, 1)}})
	}
	// So many series that the stock takes a while.
	others := make([]Batch, 800)
	for i := range others {
		others[i] = Batch{Pot: fmt.Sprintf("other-%d", i), Epoch: 1}
		for _, p := range points.All() {
			others[i].Samples = append(others[i].Samples, good(p, start.Add(-30*time.Hour), 1))
		}
	}
	mustAppend(t, s, Result{Stored: len(others) * points.Count}, others...)
	done := make(chan struct{})
	tending.Store(true)
	go func() {
		defer close(done)
		s.upkeep(t.Context())
	}()
	select {
	case <-begun:
	case <-done:
		t.Fatal("no block was due")
	}
	n := 0
	for working := true; working && n < 150; n++ {
		b := lateBatch(points.Vessel, 0, 300)
		b.Pot = fmt.Sprintf("late-%d", n)
		mustAppend(t, s, Result{Stored: 300}, b)
		select {
		case <-done:
			working = false
		default:
		}
	}
	<-done
	if failed := s.Stats().UpkeepFailed; failed != 0 {
		t.Fatalf("upkeep failed %d times", failed)
	}
	for i := range n {
		q := Query{Pot: fmt.Sprintf("late-%d", i), From: start.Add(-31 * time.Hour), To: start.Add(-29 * time.Hour)}
		if got := len(all(t, s, q)); got != 300 {
			t.Errorf("of pot %d of %d %d of 300 records are there", i, n, got)
		}
	}
}

// What an agent sends late, behind its live readings, lies in blocks that reach farther than those of what came in order. Merging the two does not
// make the next start pass over what of that time is in the log alone, whichever pot it is of.
func TestMergedLateSamplesHideNoLog(t *testing.T) {
	begin := si.Instant(start.Time().Truncate(time.Hour).UnixMicro())
	for last := 50; last < 110; last += 5 { // minutes: wherever the ranges that are merged begin and end
		c := &clock{begin.Add(time.Duration(last) * time.Minute)}
		o, dir := options(c), t.TempDir()
		s, err := Open(dir, o)
		if err != nil {
			t.Fatal(err)
		}
		at := func(minute int) si.Instant { return begin.Add(time.Duration(minute) * time.Minute) }
		var live, late Batch
		live.Pot, live.Epoch, late.Pot, late.Epoch = "birch", 1, "alder", 1
		for m := range last {
			live.Samples = append(live.Samples, good(points.Vessel, at(m), si.GaugePressure(m)))
			late.Samples = append(late.Samples, good(points.Vessel, at(m), si.GaugePressure(m)))
		}
		newest := Batch{Pot: "alder", Epoch: 1, Samples: []points.Sample{good(points.Vessel, at(last), 1)}}
		mustAppend(t, s, Result{Stored: last}, live)
		mustAppend(t, s, Result{Stored: 1}, newest)
		mustAppend(t, s, Result{Stored: last}, late)
		for range 3 {
			s.upkeep(context.Background())
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if s, err = Open(dir, o); err != nil {
			t.Fatal(err)
		}
		for pot, want := range map[string]int{"birch": last, "alder": last + 1} {
			got := 0
			if err := s.Range(t.Context(), everything(pot), func(Record) error { got++; return nil }); err != nil {
				t.Fatal(err)
			}
			if got != want {
				t.Errorf("until minute %d: %d of %d samples of %s outlive a restart", last, got, want, pot)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
