package journal

import (
	"errors"
	"io/fs"
	"iter"
	"log/slog"
	"slices"

	"gritwatch/agent/internal/journal/frame"
)

// Read goes through the records from position from up to to (exclusive), or to the newest of now, in order, each once: as
// the batches in which they were appended, the first and the last cut to what was asked for. Where a batch begins later
// than the last one ended, what lies between is lost, and counted. A batch is good until the next one. Appends go on
// meanwhile, and what does not yet lie on the disk is read too.
//
// An error ends it: *TooOldError where from has been dropped, also while reading; *UnreadableError where the disk fails, for
// patience (10 minutes) at most, after which what it does not give is lost; or what else the disk says.
func (j *Journal) Read(from, to uint64) iter.Seq2[Batch, error] {
	return func(yield func(Batch, error) bool) {
		j.mu.Lock()
		to := min(to, j.next)
		j.mu.Unlock()
		r := reading{j: j, at: from, to: to, yield: yield}
		defer r.remember()
		for r.at < r.to {
			more, err := r.part()
			if err != nil {
				yield(Batch{}, err)
			}
			if err != nil || !more {
				return
			}
		}
	}
}

// A reading is one Read on its way.
type reading struct {
	j     *Journal
	at    uint64 // position to come
	to    uint64
	yield func(Batch, error) bool
	batch Batch
	room  []byte
	last  hint // of the last frame in a file; segment 0: none
}

// remember leaves the hint to whoever reads on.
func (r *reading) remember() {
	if r.last.segment == 0 {
		return
	}
	r.j.mu.Lock()
	r.j.hint = r.last
	r.j.mu.Unlock()
}

// A hint is where a frame begins: whoever reads on where another Read ended need not go through all before it.
type hint struct {
	segment  uint64 // its number
	position uint64 // first of the frame
	at       int64  // in the file
}

// part reads what lies ahead in one segment, or in memory. It always gets further; false: nobody wants more.
func (r *reading) part() (more bool, err error) {
	j := r.j
	j.mu.Lock()
	if r.at < j.oldest {
		defer j.mu.Unlock()
		return false, &TooOldError{From: r.at, Oldest: j.oldest}
	}
	if r.at >= j.synced {
		buf, end := slices.Clone(j.buf), j.next
		j.mu.Unlock()
		return r.frames(&scan{buf: buf, read: int64(len(buf)), salt: j.salt}, segment{}, min(r.to, end))
	}
	i := slices.IndexFunc(j.segments, func(s segment) bool { return s.end > r.at })
	var s segment
	end := min(r.to, j.synced)
	if i >= 0 && j.segments[i].base <= r.at {
		s = j.segments[i]
		end = min(end, s.end)
	} else if i >= 0 {
		end = min(end, j.segments[i].base)
	}
	from := int64(0)
	if j.hint.segment == s.number && j.hint.position <= r.at {
		from = j.hint.at
	}
	j.mu.Unlock()
	if s.number == 0 { // between two segments
		return true, r.missing(&scan{}, s, end)
	}

	f, err := j.o.Folder.Open(s.name())
	if errors.Is(err, fs.ErrNotExist) {
		j.mu.Lock()
		defer j.mu.Unlock()
		if r.at < j.oldest { // dropped in this moment
			return false, &TooOldError{From: r.at, Oldest: j.oldest}
		}
		j.miss(r.at, end)
		r.at = end
		return true, nil
	}
	if err != nil {
		return false, err
	}
	defer f.Close() // only read
	if r.room == nil {
		r.room = make([]byte, window)
	}
	return r.frames(&scan{file: f, size: s.size, read: from, salt: j.salt, room: r.room}, s, end)
}

// frames hands on the records up to end. What is not there is missing, unless the disk may give it another time.
func (r *reading) frames(sc *scan, s segment, end uint64) (more bool, err error) {
	for r.at < end {
		f, ok := sc.next()
		if !ok {
			break
		}
		if f.Kind != frame.KindBatch {
			continue
		}
		span, err := frame.Span(f.Body)
		if err != nil || span.To <= r.at {
			continue
		}
		if span.From >= end {
			break
		}
		b := &r.batch
		if b.Decode(f.Body) != nil {
			continue
		}
		if span.From > r.at {
			if err := r.missing(sc, s, span.From); err != nil {
				return false, err
			}
		}
		r.last = hint{s.number, span.From, sc.whole - int64(f.Size)}
		kept := b.Samples
		skip := r.at - b.First
		out := Batch{First: r.at, Pot: b.Pot, Epoch: b.Epoch, Samples: kept[skip:min(uint64(len(kept)), end-b.First)]}
		r.at += uint64(len(out.Samples))
		if !r.yield(out, nil) {
			return false, nil
		}
	}
	if r.at < end {
		return true, r.missing(sc, s, end)
	}
	return true, nil
}

// missing gets on to a position; what lies before it holds nothing. The error is an *UnreadableError.
func (r *reading) missing(sc *scan, s segment, to uint64) error {
	j := r.j
	j.mu.Lock()
	if sc.bad > 0 && j.holes.within(r.at, to) < to-r.at {
		now := j.o.Mono()
		since, known := j.failing[s.number]
		if !known {
			j.failing[s.number], since = now, now
		}
		if now-since < patience {
			j.mu.Unlock()
			return &UnreadableError{r.at, to, sc.why}
		}
	} else if sc.bad == 0 {
		delete(j.failing, s.number)
	}
	lost := j.miss(r.at, to)
	j.mu.Unlock()
	if lost > 0 {
		j.log(slog.LevelWarn, "records cannot be read: they are lost", slog.Uint64("from", r.at), slog.Uint64("to", to))
	}
	r.at = to
	return nil
}
