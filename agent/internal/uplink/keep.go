package uplink

import (
	"cmp"
	"context"
	"errors"
	"log/slog"
	"math"
	"slices"
	"time"

	"gritwatch/agent/internal/journal"
	"gritwatch/protocol/points"
)

// A batch is readings of one pot in order of time, all of one epoch, that are in the journal from a position on.
type batch struct {
	entries []entry
	first   uint64
	placed  bool // false: they have no positions
}

func (b batch) samples() []points.Sample {
	out := make([]points.Sample, len(b.entries))
	for i, e := range b.entries {
		out[i] = e.s
	}
	return out
}

// keep appends what waits for the pots to the journal, and has it written; pot by pot, in its order. Without a journal it
// gives back nothing.
func (u *Uplink) keep(pots []*pot) [][]batch {
	out := make([][]batch, len(pots))
	j := u.o.Journal
	if j == nil {
		return out
	}
	u.mu.Lock()
	u.floor = j.Status().Next
	some := false
	for i, p := range pots {
		if p.silent() {
			p.waiting = replied(p.waiting)
		}
		p.taken, p.waiting = p.waiting, p.taken[:0]
		out[i] = batches(p.taken)
		some = some || len(out[i]) > 0
	}
	u.mu.Unlock()
	if !some {
		return out
	}
	for i, p := range pots {
		for k := range out[i] {
			b := &out[i][k]
			b.first, b.placed = j.Append(p.Name, b.entries[0].epoch, b.samples())
		}
	}
	u.write(j)
	u.mu.Lock()
	defer u.mu.Unlock()
	for _, p := range pots {
		p.taken = p.taken[:0]
	}
	return out
}

// write waits until the journal is in the hands of the system, or has taken too long. Where it is in a fault it tells that
// itself, and goes on from memory.
func (u *Uplink) write(j *journal.Journal) {
	ctx, cancel := context.WithTimeout(context.Background(), writeWithin)
	defer cancel()
	if err := j.Write(ctx); !errors.Is(err, context.DeadlineExceeded) || time.Since(u.slow) < time.Minute {
		return
	}
	u.slow = time.Now()
	u.o.Log.LogAttrs(context.Background(), slog.LevelWarn, "the journal's disk is slow: readings go out before they are written", slog.Duration("waited", writeWithin))
}

// batches parts entries by their epochs, puts each in order of time, as messages are sorted, and cuts what is too long. They
// share no memory with what they are given.
func batches(es []entry) (out []batch) {
	for len(es) > 0 {
		n := 1
		for n < len(es) && es[n].epoch == es[0].epoch {
			n++
		}
		part := slices.Clone(es[:n])
		es = es[n:]
		slices.SortStableFunc(part, func(a, b entry) int { return cmp.Compare(a.s.At, b.s.At) })
		for b := range slices.Chunk(part, journal.MaxBatch) {
			out = append(out, batch{entries: b})
		}
	}
	return out
}

// keepSlate writes the slate as readings come, until ctx ends.
func (u *Uplink) keepSlate(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-u.jot:
			u.writeSlate()
		}
	}
}

// writeSlate writes what has no position yet, or one that is not known to be written.
func (u *Uplink) writeSlate() {
	if u.o.Slate == nil {
		return
	}
	u.mu.Lock()
	floor := uint64(math.MaxUint64)
	var waiting []journal.Batch
	for _, p := range u.pots {
		for _, es := range [][]entry{p.taken, p.waiting} {
			for _, b := range batches(es) {
				waiting = append(waiting, journal.Batch{Pot: p.Name, Epoch: b.entries[0].epoch, Samples: b.samples()})
			}
		}
		if len(p.taken) > 0 {
			floor = u.floor
		}
	}
	floor = min(floor, u.o.Journal.Status().Next)
	u.mu.Unlock()
	u.o.Slate.Write(floor, waiting)
}
