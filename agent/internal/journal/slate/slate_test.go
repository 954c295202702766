package slate_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"gritwatch/agent/internal/journal"
	"gritwatch/agent/internal/journal/slate"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

func batch(pot string, epoch uint64, first, n int) journal.Batch {
	b := journal.Batch{Pot: pot, Epoch: epoch}
	for i := first; i < first+n; i++ {
		b.Samples = append(b.Samples, points.Sample{Point: points.Point(i % points.Count), Quality: points.Good, At: si.Instant(1e15 + i*16_000), Value: si.GaugePressure(i)})
	}
	return b
}

func open(t *testing.T, path, boot, id string) (*slate.Slate, slate.Found) {
	t.Helper()
	s, found, err := slate.Open(journal.Dir(path), boot, id, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s, found
}

func text(bs []journal.Batch) string { return strings.TrimSpace(fmt.Sprint(bs)) }

// What was written last is found, by the same start of the machine and for the same journal alone.
func TestFound(t *testing.T) {
	path := t.TempDir()
	s, found := open(t, path, "boot", "id")
	if found.Floor != 0 || found.Batches != nil {
		t.Fatalf("on a new slate: %+v", found)
	}
	var want []journal.Batch
	for i := range 7 {
		want = []journal.Batch{batch("alder", 7, i, 500-i*70), batch("birch", 8, 1, 3)} // shorter and shorter
		s.Write(uint64(i), want)
		_, found = open(t, path, "boot", "id")
		if found.Floor != uint64(i) || text(found.Batches) != text(want) {
			t.Fatalf("%d: %+v", i, found)
		}
	}
	for _, other := range [][2]string{{"boot", "other"}, {"other", "id"}, {"boo", "t/id"}} {
		if _, found := open(t, path, other[0], other[1]); len(found.Batches) > 0 && other[0] != "boo" {
			t.Errorf("%v: %+v", other, found)
		}
	}
	// It goes on where the last one was: never over the newest.
	s, _ = open(t, path, "boot", "id")
	s.Write(100, nil)
	if _, found = open(t, path, "boot", "id"); found.Floor != 100 || len(found.Batches) != 0 {
		t.Errorf("wiped: %+v", found)
	}
}

// A process killed in the middle of a write leaves the slate before it.
func TestTorn(t *testing.T) {
	path := t.TempDir()
	s, _ := open(t, path, "boot", "id")
	before := []journal.Batch{batch("alder", 7, 0, 300)}
	after := []journal.Batch{batch("alder", 7, 0, 306)}
	s.Write(1, before)
	old, err := os.ReadFile(filepath.Join(path, "slate.1"))
	if err != nil || len(old) == 0 {
		t.Fatalf("%d bytes, %v", len(old), err)
	}
	s.Write(2, after)
	whole, err := os.ReadFile(filepath.Join(path, "slate.0"))
	if err != nil || bytes.Equal(whole, old) {
		t.Fatal(err)
	}
	for n := 0; n < len(whole); n += 11 {
		if err := os.WriteFile(filepath.Join(path, "slate.0"), append(slices.Clone(whole[:n]), old[min(n, len(old)):]...), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, found := open(t, path, "boot", "id"); found.Floor != 1 || text(found.Batches) != text(before) {
			t.Fatalf("torn at %d of %d: floor %d, %d batches", n, len(whole), found.Floor, len(found.Batches))
		}
	}
}

func TestBoot(t *testing.T) {
	a, err := slate.Boot()
	b, _ := slate.Boot()
	if err != nil || len(a) != 36 || a != b { // a UUID
		t.Errorf("%q, %q, %v", a, b, err)
	}
}

// run opens a journal and does its work; stop leaves it as it is.
func run(t *testing.T, path string) (j *journal.Journal, stop func()) {
	t.Helper()
	j, err := journal.Open(journal.Options{Folder: journal.Dir(path)})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- j.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		<-done
		_ = j.Close()
	})
	t.Cleanup(stop)
	return j, stop
}

func records(t *testing.T, j *journal.Journal) (out []string) {
	t.Helper()
	for b, err := range j.Read(j.Status().Oldest, math.MaxUint64) {
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range b.Samples {
			out = append(out, fmt.Sprint(b.Pot, b.Epoch, s))
		}
	}
	return out
}

// Wherever between reading, appending, writing and wiping the agent was killed: all that stood on the slate or was written to the
// journal is in the journal once, also when the taking up is itself repeated.
func TestTakeUp(t *testing.T) {
	waiting := []journal.Batch{batch("alder", 7, 0, 30), batch("alder", 8, 30, 4), batch("birch", 8, 0, 700)}
	all := map[string]int{}
	for _, b := range waiting {
		for _, s := range b.Samples {
			all[fmt.Sprint(b.Pot, b.Epoch, s)]++
		}
	}
	cut := []journal.Batch{waiting[0], waiting[1], {Pot: "birch", Epoch: 8, Samples: waiting[2].Samples[:512]}, {Pot: "birch", Epoch: 8, Samples: waiting[2].Samples[512:]}}
	for appended := range len(cut) + 1 {
		for _, wiped := range []bool{false, true} {
			path := t.TempDir()
			j, stop := run(t, path)
			if _, ok := j.Append("alder", 7, batch("alder", 7, 3000, 50).Samples); !ok { // of before
				t.Fatal("refused")
			}
			floor := j.Status().Next
			s, _ := open(t, path, "boot", j.Status().ID)
			s.Write(floor, cut)
			for _, b := range cut[:appended] {
				if _, ok := j.Append(b.Pot, b.Epoch, b.Samples); !ok {
					t.Fatal("refused")
				}
			}
			if err := j.Write(t.Context()); err != nil {
				t.Fatal(err)
			}
			if wiped {
				s.Write(j.Status().Next, cut[appended:])
			}
			for again := range 3 {
				stop()
				j, stop = run(t, path)
				_, found := open(t, path, "boot", j.Status().ID)
				n, err := slate.TakeUp(t.Context(), j, found)
				want := 0
				for _, b := range cut[appended:] {
					want += len(b.Samples)
				}
				if again > 0 {
					want = 0
				}
				if err != nil || n != want {
					t.Fatalf("%d appended, time %d: %d taken up, want %d: %v", appended, again, n, want, err)
				}
				got := map[string]int{}
				for _, r := range records(t, j) {
					got[r]++
				}
				for r := range all {
					if got[r] != 1 {
						t.Fatalf("%d appended, time %d: %s stands there %d times", appended, again, r, got[r])
					}
				}
				if len(got) != len(all)+50 {
					t.Fatalf("%d records, want %d", len(got), len(all)+50)
				}
			}
		}
	}
}
