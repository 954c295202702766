package history

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"strconv"
	"time"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb/chunkenc"
	"golang.org/x/sync/errgroup"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A Query names samples.
type Query struct {
	Pot      string
	Points   points.Set // 0: all
	From, To si.Instant // From is taken in, To is not. To 0: up to the newest there is
}

func (q *Query) check() error {
	switch {
	case q.Pot == "":
		return fmt.Errorf("%w: no pot is named", ErrQuery)
	case q.Points&^allPoints != 0:
		return fmt.Errorf("%w: unknown points in %#b; points are %v", ErrQuery, q.Points, points.All())
	case q.From < 0 || q.To < 0 || q.From > maxInstant || q.To > maxInstant:
		return fmt.Errorf("%w: from and to must lie between the years 1970 and 9999", ErrQuery)
	case q.To != 0 && q.To < q.From:
		return fmt.Errorf("%w: to (%v) lies before from (%v); swap them", ErrQuery, q.To, q.From)
	}
	return nil
}

// cut is the query with all points named, and its time cut to that of which there is anything.
func (s *Store) cut(q Query) (Query, error) {
	if err := q.check(); err != nil {
		return q, err
	}
	if q.Points == 0 {
		q.Points = allPoints
	}
	o, err := s.use()
	if err != nil {
		return q, err
	}
	defer o.users.Done()
	oldest, newest := o.bounds()
	q.From = max(q.From, oldest)
	if q.To == 0 || q.To > newest {
		q.To = newest + 1
	}
	return q, nil
}

// bounds is the instants between which all samples lie, if there are any.
func (o *opening) bounds() (oldest, newest si.Instant) {
	h := o.db.Head()
	from, to := min(h.MinTime(), h.MinOOOTime()), max(h.MaxTime(), h.MaxOOOTime())
	for _, b := range o.db.Blocks() {
		from, to = min(from, b.MinTime()), max(to, b.MaxTime())
	}
	return si.Instant(max(from, 0)), si.Instant(min(max(to, 0), int64(maxInstant)))
}

// A Record is one stored sample.
type Record struct {
	points.Sample
	Epoch    uint64
	Electric bool // the handle as a discrete input: Pressed is its value, not Value
}

// Bounds of a page of Range.
const (
	pageRecords = 8192
	firstSpan   = 10 * time.Minute
	lastSpan    = 30 * 24 * time.Hour
)

// Range gives each the samples asked for, as they were stored, in the order of time; at one instant in the order of
// epoch, point. It ends with the error of each, if that gives one. It holds a page of samples and nothing of the store
// while each is at work, however long that takes: samples that come in behind it meanwhile are not given.
func (s *Store) Range(ctx context.Context, q Query, each func(Record) error) error {
	q, err := s.cut(q)
	if err != nil {
		return err
	}
	var page []Record
	span := si.Instant(firstSpan / time.Microsecond)
	for from := q.From; from < q.To; {
		until := q.To
		if until-from > span {
			until = from + span
		}
		var next si.Instant
		page, next, err = s.page(ctx, q, from, until, page[:0])
		if err != nil {
			return err
		}
		for i := range page {
			if err := each(page[i]); err != nil {
				return err
			}
		}
		switch {
		case len(page) < pageRecords/2:
			span = min(2*span, si.Instant(lastSpan/time.Microsecond))
		case next < until:
			span = max(2*(next-from), 1)
		}
		from = next
	}
	return nil
}

// page reads on from from, up to until (left out) or until the page is full and an instant is complete; next is the
// instant to go on from.
func (s *Store) page(ctx context.Context, q Query, from, until si.Instant, page []Record) (_ []Record, next si.Instant, err error) {
	o, err := s.use()
	if err != nil {
		return nil, 0, err
	}
	defer o.users.Done()
	m, err := o.read(ctx, from, until-1, s.matchers(q.Pot, q.Points)...)
	if err != nil {
		return nil, 0, err
	}
	defer m.close()
	for r, ok := m.next(); ok; r, ok = m.next() {
		if len(page) >= pageRecords && page[len(page)-1].At != r.at {
			return page, r.at, nil
		}
		page = append(page, Record{sampleOf(r.key, r.at, r.reading), r.key.epoch, r.key.electric})
		if len(page)%1024 == 0 {
			if err := errors.Join(ctx.Err(), o.away()); err != nil {
				return nil, 0, err
			}
		}
	}
	return page, until, s.damaged(m.err)
}

// away is an error once the opening is being given up.
func (o *opening) away() error {
	if o.ctx.Err() != nil {
		return fmt.Errorf("%w: it is being opened anew; ask again", ErrAway)
	}
	return nil
}

// damaged says where an error comes from.
func (s *Store) damaged(err error) error {
	if err == nil || errors.Is(err, ErrAway) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return fmt.Errorf("history: %s cannot be read: %w", s.dir, err)
}

