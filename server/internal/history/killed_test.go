package history

import (
	"math"
	"os"
	"testing"
	"time"

	"github.com/prometheus/prometheus/tsdb"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// lateBatch is n late samples of a point, a second apart, from the one given on.
func lateBatch(p points.Point, from, n int) Batch {
	b := Batch{Pot: "alder", Epoch: 1}
	for i := from; i < from+n; i++ {
		b.Samples = append(b.Samples, good(p, start.Add(-30*time.Hour+time.Duration(i)*time.Second), si.GaugePressure(i)))
	}
	return b
}

// newest makes what lateBatch gives late.
func newest() Batch {
	b := Batch{Pot: "alder", Epoch: 1}
	for _, p := range points.All() {
		b.Samples = append(b.Samples, good(p, start, 1))
	}
	return b
}

// kill gives what a kill -9 would leave of an open store.
func kill(t *testing.T, dir string) string {
	t.Helper()
	left := t.TempDir()
	if err := os.CopyFS(left, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return left
}

// Killed after the library took stock of late samples and before their block was there.
func TestKilledBeforeBlock(t *testing.T) {
	c := &clock{start}
	dir := t.TempDir()
	s := mustOpen(t, dir, options(c))
	mustAppend(t, s, Result{Stored: points.Count}, newest())
	mustAppend(t, s, Result{Stored: 100}, lateBatch(points.Vessel, 0, 100))
	if _, err := tsdb.NewOOOCompactionHead(t.Context(), s.current.db.Head()); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, s, Result{Stored: 1}, lateBatch(points.Vessel, 100, 1))
	s = mustOpen(t, kill(t, dir), options(c))
	if got := len(all(t, s, everything("alder"))); got != points.Count+101 {
		t.Errorf("%d of %d records are there", got, points.Count+101)
	}
	mustAppend(t, s, Result{Repeated: 101}, lateBatch(points.Vessel, 0, 101))
}

// Killed when a full chunk of late samples was not yet written, and killed again when chunks of others were, to its place.
func TestKilledTwice(t *testing.T) {
	c := &clock{start}
	dir := t.TempDir()
	s := mustOpen(t, dir, options(c))
	b := Batch{Pot: "alder", Epoch: 1}
	for i := range 30_000 { // which do not compress
		b.Samples = append(b.Samples, good(points.Hose, start.Add(time.Duration(i+1)*10*time.Millisecond), si.GaugePressure(math.Sqrt(float64(i)))))
	}
	mustAppend(t, s, Result{Stored: points.Count}, newest())
	mustAppend(t, s, Result{Stored: len(b.Samples)}, b)
	mustAppend(t, s, Result{Stored: 241}, lateBatch(points.Vessel, 0, 241)) // one more than a chunk has
	for range 2 {
		dir = kill(t, dir)
		s = mustOpen(t, dir, options(c))
		q := everything("alder")
		q.Points = points.SetOf(points.Vessel)
		if got := len(all(t, s, q)); got != 242 {
			t.Errorf("%d of 242 records are there", got)
		}
	}
}
