package records

import (
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestDamaged: a file that is not as it was written is set aside, whole, and told; new records are begun.
func TestDamaged(t *testing.T) {
	for name, harm := range map[string]func([]byte) []byte{
		"empty":   func([]byte) []byte { return nil },
		"cut":     func(b []byte) []byte { return b[:len(b)/2] },
		"head":    func(b []byte) []byte { copy(b, "nothing of the kind"); return b },
		"garbage": func(b []byte) []byte { return []byte(strings.Repeat("x", len(b))) },
		"a page": func(b []byte) []byte {
			for i := range 4096 {
				b[5*4096+i] ^= 0x55
			}
			return b
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			s, _ := opened(t, dir)
			must(t, samples().store(s)...)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(dir, fileName)
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			b = harm(b)
			if err := os.WriteFile(path, b, 0o600); err != nil {
				t.Fatal(err)
			}
			s, log := opened(t, dir)
			if s.Damage() == "" || !strings.Contains(s.Damage(), "new records were begun") || !strings.Contains(log.String(), "records are damaged") {
				t.Errorf("damage %q, log\n%s", s.Damage(), log)
			}
			same(t, stored(t, s), sample{})
			must(t, samples().store(s)...)
			kept, err := filepath.Glob(filepath.Join(dir, damagedName, "*", fileName))
			if err != nil || len(kept) != 1 || !strings.Contains(s.Damage(), filepath.Dir(kept[0])) {
				t.Fatalf("kept %v, %v; told %q", kept, err, s.Damage())
			}
			if got, err := os.ReadFile(kept[0]); err != nil || string(got) != string(b) {
				t.Errorf("what is kept is not what was there: %v", err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s, _ = opened(t, dir)
			same(t, stored(t, s), samples())
			if s.Damage() != "" {
				t.Errorf("told again: %s", s.Damage())
			}
		})
	}
}

// TestGone: a file that somebody removed is missed, once; one that was never made is not.
func TestGone(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, fileName)
	if err := os.WriteFile(path, nil, 0o600); err != nil { // of a start on a full disk
		t.Fatal(err)
	}
	for _, want := range []string{"", "the file is gone; new records were begun", ""} {
		s, log := opened(t, dir)
		if want == "" && s.Damage() != "" || !strings.Contains(s.Damage(), want) || (want != "") != strings.Contains(log.String(), "records are damaged") {
			t.Errorf("damage %q, want %q; log\n%s", s.Damage(), want, log)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if want == "" {
			for _, p := range parts {
				if err := os.Remove(path + p); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// TestRoomIsKept: the files that a start needs stay in place at the end, so that a disk that is full then has room for them.
func TestRoomIsKept(t *testing.T) {
	dir := t.TempDir()
	s, _ := opened(t, dir)
	must(t, samples().store(s)...)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for p, want := range map[string]int64{"-wal": 0, "-shm": 32768} {
		if info, err := os.Stat(filepath.Join(dir, fileName+p)); err != nil || info.Size() != want {
			t.Errorf("%s: %v, want %d bytes: %v", p, info, want, err)
		}
	}
}

// TestNotOurs: what belongs to somebody else is left alone.
func TestNotOurs(t *testing.T) {
	t.Run("another program's", func(t *testing.T) {
		dir := t.TempDir()
		db := writable(t, filepath.Join(dir, fileName))
		if _, err := db.ExecContext(t.Context(), "CREATE TABLE x (y TEXT)"); err != nil {
			t.Fatal(err)
		}
		if s, err := Open(dir, slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), "database of another program") {
			t.Errorf("%v, %v", s, err)
		}
	})
	t.Run("held", func(t *testing.T) {
		dir := t.TempDir()
		s, _ := opened(t, dir)
		if other, err := Open(dir, slog.New(slog.DiscardHandler)); !errors.Is(err, ErrHeld) {
			t.Errorf("%v, %v", other, err)
		}
		must(t, samples().store(s)...)
	})
	t.Run("a file in place of the folder", func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "x")
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if s, err := Open(path, slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), "set data: to a directory") {
			t.Errorf("%v, %v", s, err)
		}
	})
}

// TestKilledWhileItWasMade: a file without tables is that of a start that did not get further.
func TestKilledWhileItWasMade(t *testing.T) {
	dir := t.TempDir()
	db := writable(t, filepath.Join(dir, fileName))
	// A file with a head and no table.
	for _, text := range []string{"PRAGMA journal_mode = WAL", "CREATE TABLE x (y TEXT)", "DROP TABLE x"} {
		if _, err := db.ExecContext(t.Context(), text); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	s, _ := opened(t, dir)
	if s.Damage() != "" {
		t.Error(s.Damage())
	}
	must(t, samples().store(s)...)
	if _, err := os.Stat(filepath.Join(dir, damagedName)); !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
}
