package main

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/config"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/records"
)

// TestBackupAndRestore: records are written to a file while a server has them, and come back only when none has.
func TestBackupAndRestore(t *testing.T) {
	data, to := t.TempDir(), t.TempDir()
	site := file(t, strings.Replace(config.Reference, "data: ./data", fmt.Sprintf("data: %q", data), 1))
	backup := filepath.Join(to, "records.db")
	try := func(code int, want string, args ...string) {
		t.Helper()
		got, stdout, stderr := call(t, t.Context(), args...)
		if got != code || !strings.Contains(stdout+stderr, want) || code == 0 && stderr != "" || code != 0 && (stdout != "" || strings.Count(stderr, "\n") != 1) {
			t.Errorf("%v: code %d, want %d and %q\n%s%s", args, got, code, want, stdout, stderr)
		}
	}
	try(2, "missing flags: --to=FILE", "backup", "--config", site)
	try(2, "missing flags: --from=FILE", "restore", "--config", site)
	try(2, "the site's file cannot be used: ", "backup", "--config", filepath.Join(to, "none.yaml"), "--to", backup)
	try(1, "there are no records in "+data, "backup", "--config", site, "--to", backup)

	open := func() *records.SQLite {
		t.Helper()
		r, err := records.Open(records.Folder(data), slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	const press = si.Instant(1790000000000000)
	add := func(r *records.SQLite, at si.Instant) {
		t.Helper()
		if err := r.AddCycle(records.Cycle{Pot: "alder", Cycle: engine.Cycle{Press: at, Release: at + 1}, Ended: at + 2}).Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	cycles := func(r *records.SQLite) int {
		t.Helper()
		p, err := r.Cycles(t.Context(), records.Query{})
		if err != nil {
			t.Fatal(err)
		}
		return len(p.Items)
	}
	r := open()
	add(r, press)
	try(0, backup+" holds the records, checked: ", "backup", "--config", site, "--to", backup)
	try(2, "--to cannot be used: backup: "+backup+" file already exists; name a new file", "backup", "--config", site, "--to", backup)
	try(1, "are in use by a running server; stop that one", "restore", "--config", site, "--from", backup)
	add(r, press+5)
	if n := cycles(r); n != 2 {
		t.Errorf("%d cycles while the server runs", n)
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	try(0, "cycles 1, alarms 0, newest of these 2026-09-21T14:13:20.000Z; those of before are kept in "+data, "restore", "--config", site, "--from", backup)
	r = open()
	if n := cycles(r); n != 1 {
		t.Errorf("%d cycles after the restore", n)
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	bad := filepath.Join(to, "bad")
	if err := os.WriteFile(bad, []byte(strings.Repeat("x", 5000)), 0o600); err != nil {
		t.Fatal(err)
	}
	try(1, "restore: "+bad+": damaged: ", "restore", "--config", site, "--from", bad)
}
