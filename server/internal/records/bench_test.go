package records

import (
	"fmt"
	"log/slog"
	"path/filepath"
	"testing"
	"time"
)

func benched(b *testing.B, folder string) *SQLite {
	b.Helper()
	s, err := Open(folder, slog.New(slog.DiscardHandler))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if err := s.Close(); err != nil {
			b.Error(err)
		}
	})
	return s
}

// BenchmarkCheckpoints saves the states of a fleet of 1000 pots, 5 KB each, in one batch, with all that are kept.
func BenchmarkCheckpoints(b *testing.B) {
	s := benched(b, b.TempDir())
	at := begin
	batch := func(n int) []Checkpoint {
		out := make([]Checkpoint, n)
		for i := range out {
			out[i] = Checkpoint{Pot: fmt.Sprint("pot-", i), At: at, Version: 1, State: make([]byte, 5000), Next: []JournalPosition{{"0123456789abcdef0123456789abcdef", 7}}}
		}
		at = at.Add(30 * time.Second)
		return out
	}
	for b.Loop() {
		must(b, s.SaveCheckpoints(batch(1000)))
	}
}

// BenchmarkCycle stores one cycle that somebody waits for: a transaction with its sync.
func BenchmarkCycle(b *testing.B) {
	s := benched(b, b.TempDir())
	n := time.Duration(0)
	for b.Loop() {
		n++
		must(b, s.AddCycle(cycleOf("alder", n*time.Minute)))
	}
}

// BenchmarkHandIn is what an engine's goroutine pays for a cycle.
func BenchmarkHandIn(b *testing.B) {
	s := new(SQLite)
	s.queue.init()
	c := cycleOf("alder", 0)
	b.ReportAllocs()
	for b.Loop() {
		s.AddCycle(c)
		if len(s.waiting) == mostOfKind {
			s.waiting, s.count = nil, [kinds]int{}
		}
	}
}

// BenchmarkPage reads a page of 100 cycles of one pot, from the middle of 40,000 of 20 pots; BenchmarkOpen opens them, with the
// check from end to end; BenchmarkBackup writes them to a file.
func BenchmarkPage(b *testing.B) {
	s := many(b, b.TempDir())
	q := Query{Pot: "pot-7", To: begin.Add(1000 * time.Minute)}
	for b.Loop() {
		if p, err := s.Cycles(b.Context(), q); err != nil || len(p.Items) != 100 {
			b.Fatal(len(p.Items), err)
		}
	}
}

// BenchmarkOpen: see BenchmarkPage.
func BenchmarkOpen(b *testing.B) {
	folder := b.TempDir()
	if err := many(b, folder).Close(); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		s, err := Open(folder, slog.New(slog.DiscardHandler))
		if err != nil {
			b.Fatal(err)
		}
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkBackup: see BenchmarkPage.
func BenchmarkBackup(b *testing.B) {
	s, to := many(b, b.TempDir()), b.TempDir()
	n := 0
	for b.Loop() {
		n++
		path := filepath.Join(to, fmt.Sprint(n))
		if err := s.Backup(b.Context(), path); err != nil {
			b.Fatal(err)
		}
		sum, err := Inspect(b.Context(), path)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(sum.Bytes)/1e6, "MB")
	}
}

func many(b *testing.B, folder string) *SQLite {
	b.Helper()
	s := benched(b, folder)
	for n := range 2000 {
		var last *Write
		for pot := range 20 {
			last = s.AddCycle(cycleOf(fmt.Sprint("pot-", pot), time.Duration(n)*time.Minute))
		}
		if n%100 == 99 {
			must(b, last)
		}
	}
	if c := s.Counts(); c.Dropped > 0 {
		b.Fatalf("%+v", c)
	}
	return s
}
