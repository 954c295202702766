package journal

import (
	"errors"
	"math"
	"testing"

	"gritwatch/agent/internal/journal/frame"
)

// FuzzOpen: whatever a segment holds behind a head with whatever numbers, a journal opens, gives no position below
// what the head says was given away, reads to the end in order, and does the same after another start.
func FuzzOpen(f *testing.F) {
	id := frame.ID{1}
	half := newGauge(1).half()
	raw := frame.AppendBatch(nil, id.Salt(), Batch{First: 50, Pot: "alder", Epoch: epoch, Samples: half})
	raw = frame.AppendMark(raw, frame.KindMark, &frame.Mark{ID: id, Segment: 1, Next: 80, Limit: 1104, Oldest: 20, Lost: 20})
	f.Add(raw, uint64(50), uint64(100), uint64(20), uint64(20), uint64(0))
	f.Add(raw[:60], uint64(math.MaxUint64-9), uint64(9), uint64(math.MaxUint64), uint64(math.MaxUint64), uint64(math.MaxUint64))
	f.Fuzz(func(t *testing.T, raw []byte, next, ahead, oldest, lost, acked uint64) {
		head := frame.Mark{ID: id, Segment: 1, Next: next, Limit: next + ahead, Oldest: min(oldest, next), Lost: lost, Acknowledged: acked}
		if head.Limit < head.Next {
			head.Limit = head.Next
		}
		d := newDisk(1)
		b := append(frame.AppendMark(nil, frame.KindHead, &head), raw...)
		d.names[segment{number: 1}.name()] = &inode{now: b, safe: b}
		last := head.Next
		for range 2 {
			j, err := Open(Options{Folder: d, Buffer: 16 << 10})
			if err != nil {
				t.Fatal(err)
			}
			st := j.Status()
			if st.ID != id.String() || st.Next < last {
				t.Fatalf("%+v, was %d", st, last)
			}
			if first, ok := j.Append("alder", epoch, half); ok && first < last {
				t.Fatalf("position %d, and %d were given away", first, last)
			}
			pos := st.Oldest
			for b, err := range j.Read(pos, math.MaxUint64) {
				var old *TooOldError
				if err != nil && !errors.As(err, &old) {
					t.Fatal(err)
				}
				if err != nil {
					break
				}
				if b.First < pos || len(b.Samples) == 0 {
					t.Fatalf("%d samples from %d behind %d", len(b.Samples), b.First, pos)
				}
				pos = b.First + uint64(len(b.Samples))
			}
			last = j.Status().Next
			j.finish()
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
		}
	})
}
