package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
)

// fromScript makes a file of records by statements.
func fromScript(t *testing.T, path, script string) {
	t.Helper()
	db := writable(t, path)
	for _, text := range []string{script, fmt.Sprintf("PRAGMA application_id = %d", mark)} {
		if _, err := db.ExecContext(t.Context(), text); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

func writable(t *testing.T, path string) *sql.DB {
	t.Helper()
	db, err := connect(path, "rwc")
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	return db
}

// versions are the versions of the tables that a file went through.
func versions(t *testing.T, path string) string {
	t.Helper()
	db := writable(t, path)
	v, err := all(t.Context(), db, func(r row) (s string, err error) { return s, r.Scan(&s) }, "SELECT version_id FROM goose_db_version ORDER BY id")
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	return strings.Join(v, " ")
}

// TestFromVersionOne: what the first version wrote is there after all later ones.
func TestFromVersionOne(t *testing.T) {
	dir := t.TempDir()
	script, err := os.ReadFile("testdata/v1.sql")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, fileName)
	fromScript(t, path, string(script))
	if v := versions(t, path); v != "0 1" {
		t.Fatalf("the file went through versions %s, not 1 alone", v)
	}
	s, log := opened(t, dir)
	same(t, stored(t, s), samples())
	if !strings.Contains(log.String(), "brought to a newer version") {
		t.Errorf("not told:\n%s", log)
	}
	// What is there already is known, and what is new is taken.
	must(t, samples().store(s)...)
	same(t, stored(t, s), samples())
	fresh, _ := opened(t, t.TempDir())
	same(t, tables(t, s), tables(t, fresh))
}

// tables are all statements that make a file's tables, without their layout.
func tables(t *testing.T, s *SQLite) []string {
	t.Helper()
	out, err := all(t.Context(), s.read, func(r row) (text string, err error) {
		err = r.Scan(&text)
		return strings.Join(strings.Fields(text), " "), err
	}, "SELECT sql FROM sqlite_master WHERE sql IS NOT NULL AND name NOT LIKE 'goose%' AND name NOT LIKE 'sqlite_%' ORDER BY name")
	if err != nil || len(out) < 20 {
		t.Fatalf("%d tables and indices, %v", len(out), err)
	}
	return out
}

// with are the migrations and one more.
func with(t *testing.T, step string) fs.FS {
	t.Helper()
	out := fstest.MapFS{"00999_more.sql": {Data: []byte(step)}}
	steps, err := fs.Glob(migrations(), "*.sql")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range steps {
		text, err := fs.ReadFile(migrations(), name)
		if err != nil {
			t.Fatal(err)
		}
		out[name] = &fstest.MapFile{Data: text}
	}
	return out
}

// TestFailedStep: a step that fails half way leaves the records as they were.
func TestFailedStep(t *testing.T) {
	dir := t.TempDir()
	s, _ := opened(t, dir)
	must(t, samples().store(s)...)
	before := tables(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	db := writable(t, filepath.Join(dir, fileName))
	err := migrate(t.Context(), db, with(t, "-- +goose Up\nDELETE FROM cycles;\nALTER TABLE refills ADD COLUMN x TEXT;\nINSERT INTO nowhere VALUES (1);\n"), slog.New(slog.DiscardHandler))
	if err == nil || !strings.Contains(err.Error(), "what was there is as it was") || !strings.Contains(err.Error(), "nowhere") {
		t.Errorf("a step that fails: %v", err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	s, _ = opened(t, dir)
	same(t, stored(t, s), samples())
	same(t, tables(t, s), before)
}

// TestNewer: what a newer program wrote is neither read nor changed.
func TestNewer(t *testing.T) {
	dir := t.TempDir()
	s, _ := opened(t, dir)
	must(t, samples().store(s)...)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, fileName)
	db := writable(t, path)
	if err := migrate(t.Context(), db, with(t, "-- +goose Up\nALTER TABLE refills ADD COLUMN x TEXT NOT NULL DEFAULT '';\n"), slog.New(slog.DiscardHandler)); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Open(dir, slog.New(slog.DiscardHandler)); !errors.Is(err, ErrNewer) || !strings.Contains(err.Error(), "they have version 999") {
		t.Errorf("a newer file: %v", err)
	}
	if after, err := os.ReadFile(path); err != nil || string(after) != string(before) {
		t.Errorf("a newer file was changed, %v", err)
	}
	if _, err := Inspect(context.Background(), path); !errors.Is(err, ErrNewer) {
		t.Errorf("a newer backup: %v", err)
	}
}
