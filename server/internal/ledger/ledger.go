// Package ledger keeps account of one agent's journal: which of its records have arrived at the server, which of those are
// safe on its disk, which the journal does not hold, and what is to be asked for next. It is pure: times are arguments.
//
// A record's position names it for ever, together with the journal's id. So nothing here depends on the order in which
// messages come, on their number, or on whether one comes twice: a position is there or it is missing. What is missing is
// asked for until it comes or the journal says that it does not hold it. Only then it counts as lost, and only then, or
// once it is on the disk, the agent is told that it may forget it.
package ledger

import "time"

// How much is asked for, and when.
const (
	holeWaits   = time.Second // a hole may be a message under way
	firstWindow = 4096        // records
	leastWindow = 512
	mostWindow  = 1 << 16
	fastAnswer  = 250 * time.Millisecond // so fast, and twice as much is asked for; so that what is live waits no longer than this
	slowAnswer  = time.Second            // so slow, and half
	stalls      = 3 * time.Second        // without a record of those asked for: ask again
	stallsMost  = time.Minute            // after many such
	ackEvery    = 30 * time.Second

	// maxRanges bounds the memory. What arrives beyond it is not noted, so it is asked for again later.
	maxRanges = 4096
)

// A Ledger is the account of one journal. The zero value is not ready: use New. Not safe for concurrent use.
type Ledger struct {
	id   string
	safe uint64 // all before it is on the disk, or lost
	next uint64 // the end of the journal, as far as known
	kept ranges // from safe on: arrived, or not held by the journal
	disk ranges // of those: on the disk, or not held

	hole   uint64    // the first missing position
	since  time.Time // when it was first seen to be missing
	asked  Range     // empty: nothing is
	at     time.Time // when it was asked for
	news   time.Time // when something of it last came
	window uint64
	ended  bool // the end of what was asked for has come: what is missing of it is lost on the way
	tries  int  // in a row without an answer
	told   uint64
	toldAt time.Time
}

// New is the account of a journal of which everything before safe is on the disk.
func New(id string, safe uint64) *Ledger {
	return &Ledger{id: id, safe: safe, next: safe, hole: safe, window: firstWindow, told: safe}
}

// ID is the journal's.
func (l *Ledger) ID() string { return l.id }

// Safe is the position before which all is on the disk or known to be lost.
func (l *Ledger) Safe() uint64 { return l.safe }

// Ends notes how far the journal reaches.
func (l *Ledger) Ends(next uint64) { l.next = max(l.next, next) }

// Arrived notes records that have arrived and are to be kept. It is false where nothing of them is new, or where there is
// no room to note them.
func (l *Ledger) Arrived(r Range, now time.Time) bool {
	l.next = max(l.next, r.To)
	r.From = max(r.From, l.safe)
	l.heard(r, now)
	fresh := false
	l.kept.missing(r, func(Range) bool { fresh = true; return false })
	if !fresh || len(l.kept) >= maxRanges && !l.kept.touches(r) {
		return false
	}
	l.kept.add(r)
	return true
}

// heard notes that something of what was asked for has come.
func (l *Ledger) heard(r Range, now time.Time) {
	if r.From < l.asked.To && r.To > l.asked.From {
		l.news, l.tries = now, 0
		l.ended = l.ended || r.To >= l.asked.To
	}
}

// OnDisk notes that records that had arrived are on the disk. It tells whether Safe has moved.
func (l *Ledger) OnDisk(r Range) bool {
	r.From = max(r.From, l.safe)
	l.disk.add(r)
	return l.advance()
}

// Gone notes that records that had arrived could not be kept: they are missing again.
func (l *Ledger) Gone(r Range) {
	r.From = max(r.From, l.safe)
	l.kept.remove(r)
}

// NotHeld notes that the journal does not hold these records. It returns those of them that are lost by that, as they had
// not arrived.
func (l *Ledger) NotHeld(r Range, now time.Time) []Range {
	l.next = max(l.next, r.To)
	r.From = max(r.From, l.safe)
	l.heard(r, now)
	var lost []Range
	l.kept.missing(r, func(m Range) bool { lost = append(lost, m); return true })
	for _, m := range lost {
		l.kept.add(m)
		l.disk.add(m)
	}
	l.advance()
	return lost
}

func (l *Ledger) advance() bool {
	was := l.safe
	l.safe = l.disk.reach(l.safe)
	for _, s := range [...]*ranges{&l.kept, &l.disk} {
		s.remove(Range{0, l.safe})
	}
	return l.safe != was
}

// Missing are the records that have not arrived, in order, up to the end of the journal; at most n ranges.
func (l *Ledger) Missing(n int) []Range {
	var out []Range
	l.kept.missing(Range{l.safe, l.next}, func(r Range) bool {
		out = append(out, r)
		return len(out) < n
	})
	return out
}

// Whole tells whether all of r has arrived; what the journal does not hold counts as arrived.
func (l *Ledger) Whole(r Range) bool {
	r.From = max(r.From, l.safe)
	return r.Empty() || l.kept.reach(r.From) >= r.To
}

// Reborn drops what was asked for: the agent does not know of it any more, but may answer again.
func (l *Ledger) Reborn() { l.asked, l.ended, l.tries = Range{}, false, 0 }

// An Ask is what a ledger wants now.
type Ask uint8

// What a ledger wants.
const (
	Nothing Ask = iota
	Sync        // what has arrived brought to the disk: then it can ask for what is missing behind it
	Records     // these, from the agent
	Forget      // the agent told that it may forget what lies before the range, which is empty
)

// Ask is what is wanted now: the first that is missing, as much as comes in well under a second. Whatever is asked for, all
// before it is on the disk or lost, so that the agent may forget that.
func (l *Ledger) Ask(now time.Time) (Ask, Range) {
	l.settle(now)
	first := l.kept.reach(l.safe)
	if first != l.hole || first >= l.next {
		l.hole, l.since = first, now
	}
	switch {
	case first >= l.next || !l.asked.Empty() || now.Sub(l.since) < holeWaits:
	case first > l.safe:
		return Sync, Range{}
	default:
		l.asked = Range{first, min(l.next, first+l.window)}
		l.kept.missing(l.asked, func(r Range) bool { l.asked = r; return false }) // what lies behind need not come again
		l.at, l.news = now, now
		l.told, l.toldAt = l.safe, now
		return Records, l.asked
	}
	if l.safe > l.told && now.Sub(l.toldAt) >= ackEvery {
		l.told, l.toldAt = l.safe, now
		return Forget, Range{l.safe, l.safe}
	}
	return Nothing, Range{}
}

// settle ends a request that was answered, or that seems not to be.
func (l *Ledger) settle(now time.Time) {
	switch {
	case l.asked.Empty():
	case l.Whole(l.asked):
		switch took := now.Sub(l.at); {
		case took < fastAnswer && l.asked.Len() == l.window:
			l.window = min(mostWindow, 2*l.window)
		case took > slowAnswer:
			l.window = max(leastWindow, l.window/2)
		}
		l.again(now)
	case l.ended:
		l.again(now)
	case now.Sub(l.news) >= min(stallsMost, stalls<<min(l.tries, 8)):
		l.tries++
		l.window = max(leastWindow, l.window/2)
		l.again(now)
	}
}

// again lets the next request go out at once: what else is missing has been so for long.
func (l *Ledger) again(now time.Time) {
	l.asked, l.ended = Range{}, false
	l.hole, l.since = l.kept.reach(l.safe), now.Add(-holeWaits)
}
