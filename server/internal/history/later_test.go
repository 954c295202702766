package history

import (
	"context"
	"errors"
	"log/slog"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// TestLater: a store that is to be opened later gives and takes nothing until Run has opened it, and then has what was stored before.
func TestLater(t *testing.T) {
	dir, log := t.TempDir(), slog.New(slog.NewTextHandler(t.Output(), nil))
	at := si.InstantOf(time.Now())
	batch := Batch{Pot: "alder", Epoch: 1, Samples: []points.Sample{{Point: points.Vessel, Quality: points.Good, At: at, Value: 5}}}
	s, err := Open(dir, Options{Site: "harrow-quay", Log: log, MinFree: 1 << 20})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Append(batch); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	if s, err = Open(dir, Options{Site: "harrow-quay", Log: log, MinFree: 1 << 20, Later: true}); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(dir, Options{Site: "harrow-quay", Log: log, Later: true}); err == nil {
		t.Error("the directory was opened twice")
	}
	if _, err := s.Append(batch); !errors.Is(err, ErrAway) {
		t.Errorf("append before it is open: %v", err)
	}
	if st := s.Stats(); st.Fault == "" {
		t.Error("no fault is told before it is open")
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- s.Run(ctx) }()
	for s.Stats().Fault != "" { // Append waits while the files are opened
		if _, err := s.Append(batch); err != nil && !errors.Is(err, ErrAway) {
			t.Fatal(err)
		}
	}
	n := 0
	if err := s.Range(t.Context(), Query{Pot: "alder"}, func(Record) error { n++; return nil }); err != nil || n != 1 {
		t.Errorf("%d records, %v", n, err)
	}
	cancel()
	if err := errors.Join(<-done, s.Close()); err != nil {
		t.Error(err)
	}
}