// Downsampled gives the samples asked for by steps of time, from From on. A point of which there is no sample in that
// time has no trace. Where a clock was set back the samples of two epochs may fall into one step: epochs are
// all those that were met, ascending.
func (s *Store) Downsampled(ctx context.Context, q Query, step time.Duration) (traces []Trace, epochs []uint64, err error) {
	there, err := s.cut(q)
	if err != nil {
		return nil, nil, err
	}
	if q.To == 0 {
		q.To = max(there.To, q.From)
	}
	n, err := Steps(q.From, q.To, step)
	if err != nil || n == 0 {
		return nil, nil, err
	}
	var byPoint [points.Count][]Trace
	var met [points.Count][]uint64
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for _, p := range points.All() {
		if !there.Points.Has(p) {
			continue
		}
		g.Go(func() error {
			var of [2]*downsampler // by electric
			for from := there.From; from < there.To; {
				until := min(from+daySpan, there.To)
				if err := s.downsample(ctx, q, p, from, until, step, n, &of, &met[p]); err != nil {
					return err
				}
				from = until
			}
			for i, d := range of {
				if d != nil {
					byPoint[p] = append(byPoint[p], Trace{Point: p, Electric: i == 1, Bins: d.finish()})
				}
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return nil, nil, s.damaged(err)
	}
	for _, p := range points.All() {
		traces = append(traces, byPoint[p]...)
		epochs = append(epochs, met[p]...)
	}
	slices.Sort(epochs)
	return traces, slices.Compact(epochs), nil
}

// daySpan is how much is down-sampled at a time: what the library does in the background waits for readers, and appends
// for that.
const daySpan = si.Instant(24 * time.Hour / time.Microsecond)

// downsample adds the samples of one point from from up to until, left out.
func (s *Store) downsample(ctx context.Context, q Query, p points.Point, from, until si.Instant, step time.Duration, n int, of *[2]*downsampler, epochs *[]uint64) error {
	o, err := s.use()
	if err != nil {
		return err
	}
	defer o.users.Done()
	return o.series(ctx, from, until-1, s.matchers(q.Pot, points.SetOf(p)), func(k trackKey, quality points.Quality, series storage.ChunkSeries) error {
		i := 0
		if k.electric {
			i = 1
		}
		d := of[i]
		if d == nil {
			d = newDownsampler(q.From, q.To, step, n)
		}
		taken := d.taken
		all := series.Iterator(nil)
		var it chunkenc.Iterator
		for all.Next() {
			it = all.At().Chunk.Iterator(it)
			for it.Next() != chunkenc.ValNone {
				t, value := it.At()
				if at := si.Instant(t); at >= from && at < until {
					d.add(at, quality, si.GaugePressure(value))
				}
			}
			if err := errors.Join(it.Err(), ctx.Err(), o.away()); err != nil {
				return err
			}
		}
		if d.taken > taken {
			of[i], *epochs = d, append(*epochs, k.epoch)
		}
		return all.Err()
	})
}

// matchers pick the series of some points of a pot.
func (s *Store) matchers(pot string, set points.Set) []*labels.Matcher {
	m := []*labels.Matcher{equal(labelSite, s.o.Site), equal(labelPot, pot)}
	if set == allPoints {
		return m
	}
	names := ""
	for _, p := range points.All() {
		if set.Has(p) {
			if names != "" {
				names += "|"
			}
			names += p.String()
		}
	}
	return append(m, labels.MustNewMatcher(labels.MatchRegexp, labelPoint, names))
}

func equal(name, value string) *labels.Matcher {
	return labels.MustNewMatcher(labels.MatchEqual, name, value)
}

// hints make the library keep the chunks in memory of a series at hand, and leave cutting to its caller.
func hints(from, to si.Instant) *storage.SelectHints {
	return &storage.SelectHints{Start: int64(from), End: int64(to), Step: 1, DisableTrimming: true}
}

// series gives each series that matches and may have samples from from to to, both taken in, as chunks that do not
// overlap; they may reach beyond.
func (o *opening) series(ctx context.Context, from, to si.Instant, ms []*labels.Matcher, each func(trackKey, points.Quality, storage.ChunkSeries) error) error {
	q, err := o.db.ChunkQuerier(int64(from), int64(to))
	if err != nil {
		return err
	}
	defer q.Close()
	set := q.Select(ctx, false, hints(from, to), ms...)
	for set.Next() {
		series := set.At()
		k, quality, err := ofLabels(series.Labels())
		if err != nil {
			return err
		}
		if err := each(k, quality, series); err != nil {
			return err
		}
	}
	return set.Err()
}

// readTrack reads one point in one epoch, both instants taken in.
func (o *opening) readTrack(site string, k trackKey, from, to si.Instant) (*merger, error) {
	name := namePressure
	if k.electric {
		name = namePressed
	}
	return o.read(context.Background(), from, to, equal(labelName, name), equal(labelSite, site), equal(labelPot, k.pot),
		equal(labelPoint, k.point.String()), equal(labelEpoch, strconv.FormatUint(k.epoch, 10)))
}

// read merges all series that match, from from to to, both taken in.
func (o *opening) read(ctx context.Context, from, to si.Instant, ms ...*labels.Matcher) (*merger, error) {
	q, err := o.db.Querier(int64(from), int64(to))
	if err != nil {
		return nil, err
	}
	m := &merger{to: to, closer: q}
	set := q.Select(ctx, false, hints(from, to), ms...)
	for m.err == nil && set.Next() {
		series := set.At()
		k, quality, err := ofLabels(series.Labels())
		if err == nil {
			err = m.open(k, quality, series.Iterator(nil), from)
		}
		m.err = err
	}
	if m.err == nil {
		m.err = set.Err()
	}
	return m, nil
}
