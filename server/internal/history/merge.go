package history

import (
	"container/heap"
	"io"

	"github.com/prometheus/prometheus/tsdb/chunkenc"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// stored is one sample as it comes out of a merger.
type stored struct {
	at  si.Instant
	key *trackKey
	reading
}

// A cursor stands at one sample of a series.
type cursor struct {
	key     trackKey
	quality points.Quality
	it      chunkenc.Iterator
	at      si.Instant
	value   float64
}

// A merger gives the samples of several series in the order of time, epoch, point, quality. After an error it ends.
type merger struct {
	to     si.Instant // taken in
	heap   cursors
	err    error
	closer io.Closer
}

// open adds a series, from from on.
func (m *merger) open(k trackKey, q points.Quality, it chunkenc.Iterator, from si.Instant) error {
	if it.Seek(int64(from)) == chunkenc.ValNone {
		return it.Err()
	}
	c := &cursor{key: k, quality: q, it: it}
	if c.read(); c.at <= m.to {
		heap.Push(&m.heap, c)
	}
	return nil
}

func (c *cursor) read() {
	t, v := c.it.At()
	c.at, c.value = si.Instant(t), v
}

// next is the next sample; false at the end and after an error.
func (m *merger) next() (stored, bool) {
	if m.err != nil || len(m.heap) == 0 {
		return stored{}, false
	}
	c := m.heap[0]
	out := stored{c.at, &c.key, reading{c.quality, c.value}}
	if c.it.Next() != chunkenc.ValNone {
		c.read()
	} else if m.err = c.it.Err(); m.err == nil {
		c.at = m.to + 1
	}
	if c.at > m.to {
		heap.Pop(&m.heap)
	} else {
		heap.Fix(&m.heap, 0)
	}
	return out, true
}

func (m *merger) close() { _ = m.closer.Close() } // of a reader: nothing can be lost

// cursors are a heap, the earliest on top.
type cursors []*cursor

func (c cursors) Len() int { return len(c) }

func (c cursors) Less(i, j int) bool {
	a, b := c[i], c[j]
	switch {
	case a.at != b.at:
		return a.at < b.at
	case a.key.epoch != b.key.epoch:
		return a.key.epoch < b.key.epoch
	case a.key.point != b.key.point:
		return a.key.point < b.key.point
	}
	return a.quality < b.quality
}

func (c cursors) Swap(i, j int) { c[i], c[j] = c[j], c[i] }

// Push is of heap.Interface.
func (c *cursors) Push(x any) { *c = append(*c, x.(*cursor)) }

// Pop is of heap.Interface.
func (c *cursors) Pop() any {
	last := len(*c) - 1
	x := (*c)[last]
	*c = (*c)[:last]
	return x
}
