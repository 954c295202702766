package ascii

import (
	"errors"
	"fmt"
	"time"
)

// kind is what is known of gauges whose answers cannot be told apart.
type kind struct {
	gauges int
	owed   int       // answers that were not seen
	tried  bool      // a throw-away query was answered; whether by its own answer is not known
	peace  bool      // a line turned up that nobody waited for
	since  time.Time // the last query without an answer, or that line
	tardy  time.Time // until then its lines are known to come very late
}

// rests tells whether gauges of the kind are not to be asked yet. Where the time is over, what may have been owed is not.
func (k *kind) rests(rest time.Duration) bool {
	if k.peace || k.owed > 0 {
		patient := k.peace || time.Now().Before(k.tardy)
		switch {
		case patient:
			rest = max(peace, rest)
		case k.tried:
			rest /= 2
		}
		if time.Since(k.since) < rest {
			return true
		}
		if patient || k.tried { // nothing of it can be on its way
			k.peace, k.owed = false, 0
		}
	}
	k.tried = false
	return false
}

// Alike tells whether an answer of one gauge may be taken for one of the other, so that they are of one kind.
func Alike(a, b Gauge) bool {
	for _, p := range a.Patterns {
		for _, q := range b.Patterns {
			if p.Overlaps(q) {
				return true
			}
		}
	}
	return false
}

// settle lets the line come to rest after a query without a good answer, and looks whether the answer turns up.
// Got is how many bytes came in the answer's time; owed is how many answers were, with the query's own.
func (a *Asker) settle(g *gauge, owed, got int, err error) error {
	k := &a.kinds[g.kind]
	if err := a.port.Purge(); err != nil {
		return fmt.Errorf("%w: %w", ErrPort, err)
	}
	if rest := a.drain(a.longest); errors.Is(rest, ErrPort) {
		return rest
	}
	switch {
	case k.owed < owed && (errors.Is(err, ErrTimeout) || errors.Is(err, ErrCut)):
		return ErrLate
	case k.owed == owed && owed == 1 && !k.peace && got >= g.shortest-1:
		k.owed-- // it did come, spoilt
	}
	return err
}

// other tells whether a line is an answer of another kind than the one that is waited for, and accounts for it.
func (a *Asker) other(line []byte, kind int) bool {
	if of := a.kindOf(line); of == kind || of < 0 {
		return false
	}
	a.unasked(line)
	return true
}

// kindOf is the kind of gauges that a line is an answer of; -1: of none. No line is of two kinds.
func (a *Asker) kindOf(line []byte) int {
	for i := range a.gauges {
		for _, p := range a.gauges[i].Patterns {
			if _, err := p.Match(line); err == nil {
				return a.gauges[i].kind
			}
		}
	}
	return -1
}

// unasked accounts for a line that nobody waits for. Where it is owed it is paid; else its kind is left in peace.
func (a *Asker) unasked(line []byte) {
	if a.opts.Events.Stray != nil {
		a.opts.Events.Stray(len(line))
	}
	i := a.kindOf(line)
	if i < 0 {
		return
	}
	k, now := &a.kinds[i], time.Now()
	late := now.Sub(k.since) > a.opts.Timeout+3*a.longest || k.tried
	if k.owed > 0 && !k.peace {
		k.owed--
	} else {
		k.peace, late = true, true
	}
	if late {
		k.since, k.tardy = now, now.Add(tardyFor)
	}
}
