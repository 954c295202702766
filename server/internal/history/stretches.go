package history

import (
	"cmp"
	"context"
	"errors"
	"slices"

	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb/chunkenc"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A Stretch is the samples of one point in one epoch with one quality: how many there are, and which time they lie in.
type Stretch struct {
	Point       points.Point
	Electric    bool // the handle as a discrete input
	Epoch       uint64
	Quality     points.Quality
	Count       int
	First, Last si.Instant // both taken in
}

// Stretches tells what Range would give, in the order of epoch, point, electric, quality. It costs next to nothing: of most
// chunks only the heads are read.
func (s *Store) Stretches(ctx context.Context, q Query) ([]Stretch, error) {
	q, err := s.cut(q)
	if err != nil || q.From >= q.To {
		return nil, err
	}
	o, err := s.use()
	if err != nil {
		return nil, err
	}
	defer o.users.Done()
	var out []Stretch
	err = o.series(ctx, q.From, q.To-1, s.matchers(q.Pot, q.Points), func(k trackKey, quality points.Quality, series storage.ChunkSeries) error {
		x := Stretch{Point: k.point, Electric: k.electric, Epoch: k.epoch, Quality: quality}
		if err := x.measure(series, q.From, q.To); err != nil {
			return err
		}
		if x.Count > 0 {
			out = append(out, x)
		}
		return errors.Join(ctx.Err(), o.away())
	})
	if err != nil {
		return nil, s.damaged(err)
	}
	slices.SortFunc(out, Stretch.compare)
	return out, nil
}

func (x Stretch) compare(y Stretch) int {
	electric := 0
	switch {
	case y.Electric && !x.Electric:
		electric = -1
	case x.Electric && !y.Electric:
		electric = 1
	}
	return cmp.Or(cmp.Compare(x.Epoch, y.Epoch), cmp.Compare(x.Point, y.Point), electric, cmp.Compare(x.Quality, y.Quality))
}

// measure takes a series' samples from from (taken in) to to (left out).
func (x *Stretch) measure(series storage.ChunkSeries, from, to si.Instant) error {
	all := series.Iterator(nil)
	var it chunkenc.Iterator
	for all.Next() {
		c := all.At()
		if n := c.Chunk.NumSamples(); n > 0 && c.MinTime >= int64(from) && c.MaxTime < int64(to) {
			x.add(n, si.Instant(c.MinTime), si.Instant(c.MaxTime))
			continue
		}
		it = c.Chunk.Iterator(it)
		for it.Next() != chunkenc.ValNone {
			t, _ := it.At()
			if at := si.Instant(t); at >= from && at < to {
				x.add(1, at, at)
			}
		}
		if err := it.Err(); err != nil {
			return err
		}
	}
	return all.Err()
}

// add takes samples that lie behind all before.
func (x *Stretch) add(n int, first, last si.Instant) {
	if x.Count == 0 {
		x.First = first
	}
	x.Count += n
	x.Last = last
}
