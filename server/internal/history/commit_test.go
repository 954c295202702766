package history

import (
	"errors"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/prometheus/storage"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// committer stands in for the library where it fails without an error.
type committer struct {
	storage.AppenderV2
	commit func() error
}

func (c committer) Commit() error { return c.commit() }

// What the library loses without an error ends storing until the store was opened anew, and nothing is acknowledged.
func TestLostWithoutError(t *testing.T) {
	broken := errors.New("broken")
	for _, c := range []struct {
		name                  string
		appended, lateFailed  float64
		err                   error
		unsure, wantErr, wrap bool
	}{
		{name: "all is well", appended: 3},
		{name: "one dropped", appended: 2, wantErr: true},
		{name: "one too many", appended: 4, wantErr: true},
		{name: "one was there, which could not be known", appended: 2, unsure: true},
		{name: "late log", appended: 3, lateFailed: 1, wantErr: true},
		{name: "error", err: broken, wantErr: true, wrap: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := mustOpen(t, t.TempDir(), options(&clock{start}))
			counts := newCounters()
			appended := prometheus.NewCounterVec(prometheus.CounterOpts{Name: countAppended, Help: "h"}, []string{"type"})
			lateFailed := prometheus.NewCounter(prometheus.CounterOpts{Name: countLateLogFailed, Help: "h"})
			counts.MustRegister(appended, lateFailed)
			appended.WithLabelValues("float").Add(100)
			lateFailed.Add(5)
			if err := counts.complete(); err == nil {
				t.Error("two of four counters are complete")
			}
			o := &opening{counters: counts}
			s.mu.Lock()
			real := s.current
			s.current = o
			s.mu.Unlock()
			w := writer{s: s, o: o, n: 3, unsure: c.unsure, app: committer{commit: func() error {
				appended.WithLabelValues("float").Add(c.appended)
				lateFailed.Add(c.lateFailed)
				return c.err
			}}}
			s.writing.Lock()
			err := w.commit()
			s.writing.Unlock()
			s.mu.Lock()
			anew := s.anew
			s.current = real
			s.mu.Unlock()
			if (err != nil) != c.wantErr || anew != c.wantErr || c.wantErr && !errors.Is(err, ErrFault) || c.wrap && !errors.Is(err, broken) {
				t.Errorf("%v, anew %v", err, anew)
			}
		})
	}
}

// After a restart what comes again, from any place on, is known.
func TestAgainAfterRestart(t *testing.T) {
	c := &clock{start}
	dir := t.TempDir()
	s := mustOpen(t, dir, options(c))
	batch := func(from, n int) Batch {
		b := Batch{Pot: "alder", Epoch: 1}
		for i := from; i < from+n; i++ {
			b.Samples = append(b.Samples, good(points.Vessel, start+si.Instant(i), si.GaugePressure(i)))
		}
		return b
	}
	mustAppend(t, s, Result{Stored: 100}, batch(0, 100))
	for _, first := range []int{0, 30, 95} {
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		s = mustOpen(t, dir, options(c))
		mustAppend(t, s, Result{Repeated: 2}, batch(first, 2))
		mustAppend(t, s, Result{Repeated: 3}, batch(first+2, 3))
		mustAppend(t, s, Result{Repeated: 100}, batch(0, 100))
	}
	mustAppend(t, s, Result{Stored: 5, Repeated: 5}, batch(95, 10))
	if got := all(t, s, everything("alder")); len(got) != 105 {
		t.Errorf("%d records", len(got))
	}
}
