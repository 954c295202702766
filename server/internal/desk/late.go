package desk

import (
	"slices"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
)

// mostEpisodes bounds what is remembered of one key: a day of a condition that comes every twenty minutes.
const mostEpisodes = 72

// sameWithin is how far apart live and late readings may see one and the same episode.
const sameWithin = 2 * time.Second

// An episode is when a condition stood.
type episode struct{ from, to si.Instant } // to 0: it stands

// episodes are those of a key that are known, live, late or from records.
type episodes struct{ list []episode }

// stands tells whether the last of them does.
func (e *episodes) stands() bool { return len(e.list) > 0 && e.list[len(e.list)-1].to == 0 }

// note takes a transition of the key's alarm.
func (e *episodes) note(event string, at si.Instant) {
	n, stands := len(e.list), e.stands()
	switch event {
	case alarm.EventRaised, alarm.EventSuppressed: // one that is suppressed stands already, or begins out of sight
		if stands {
			return
		}
	case alarm.EventReturned, alarm.EventReset: // what is not configured any more is reset while it stands
		if stands {
			e.list[n-1].to = max(at, e.list[n-1].from)
		}
		return
	default:
		return
	}
	if n == mostEpisodes {
		e.list = append(e.list[:0], e.list[1:]...)
	}
	e.list = append(e.list, episode{from: at})
}

// knows tells whether an episode is one that is known, and whether that one stands; to 0: it stands itself.
func (e *episodes) knows(x episode) (known, stands bool) {
	if e == nil {
		return false, false
	}
	for _, y := range e.list {
		if (x.to == 0 || y.from <= x.to.Add(sameWithin)) && (y.to == 0 || x.from <= y.to.Add(sameWithin)) {
			known, stands = true, stands || y.to == 0
		}
	}
	return known, stands
}

// tellable tells whether late readings can tell of a kind. That the pot is as it is configured, and its pressure known, is of the present:
// readings that came late say nothing of it.
func tellable(k alarm.Kind) bool { return k != alarm.VesselUnknown && k != alarm.ConfigDoubt }

// Late takes what a rewind has found in a pot's late readings, in stored time, in its order. What live readings have shown, or an
// earlier rewind, is not told again. Nothing late lets a latched alarm go.
func (d *Desk) Late(found []alarm.Found) {
	begun := map[alarm.Key]alarm.Found{}
	var order []alarm.Key
	for _, f := range found {
		f.Evidence.Late = true
		began, stands := begun[f.Key]
		switch {
		case !tellable(f.Kind) || f.Proven:
		case f.On && !stands:
			begun[f.Key] = f
			order = append(order, f.Key)
		case !f.On && stands:
			delete(begun, f.Key)
			d.lateEpisode(began, f)
		case !f.On:
			d.lateEnd(f)
		}
	}
	for _, k := range order {
		f, stands := begun[k]
		delete(begun, k) // an earlier one of the key stands in order too
		if stands && d.lateBegin(f) {
			d.o.Assume(k)
		}
	}
}

// lateEpisode takes one that is over.
func (d *Desk) lateEpisode(on, off alarm.Found) {
	known, stands := d.note(on, off)
	if known && stands {
		d.lateEnd(off)
	}
}

// note has the board take an episode that is over, unless it is known, or one of its key stands: two at once cannot be told.
func (d *Desk) note(on, off alarm.Found) (known, stands bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if known, stands = d.seen[on.Key].knows(episode{on.At, off.At}); known || slices.Contains(d.board.Standing(on.Pot, on.Agent), on.Key) {
		return known, stands
	}
	d.changes = d.board.Note(off, d.board.Note(on, d.changes[:0]))
	d.take(d.changes)
	return false, false
}

// lateBegin takes one that stands; false: that is known.
func (d *Desk) lateBegin(on alarm.Found) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if known, _ := d.seen[on.Key].knows(episode{from: on.At}); known {
		return false
	}
	d.changes = d.board.Note(on, d.changes[:0])
	d.take(d.changes)
	return len(d.changes) > 0
}

// lateEnd ends what stood before the start, or before the late readings, unless it has begun since that end, or live readings have shown it since.
func (d *Desk) lateEnd(off alarm.Found) {
	if d.begunAfter(off) || !d.o.Ease(off.Key) {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.changes = d.board.Note(off, d.changes[:0])
	d.take(d.changes)
}

// begunAfter tells whether what stands has begun after an end: that one is of an earlier time.
func (d *Desk) begunAfter(off alarm.Found) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	e := d.seen[off.Key]
	return e != nil && e.stands() && e.list[len(e.list)-1].from > off.At
}
