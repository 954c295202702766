package history

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/prometheus/prometheus/storage"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A Batch is samples of one pot in one epoch of its agent's clock. In any order.
type Batch struct {
	Pot      string
	Epoch    uint64
	Electric bool // the handle is a discrete input: the values of Control are Pressed
	Samples  []points.Sample
}

// A Result says what became of samples. All of them are counted once.
type Result struct {
	Stored    int
	Repeated  int // the very same was there already
	Conflicts int // another value, or another quality, of that point at that instant in that epoch was there: it stays
	TooOld    int // older than Options.Window, or than Options.Retention
	TooNew    int // further in the future than Options.Ahead
	Invalid   int // no time, no such point, or a value that is no number

	Mark Mark // by which Fate tells whether all that is Stored or Repeated is on the disk
}

// lateSample is one that cannot be known to be new without asking the store.
type lateSample struct {
	t  *track
	at si.Instant
	r  reading
}

// Append stores samples. It is made for many at a time, of many pots: a call costs one write to the log, however many they
// are. When it returns without an error all of them, but for those that the result counts as refused, are in the log, and
// survive the end of this process; a power cut only from the next Sync on. After an error none of them may be relied on;
// the same samples may be given again at any time, in any order, however often.
func (s *Store) Append(batches ...Batch) (res Result, err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	o, err := s.use()
	if err != nil {
		return Result{}, err
	}
	defer o.users.Done()
	s.mu.Lock()
	fault := s.fault
	s.mu.Unlock()
	if fault == nil {
		fault = s.room()
	}
	if fault != nil {
		return Result{}, fmt.Errorf("%w: %w", ErrFault, fault)
	}
	defer func() {
		if err != nil {
			res = Result{}
		}
	}()
	s.gate.Lock()
	defer s.gate.Unlock()
	defer s.brokenIn(o, &err)
	s.late = s.late[:0]
	w := writer{s: s, o: o}
	now := si.InstantOf(s.o.Now())
	oldest, newest := now.Add(-min(s.o.Window, s.o.Retention)), now.Add(s.o.Ahead)
	for i := range batches {
		if err := w.batch(&batches[i], oldest, newest, &res); err != nil {
			return Result{}, w.giveUp(err)
		}
	}
	if err := w.commit(); err != nil {
		return Result{}, err
	}
	if len(s.late) > 0 {
		if err := w.lateOnes(&res); err != nil {
			return Result{}, w.giveUp(err)
		}
		if err := w.commit(); err != nil {
			return Result{}, err
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	o.done++
	res.Mark = Mark{len(s.ended) + 1, o.done}
	s.stats.count(res)
	return res, nil
}

// brokenIn deals with a panic of the library in the middle of a commit: locks inside may be held for ever. Deferred.
func (s *Store) brokenIn(o *opening, err *error) {
	p := recover()
	if p == nil {
		return
	}
	s.mu.Lock()
	o.stuck = true
	s.mu.Unlock()
	s.failed(o, chunkError{p})
	*err = fmt.Errorf("%w: %w", ErrFault, chunkError{p})
}

func (st *Stats) count(r Result) {
	st.Stored += int64(r.Stored)
	st.Repeated += int64(r.Repeated)
	st.Conflicts += int64(r.Conflicts)
	st.TooOld += int64(r.TooOld)
	st.TooNew += int64(r.TooNew)
	st.Invalid += int64(r.Invalid)
}

// A writer is one Append at work.
type writer struct {
	s   *Store
	o   *opening
	app storage.AppenderV2 // nil: nothing to commit
	n   int                // samples given to it

	unsure bool // some may be in the store already, which could not be read there
}

// batch gives new samples to the library, and puts aside those that may not be new.
func (w *writer) batch(b *Batch, oldest, newest si.Instant, res *Result) error {
	var tracks [points.Count]*track
	for i := range b.Samples {
		p := &b.Samples[i]
		electric := b.Electric && p.Point == points.Control
		r := readingOf(p, b.Electric)
		switch {
		case b.Pot == "" || int(p.Point) >= points.Count || int(p.Quality) >= qualities || p.At <= 0 || p.At > maxInstant ||
			math.IsNaN(r.value) || math.IsInf(r.value, 0):
			res.Invalid++
			continue
		case p.At < oldest:
			res.TooOld++
			continue
		case p.At > newest:
			res.TooNew++
			continue
		}
		t := tracks[p.Point]
		if t == nil {
			t = w.s.track(trackKey{b.Pot, b.Epoch, p.Point, electric})
			tracks[p.Point] = t
		}
		switch {
		case !t.known || p.At < t.newest:
			w.s.late = append(w.s.late, lateSample{t, p.At, r})
		case p.At == t.newest:
			again(r, t.last, res)
		default:
			stored, err := w.give(t, p.At, r, res)
			if err != nil {
				return err
			}
			if stored {
				t.newest, t.last = p.At, r
			}
		}
	}
	return nil
}

// again counts a sample at whose instant there is one already.
func again(r, there reading, res *Result) {
	if r == there {
		res.Repeated++
	} else {
		res.Conflicts++
	}
}

// track is what is remembered of a key.
func (s *Store) track(k trackKey) *track {
	t := s.tracks[k]
	if t == nil {
		t = &track{key: k}
		s.tracks[k] = t
	}
	t.seen = s.commits
	return t
}

// give hands one sample to the library.
func (w *writer) give(t *track, at si.Instant, r reading, res *Result) (bool, error) {
	if w.app == nil {
		w.app = w.o.db.AppenderV2(context.Background())
	}
	series := &t.series[r.quality]
	ref, err := w.app.Append(series.ref, t.labels(w.s.o.Site, r.quality), 0, int64(at), r.value, nil, nil, storage.AppendV2Options{})
	switch {
	case errors.Is(err, storage.ErrTooOldSample), errors.Is(err, storage.ErrOutOfBounds):
		res.TooOld++ // this server's clock was set back by more than Window
		return false, nil
	case err != nil:
		return false, fmt.Errorf("sample of %s/%s at %v: %w", t.key.pot, t.key.point, at, err)
	}
	series.ref = ref
	w.n++
	res.Stored++
	return true, nil
}

// commit puts what was given into the log and into memory, and makes sure that nothing of it was dropped on the way,
// which the library would only log.
func (w *writer) commit() error {
	if w.app == nil {
		return nil
	}
	c, app, n := w.o.counters, w.app, w.n
	w.app, w.n = nil, 0
	appended, failed := c.sum(countAppended), c.sum(countLateLogFailed)
	if err := app.Commit(); err != nil {
		w.s.failed(w.o, err)
		return fmt.Errorf("%w: %w", ErrFault, err)
	}
	w.s.commits++
	if c.sum(countLateLogFailed) != failed {
		err := errors.New("late samples cannot be written to their log")
		w.s.failed(w.o, err)
		return fmt.Errorf("%w: %w", ErrFault, err)
	}
	if got := int(c.sum(countAppended) - appended); got != n && !w.unsure {
		err := fmt.Errorf("of %d samples %d were taken", n, got)
		w.s.failed(w.o, err)
		return fmt.Errorf("%w: %w", ErrFault, err)
	}
	return nil
}

// giveUp takes back what was given since the last commit.
func (w *writer) giveUp(err error) error {
	clear(w.s.tracks)
	if w.app != nil {
		err = errors.Join(err, w.app.Rollback())
		w.app = nil
	}
	return err
}

// lateOnes compares late samples with what is stored at their times, and gives on those that are new.
func (w *writer) lateOnes(res *Result) error {
	late := w.s.late
	slices.SortStableFunc(late, func(a, b lateSample) int {
		return cmp.Or(cmp.Compare(a.t.key.pot, b.t.key.pot), cmp.Compare(a.t.key.epoch, b.t.key.epoch), cmp.Compare(a.t.key.point, b.t.key.point),
			cmp.Compare(electricLast(a.t), electricLast(b.t)), cmp.Compare(a.at, b.at))
	})
	for len(late) > 0 {
		t, n := late[0].t, 1
		for n < len(late) && late[n].t == t {
			n++
		}
		if err := w.lateOf(t, late[:n], res); err != nil {
			return err
		}
		late = late[n:]
	}
	return nil
}

func electricLast(t *track) int {
	if t.key.electric {
		return 1
	}
	return 0
}

// lateOf does so for one track; its samples ascend.
func (w *writer) lateOf(t *track, late []lateSample, res *Result) error {
	until := late[len(late)-1].at
	if !t.known {
		until = maxInstant // to learn the newest
	}
	there, err := w.o.readTrack(w.s.o.Site, t.key, late[0].at, until)
	if err != nil {
		return err
	}
	defer there.close()
	stored, any := there.next()
	var last lateSample
	for i, l := range late {
		for any && stored.at < l.at {
			t.saw(stored.at, stored.reading)
			stored, any = there.next()
		}
		switch {
		case i > 0 && l.at == last.at:
			again(l.r, last.r, res)
			continue
		case any && stored.at == l.at:
			again(l.r, stored.reading, res)
			last = lateSample{at: l.at, r: stored.reading}
			continue
		}
		ok, err := w.give(t, l.at, l.r, res)
		if err != nil {
			return err
		}
		if ok {
			t.saw(l.at, l.r)
			last = l
			if there.err != nil {
				w.unsure = true
				w.s.unchecked()
			}
		}
	}
	for ; any; stored, any = there.next() {
		t.saw(stored.at, stored.reading)
	}
	t.known = there.err == nil // else the next ones are compared too
	return nil
}

// saw keeps the newest.
func (t *track) saw(at si.Instant, r reading) {
	if at > t.newest {
		t.newest, t.last = at, r
	}
}

func (s *Store) unchecked() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stats.Unchecked++
}
