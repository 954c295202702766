package pot_test

import (
	"log/slog"
	"runtime"
	"testing"
	"time"

	"gritwatch/server/internal/pot"
)

// mostHeap is what all that follows one pot may take, bytes.
const mostHeap = 50_000

// TestHeap: what follows a pot takes less than 50 KB, after it has blasted and vented, with what plays the pot here. What counts are the bytes that
// stay allocated after a collection, as a mean of some pots; the race detector keeps its own memory outside of that heap.
func TestHeap(t *testing.T) {
	heap := func() int64 {
		runtime.GC()
		runtime.GC() // what pools held goes with the second
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	bubble(t, func(t *testing.T) {
		const pots = 20
		var actors [pots]*pot.Actor
		before := heap()
		for i := range actors {
			f := start(t, pot.Options{Log: slog.New(slog.DiscardHandler)})
			f.birth()
			f.run(3 * time.Second)
			f.cycle()
			f.want("vented")
			actors[i] = f.a
		}
		each := (heap() - before) / pots
		runtime.KeepAlive(actors)
		t.Logf("%d bytes a pot", each)
		if each > mostHeap || each < mostHeap/5 { // less is a count that went wrong
			t.Errorf("%d bytes a pot, at most %d", each, mostHeap)
		}
	})
}
