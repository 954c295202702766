package records

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestBackupUnderLoad: a backup that is made while a server in another process writes holds all that had been told to be
// stored when it began, nothing by halves, and comes back.
func TestBackupUnderLoad(t *testing.T) {
	folder, to := t.TempDir(), t.TempDir()
	cmd := child(t, "writer", folder)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		_ = cmd.Process.Signal(syscall.SIGKILL)
		_ = cmd.Wait() // killed
	}()
	told := 0
	read := func() {
		t.Helper()
		if _, err := fmt.Fscan(out, &told); err != nil {
			t.Fatal(err)
		}
	}
	for n := range 3 {
		for range 20 {
			read()
		}
		path := filepath.Join(to, fmt.Sprint(n))
		sum, err := BackupFolder(t.Context(), folder, path)
		if err != nil {
			t.Fatal(err)
		}
		if info, err := os.Stat(path); err != nil || info.Size() != sum.Bytes || sum.Cycles < told || sum.Newest != begin.Add(time.Duration(sum.Cycles)*time.Minute) {
			t.Errorf("backup %+v of at least %d cycles, %v", sum, told, err)
		}
		// While the server runs nothing is put back.
		if kept, _, err := Restore(t.Context(), folder, path, time.Unix(0, 0)); !errors.Is(err, ErrHeld) || kept != "" {
			t.Errorf("restored under a running server: %q, %v", kept, err)
		}
		fresh := t.TempDir()
		if kept, got, err := Restore(t.Context(), fresh, path, time.Unix(0, 0)); err != nil || kept != "" || got != sum {
			t.Fatalf("restored %+v beside %q, %v", got, kept, err)
		}
		s, _ := opened(t, fresh)
		p := got[[]Position](t)(s.Positions(t.Context()))
		if len(p) != 1 || int(p[0].Stored) < told || int(p[0].Stored) > sum.Cycles {
			t.Errorf("positions %+v of at least %d and at most %d", p, told, sum.Cycles)
		}
		for after, n := "", 1; ; {
			page := got[Page[Cycle]](t)(s.Cycles(t.Context(), Query{OldestFirst: true, After: after, Limit: longestPage}))
			for _, c := range page.Items {
				if c != cycleOf("alder", time.Duration(n)*time.Minute) {
					t.Fatalf("cycle %d is %+v", n, c)
				}
				n++
			}
			if after = page.Next; after == "" {
				if n-1 != sum.Cycles {
					t.Errorf("%d cycles of %d", n-1, sum.Cycles)
				}
				break
			}
		}
	}
	names, err := os.ReadDir(to)
	if err != nil || len(names) != 3 {
		t.Errorf("more than the backups is left: %v, %v", names, err)
	}
}

