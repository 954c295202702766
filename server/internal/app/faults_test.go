package app

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
)

func open(t *testing.T, dir string, pots []potfile.Pot) *faults {
	t.Helper()
	f, err := openFaults(dir, pots, slog.New(slog.NewTextHandler(t.Output(), nil)))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestFaultsOutliveARestart(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	pots := []potfile.Pot{{Name: "alder", Points: points.SetOf(points.Vessel)}, {Name: "birch", Points: points.SetOf(points.Vessel)}}
	synctest.Test(t, func(t *testing.T) {
		f := open(t, dir, pots)
		if f.faulty("alder") {
			t.Error("faulty from the start")
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- f.Run(ctx) }()
		f.note("alder")
		synctest.Wait()
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	if f := open(t, dir, pots); !f.faulty("alder") || f.faulty("birch") {
		t.Error("the finding did not outlive a restart")
	}
	// Other changes of the configuration do not end it; a recorded zero does.
	pots[0].Vessel.Volume = 1
	if !open(t, dir, pots).faulty("alder") {
		t.Error("a new volume ended it")
	}
	pots[0].Gauges[points.Vessel].Zero = &vent.Zero{Offset: 500, By: "yard foreman", At: "2026-11-24"}
	if open(t, dir, pots).faulty("alder") {
		t.Error("a recorded zero did not end it")
	}
	// Nothing but the file itself is left in the directory.
	if entries, err := os.ReadDir(dir); err != nil || len(entries) != 1 {
		t.Errorf("%v, error %v", entries, err)
	}
}
