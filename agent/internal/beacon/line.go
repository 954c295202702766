package beacon

import (
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/protocol/modbus"
)

// How long things may take.
const (
	Refresh  = 500 * time.Millisecond // a lit lamp is kept alight at least so often
	ReadBack = time.Second            // how often an output and a contact are read
	Held     = 250 * time.Millisecond // a write that lights is not sent later than this after the word was asked for
	Critical = 2 * time.Second        // on for longer while it should be off

	margin   = 300 * time.Millisecond  // that a watchdog may take longer than it is set to
	tryOff   = 300 * time.Millisecond  // how long "off" is tried before the unit is left to its watchdog
	again    = 50 * time.Millisecond   // between two tries
	slowly   = 150 * time.Millisecond  // after a request without an answer
	soon     = 250 * time.Millisecond  // between two readings where something is waited for
	pace     = time.Second             // between two tries with a unit that does not answer
	insist   = 5 * time.Second         // how long "off" is repeated
	overdue  = 500 * time.Millisecond  // then what could wait for a quiet moment does not any more
	gone     = 1500 * time.Millisecond // a unit that was silent for longer may be another one
	maxMiss  = 3                       // requests in a row without an answer
	maxTries = 3                       // of a proof that a unit refuses
)

// An Outcome is what came of an action.
type Outcome uint8

// The outcomes. Unclear: the unit answers, but not so that anything could be taken from it. Unsent: the unit was not
// asked; the line is lost, or the unit is left in peace.
const (
	Good Outcome = iota
	Refused
	Unclear
	NoAnswer
	Unsent
)

// An Action is one request: a write, or the reading of one coil, input or register.
type Action struct {
	Write    modbus.Write // its Function is 0 where it is a reading
	Unit     uint8
	Function modbus.Function
	Address  uint16
	Until    time.Time // a write that lights must not be sent after it; zero: whenever

	what  what
	relay *relay
	lamp  *lamp
}

type what uint8

const (
	writeOff what = iota
	writeOn
	readOutput
	readContact
	testOn
	testSeen
	testDropped
	testOff
)

// Writes tells whether a is a write.
func (a Action) Writes() bool { return a.Write.Function != 0 }

// A Kind is what an Event tells.
type Kind uint8

// The kinds. Faulty: an output reads otherwise than it should. Fatal: on while it should be off; dark until the next start.
const (
	Lit Kind = iota
	Dark
	Proven
	Unproven
	Faulty
	Fatal
)

// An Event is a change of a beacon, or a finding.
type Event struct {
	Kind   Kind
	Pot    string
	Unit   uint8
	Output config.Output
	Why    string
	Count  int // of Faulty and Fatal ones of this beacon so far
}

// Options of a Line. Busy is how long any other request, and all writes that may come before one, can keep the line.
type Options struct {
	Busy time.Duration
	Tell func(Event) // nil: nobody
}

// A Line drives the beacons of one serial line. It belongs to one goroutine.
type Line struct {
	o      Options
	relays []*relay
}

// New makes the beacons of units; nil where there are none.
func New(units []config.Unit, o Options) *Line {
	l := &Line{o: o}
	for _, u := range units {
		if len(u.Beacons) > 0 {
			l.relays = append(l.relays, newRelay(u, l))
		}
	}
	if len(l.relays) == 0 {
		return nil
	}
	return l
}

// Limit is how often a beacon is kept alight at least.
func Limit(b config.Beacon) time.Duration {
	if b.Toggled() {
		return Refresh
	}
	return min(Refresh, b.Watchdog/3)
}

func (l *Line) tell(e Event) {
	if l.o.Tell != nil {
		l.o.Tell(e)
	}
}

// Next asks for the words and gives what is to be done now; not ok where nothing is. Urgent leaves out what can wait
// for a quiet moment, and has not waited long.
func (l *Line) Next(now time.Time, may func(pot string) bool, urgent bool) (Action, bool) {
	for _, r := range l.relays {
		r.decide(now, may)
	}
	due, a := l.first(now, urgent)
	if due.IsZero() || due.After(now) {
		return Action{}, false
	}
	if a.what == writeOn {
		a.Until = now.Add(Held)
	}
	return a, true
}

// Due is when the next thing has to be done, while no word changes; zero: nothing has.
func (l *Line) Due(now time.Time) time.Time {
	due, _ := l.first(now, false)
	for _, r := range l.relays {
		if at := r.turns(); !at.IsZero() && (due.IsZero() || at.Before(due)) {
			due = at
		}
	}
	return due
}

// first is the candidate that is due first; of those that a unit's rest holds back alike, the one that has waited longest.
func (l *Line) first(now time.Time, urgent bool) (due time.Time, a Action) {
	var since time.Time
	consider := func(at, notBefore time.Time, c Action, canWait bool) {
		wanted := at
		if at = later(at, notBefore); urgent && canWait {
			at = at.Add(overdue)
		}
		if due.IsZero() || at.Before(due) || at.Equal(due) && wanted.Before(since) {
			due, since, a = at, wanted, c
		}
	}
	for _, r := range l.relays {
		r.candidates(now, consider)
	}
	return due, a
}

// Rests tells whether nothing may be asked of a unit now, so that its watchdog sees nobody.
func (l *Line) Rests(unit uint8, now time.Time) bool {
	for _, r := range l.relays {
		if r.unit == unit && now.Before(r.rest) {
			return true
		}
	}
	return false
}

// Done takes what came of an action, and the value where it was a reading.
func (l *Line) Done(a Action, now time.Time, value uint16, o Outcome) {
	r, away := a.relay, false
	switch o {
	case Good, Refused, Unclear:
		away = r.answered(now)
	case NoAnswer:
		// What a slow unit has not answered yet waits in it, and feeds it when its turn comes: not too much of that.
		if r.missed++; r.missed < maxMiss {
			r.again = now.Add(slowly)
		} else {
			r.again = now.Add(pace)
		}
	}
	if a.lamp != nil {
		a.lamp.done(a, now, value, o)
		return
	}
	if !away { // else the proof begins anew
		r.tested(a, now, value, o)
	}
}

// Lost says that the line is gone.
func (l *Line) Lost(now time.Time) {
	for _, r := range l.relays {
		for _, p := range r.lamps {
			if p.on {
				p.fall(now, "the line is lost")
			}
		}
	}
}

// Last is what is written when the agent ends.
func (l *Line) Last(now time.Time) (out []Action) {
	for _, r := range l.relays {
		if now.Before(r.rest) {
			continue // that is what puts it out
		}
		for _, p := range r.lamps {
			if p.on {
				p.fall(now, "the agent ends")
			}
			if !p.cfg.Toggled() || p.value != 0 && now.Sub(p.edge) < Refresh {
				out = append(out, p.write(writeOff, 0))
			}
		}
		if r.watchdog > 0 && r.prove != nil {
			out = append(out, r.test(testOff))
		}
	}
	return out
}