// TestBackup: from within, a backup is all there is; a file that exists is not replaced, and a failure leaves nothing.
func TestBackup(t *testing.T) {
	folder, to := t.TempDir(), t.TempDir()
	s, _ := opened(t, folder)
	must(t, samples().store(s)...)
	path := filepath.Join(to, "it's a 100% backup?.db")
	if err := s.Backup(t.Context(), path); err != nil {
		t.Fatal(err)
	}
	sum, err := Inspect(t.Context(), path)
	if err != nil || sum.Cycles != 2 || sum.Alarms != 2 || sum.Newest != begin.Add(time.Second) {
		t.Errorf("%+v, %v", sum, err)
	}
	if err := s.Backup(t.Context(), path); !errors.Is(err, fs.ErrExist) || !strings.Contains(err.Error(), "name a new file") {
		t.Errorf("over an existing file: %v", err)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if err := s.Backup(ended, filepath.Join(to, "b")); !errors.Is(err, context.Canceled) {
		t.Errorf("ended: %v", err)
	}
	if err := s.Backup(t.Context(), filepath.Join(to, "none", "b")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("into no folder: %v", err)
	}
	if _, err := BackupFolder(t.Context(), filepath.Join(to, "none"), filepath.Join(to, "b")); err == nil || !strings.Contains(err.Error(), "there are no records") {
		t.Errorf("of nothing: %v", err)
	}
	if names, err := os.ReadDir(to); err != nil || len(names) != 1 {
		t.Errorf("more than the backup is left: %v, %v", names, err)
	}
	must(t, samples().store(s)...) // the server goes on
}

// TestRestore: what a restore replaces is kept, with what was not in the file yet; what cannot be restored changes nothing.
func TestRestore(t *testing.T) {
	folder, to := t.TempDir(), t.TempDir()
	old := filepath.Join(to, "old")
	s, _ := opened(t, folder)
	must(t, s.AddCycle(cycleOf("alder", time.Hour)))
	if err := s.Backup(t.Context(), old); err != nil {
		t.Fatal(err)
	}
	must(t, samples().store(s)...)
	want := stored(t, s)
	// As a power cut leaves it: much is in the log alone. An open connection keeps it from going into the file at the end.
	hold := writable(t, filepath.Join(folder, fileName))
	if _, err := hold.ExecContext(t.Context(), "SELECT 1 FROM cycles"); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	log, err := os.Stat(filepath.Join(folder, fileName+"-wal"))
	if err != nil || log.Size() == 0 {
		t.Fatalf("no log: %v", err)
	}
	for name, text := range map[string]string{"empty": "", "garbage": strings.Repeat("x", 10000)} {
		path := filepath.Join(to, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if kept, _, err := Restore(t.Context(), folder, path, time.Unix(0, 0)); !errors.Is(err, ErrDamaged) || kept != "" {
			t.Errorf("%s restored: %q, %v", name, kept, err)
		}
	}
	live := filepath.Join(folder, fileName)
	if kept, _, err := Restore(t.Context(), t.TempDir(), live, time.Unix(0, 0)); err == nil || !strings.Contains(err.Error(), live+" has a log beside it") {
		t.Errorf("a file without its log restored: %q, %v", kept, err)
	}
	if kept, _, err := Restore(t.Context(), folder, filepath.Join(to, "none"), time.Unix(0, 0)); !errors.Is(err, fs.ErrNotExist) || kept != "" {
		t.Errorf("nothing restored: %q, %v", kept, err)
	}
	names, err := os.ReadDir(folder)
	if err != nil || slices.ContainsFunc(names, func(e fs.DirEntry) bool { return e.IsDir() }) {
		t.Errorf("changed by what failed: %v, %v", names, err)
	}
	if err := os.Mkdir(filepath.Join(folder, workName+"killed"), 0o700); err != nil {
		t.Fatal(err)
	}
	// Nor is anything put in the place of what another program reads, for it would lose what is in the log.
	reading, err := hold.QueryContext(t.Context(), "SELECT pot FROM cycles")
	if err != nil || !reading.Next() {
		t.Fatal(err, reading.Err())
	}
	if kept, _, err := Restore(t.Context(), folder, old, time.Unix(0, 0)); err == nil || kept != "" || !strings.Contains(err.Error(), "another program reads them") {
		t.Errorf("restored under a reader: %q, %v", kept, err)
	}
	if err := errors.Join(reading.Close(), hold.Close()); err != nil {
		t.Fatal(err)
	}
	s, _ = opened(t, folder)
	same(t, stored(t, s), want)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	kept, _, err := Restore(t.Context(), folder, old, time.Unix(1790000000, 0))
	if err != nil || kept != filepath.Join(folder, oldName, "20260921T141320Z") {
		t.Fatalf("kept %q, %v", kept, err)
	}
	s, _ = opened(t, folder)
	same(t, stored(t, s).Cycles, []Cycle{cycleOf("alder", time.Hour)})
	if s.Damage() != "" {
		t.Error(s.Damage())
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	// And back again: what was kept is whole.
	if _, _, err := Restore(t.Context(), folder, filepath.Join(kept, fileName), time.Unix(1790000000, 0)); err != nil {
		t.Fatal(err)
	}
	s, _ = opened(t, folder)
	same(t, stored(t, s), want)
	names, err = os.ReadDir(filepath.Join(folder, oldName))
	if err != nil || len(names) != 2 {
		t.Errorf("kept %v, %v", names, err)
	}
	if left, err := filepath.Glob(filepath.Join(folder, ".*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// TestRestoreAfterKill: the log that a killed server left does not meet the file that is put in its place, and is kept.
func TestRestoreAfterKill(t *testing.T) {
	t.Run("whole", func(t *testing.T) { restoreAfterKill(t, false) })
	t.Run("damaged", func(t *testing.T) { restoreAfterKill(t, true) })
}

func restoreAfterKill(t *testing.T, damaged bool) {
	folder, to := t.TempDir(), t.TempDir()
	other, _ := opened(t, t.TempDir())
	must(t, samples().store(other)...)
	backup := filepath.Join(to, "b")
	if err := other.Backup(t.Context(), backup); err != nil {
		t.Fatal(err)
	}
	cmd := child(t, "writer", folder)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	told := 0
	for told < 30 {
		if _, err := fmt.Fscan(out, &told); err != nil {
			t.Fatal(err)
		}
	}
	_ = cmd.Process.Signal(syscall.SIGKILL)
	_ = cmd.Wait() // killed
	if log, err := os.Stat(filepath.Join(folder, fileName+"-wal")); err != nil || log.Size() == 0 {
		t.Fatalf("no log: %v", err)
	}
	path := filepath.Join(folder, fileName)
	if damaged {
		if err := os.WriteFile(path, []byte(strings.Repeat("x", 1<<16)), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	before, err := os.ReadFile(path + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	kept, _, err := Restore(t.Context(), folder, backup, time.Unix(0, 0))
	if err != nil {
		t.Fatal(err)
	}
	s, err := Open(folder, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	same(t, stored(t, s), samples())
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if s.Damage() != "" {
		t.Error(s.Damage())
	}
	if damaged {
		if log, err := os.ReadFile(filepath.Join(kept, fileName+"-wal")); err != nil || !slices.Equal(log, before) {
			t.Errorf("the log of the damaged file is not kept: %v", err)
		}
		return
	}
	if sum, err := Inspect(t.Context(), filepath.Join(kept, fileName)); err != nil || sum.Cycles < told {
		t.Errorf("kept %+v of %d, %v", sum, told, err)
	}
}
