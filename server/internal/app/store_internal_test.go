package app

import (
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"gritwatch/server/internal/config"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/records"
)

// Where the records cannot be opened that is told, and the history is given back.
func TestStoreWithoutRecords(t *testing.T) {
	c := config.Config{Site: "harrow-quay", Data: t.TempDir()}
	records := filepath.Join(c.Data, "records")
	if err := os.WriteFile(records, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	log := slog.New(slog.DiscardHandler)
	if s, err := openStore(t.Context(), c, log); s != nil || err == nil || !strings.Contains(err.Error(), records) {
		t.Errorf("%v, %v", s, err)
	}
	if err := os.Remove(records); err != nil {
		t.Fatal(err)
	}
	s, err := openStore(t.Context(), c, log)
	if err != nil {
		t.Fatalf("after the records can be opened: %v", err)
	}
	if err := s.close(); err != nil {
		t.Error(err)
	}
}

// TestStartOnFullDisk: a server whose disk takes not one byte answers all the same, says so, and leaves nothing in memory. It needs a
// disk of its own, and so the right to mount one.
func TestStartOnFullDisk(t *testing.T) {
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=1m"); err != nil {
		t.Skipf("no disk of its own: %v", err)
	}
	defer func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	}()
	c := config.Config{Site: "harrow-quay", Data: dir}
	if err := os.MkdirAll(filepath.Join(dir, "history"), 0o750); err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(filepath.Join(dir, "filler"))
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = f.Write(make([]byte, 4096))
	}
	f.Close()
	var log strings.Builder
	s, err := openStore(t.Context(), c, slog.New(slog.NewTextHandler(&log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	if s.scratch == "" || !strings.Contains(log.String(), "the disk is full") {
		t.Errorf("scratch %q, log %s", s.scratch, log.String())
	}
	if err := s.records.AddCycle(records.Cycle{Pot: "alder", Cycle: engine.Cycle{Press: 1000, Release: 2000}, Ended: 3000}).Wait(t.Context()); err != nil {
		t.Errorf("a cycle is not even kept in memory: %v", err)
	}
	if err := s.close(); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(s.scratch); !os.IsNotExist(err) {
		t.Errorf("left in memory: %v", err)
	}
}
