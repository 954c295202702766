package backlog

import (
	"errors"
	"iter"

	"gritwatch/agent/internal/journal"
	"gritwatch/protocol/points"
)

// A Part is one piece of an answer: readings of one pot at the positions from From on, or, without a pot, that the positions
// From up to To hold nothing for good.
type Part struct {
	From, To uint64 // positions, To exclusive
	Pot      string
	Epoch    uint64          // of the clock that stamped the readings
	Samples  []points.Sample // To-From of them; good until the next part
	Dropped  bool            // Void: the journal begins behind it
}

// Void tells that the positions hold nothing.
func (p Part) Void() bool { return p.Pot == "" }

// A Journal is what an answer reads: journal.Journal.Read.
type Journal func(from, to uint64) iter.Seq2[journal.Batch, error]

// An Answer puts the parts together that answer one request. Close it.
type Answer struct {
	read  Journal
	carry func(pot string, s points.Sample) bool
	at    uint64 // position to come
	to    uint64

	next  func() (journal.Batch, error, bool) // nil: nothing is open
	stop  func()
	rest  journal.Batch // what is read and not yet said
	err   error         // what ended the reading
	ended bool
	room  []points.Sample
}

// NewAnswer answers r from a journal; carry tells which readings can be published.
func NewAnswer(r Request, read Journal, carry func(pot string, s points.Sample) bool) *Answer {
	return &Answer{read: read, carry: carry, at: r.From, to: r.To}
}

// Close gives back what the reading holds.
func (a *Answer) Close() {
	if a.stop != nil {
		a.stop()
	}
	a.next, a.stop = nil, nil
}

// Next is the next part, of size readings at most; false where all has been said. The error is the journal's, of a disk that
// does not give now what is to come; the answer then ends.
func (a *Answer) Next(size int) (p Part, ok bool, err error) {
	a.room = a.room[:0]
	p.From = a.at
	for a.at < a.to && len(a.room) < size {
		if !a.look() {
			if len(a.room) > 0 {
				break
			}
			return a.without(p)
		}
		if a.rest.First > a.at {
			if len(a.room) > 0 {
				break
			}
			a.at = a.rest.First
			return Part{From: p.From, To: a.at}, true, nil
		}
		if len(a.room) > 0 && (a.rest.Pot != p.Pot || a.rest.Epoch != p.Epoch) {
			break
		}
		if more := a.take(&p, size); !more {
			break
		}
	}
	if p.From == a.at {
		return Part{}, false, nil
	}
	p.To, p.Samples = a.at, a.room
	return p, true, nil
}

// look has something in rest; false where the reading has ended, as err says.
func (a *Answer) look() bool {
	for len(a.rest.Samples) == 0 {
		if a.ended {
			return false
		}
		if a.next == nil {
			a.next, a.stop = iter.Pull2(iter.Seq2[journal.Batch, error](a.read(a.at, a.to)))
		}
		b, err, ok := a.next()
		if !ok || err != nil {
			a.Close()
			a.err, a.ended = err, true
			return false
		}
		a.rest = b
	}
	return true
}

// without is what is to be said where the reading has ended: what has been dropped, and is read on behind it; what is not
// there at the end; or the disk's error.
func (a *Answer) without(p Part) (Part, bool, error) {
	p.To = a.to
	if a.err != nil {
		var old *journal.TooOldError
		if !errors.As(a.err, &old) || old.Oldest <= a.at {
			return Part{}, false, a.err
		}
		p.To, p.Dropped = min(old.Oldest, a.to), true
		a.err, a.ended = nil, false
	}
	a.at = p.To
	return p, true, nil
}

// take puts readings from rest into the part; false where the part ends.
func (a *Answer) take(p *Part, size int) (more bool) {
	for len(a.rest.Samples) > 0 {
		s := a.rest.Samples[0]
		carried := a.carry(a.rest.Pot, s)
		switch n := len(a.room); {
		case !carried && n > 0, carried && p.Pot == "" && a.at > p.From, n == size:
			return false
		case n > 0 && s.At/1000 < a.room[n-1].At/1000: // the message would be sorted into another order
			return false
		}
		if carried {
			p.Pot, p.Epoch = a.rest.Pot, a.rest.Epoch
			a.room = append(a.room, s)
		}
		a.rest.Samples = a.rest.Samples[1:]
		a.rest.First++
		a.at++
	}
	return true
}
