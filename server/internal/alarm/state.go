package alarm

import (
	"errors"
	"fmt"
	"time"

	"gritwatch/protocol/si"
)

// A State is where an alarm stands. The letters are those of the state diagram of ANSI/ISA-18.2 and IEC 62682 (from
// memory).
type State uint8

// The states.
const (
	Normal                 State = iota // A: no alarm
	Unacknowledged                      // B: the condition stands
	Acknowledged                        // C: it stands, and somebody knows
	ReturnedUnacknowledged              // D: it has ended, and nobody knows
	LatchedUnacknowledged               // E: it has ended, what must be seen then was not, and nobody knows
	LatchedAcknowledged                 // F: the same, and somebody knows
	Shelved                             // G: out of sight until an instant, by a person
	Suppressed                          // H: out of sight by design, while another alarm says it already
	OutOfService                        // I: out of sight until a person brings it back

	States = 9 // how many there are
)

var stateNames = [States]string{"normal", "unacknowledged", "acknowledged", "returned-unacknowledged", "latched-unacknowledged",
	"latched-acknowledged", "shelved", "suppressed", "out-of-service"}

// String is the state's name in JSON.
func (s State) String() string { return stateNames[s] }

// Shown tells whether people see the alarm without looking for it.
func (s State) Shown() bool { return s >= Unacknowledged && s <= LatchedAcknowledged }

// Events of transitions.
const (
	EventRaised       = "raised"
	EventReturned     = "returned" // its condition has ended; or, with a word as evidence, the answer lets a latched alarm go
	EventAcknowledged = "acknowledged"
	EventReset        = "reset"
	EventShelved      = "shelved"
	EventUnshelved    = "unshelved"
	EventSuppressed   = "suppressed"
	EventUnsuppressed = "unsuppressed"
	EventTakenOut     = "out-of-service"
	EventBroughtBack  = "in-service"
	EventCommented    = "commented" // a person has written a note; it changes nothing
)

// What people may do with an alarm.
const (
	DoAcknowledge = "acknowledge"
	DoShelve      = "shelve"
	DoUnshelve    = "unshelve"
	DoReset       = "reset"
	DoTakeOut     = "take-out"
	DoBringBack   = "bring-back"
	DoComment     = "comment"
)

// Why something is refused.
var (
	// ErrUnknown says that there is no open alarm of this id.
	ErrUnknown = errors.New("there is no such open alarm; it may have ended meanwhile")
	// ErrNobody says that a named person is needed.
	ErrNobody = errors.New("who does this must be named")
	// ErrNoReason says that a reason is needed.
	ErrNoReason = errors.New("a reason must be given")
	// ErrNoComment says that there is nothing to keep.
	ErrNoComment = errors.New("the comment must be written, as note")
	// ErrVessel says that the alarm tells of pressure that nobody may see.
	ErrVessel = errors.New("alarms of a vessel that may hold pressure stay in sight; acknowledge it")
	// ErrHides says that alarms which must stay in sight are suppressed under this one.
	ErrHides = errors.New("critical alarms of vessels are suppressed under it; acknowledge it, or take it out of service")
	// ErrEnd says that a shelf's end is not one.
	ErrEnd = errors.New("the shelf must end later than now, and within 12 hours")
	// ErrStands says that the condition still stands.
	ErrStands = errors.New("what it tells of still stands; it can be acknowledged")
	// ErrNotLatched says that there is nothing to reset.
	ErrNotLatched = errors.New("it is not latched; acknowledge it")
	// ErrAlready says that the alarm stands so already.
	ErrAlready = errors.New("somebody has done so already")
	// ErrAnew says that who acts has not seen the alarm's newest beginning.
	ErrAnew = errors.New("it has begun again since it was looked at, and nobody has seen that; look at it, then do so again")
	// ErrHidden says that the alarm is out of sight.
	ErrHidden = errors.New("it is shelved, suppressed or out of service; bring it back first")
	// ErrNotHidden says that the alarm is not out of sight in this way.
	ErrNotHidden = errors.New("it is not")
)

// A Refusal is something that people asked of an alarm and that was not done. Unwrap gives one of the errors above.
type Refusal struct {
	Do    string // as "shelve"
	Alarm string // id
	Kind  string // empty: not known
	Pot   string
	Agent string
	State State
	Why   error
}

// Error says what was refused and what can be done.
func (r *Refusal) Error() string {
	if r.Kind == "" {
		return fmt.Sprintf("cannot %s alarm %q: %v", r.Do, r.Alarm, r.Why)
	}
	of := "pot " + r.Pot
	if r.Pot == "" {
		of = "agent " + r.Agent
	}
	return fmt.Sprintf("cannot %s %s of %s (%s): %v", r.Do, r.Kind, of, r.State, r.Why)
}

// Unwrap is why.
func (r *Refusal) Unwrap() error { return r.Why }

// mode is in which way an alarm is in sight or out of it.
type mode uint8

const (
	shown mode = iota
	shelved
	suppressed
	outOfService
)

// An alarm is one that is open. Its state follows from what its transitions have made of these.
type alarm struct {
	id       string
	key      Key
	priority Priority
	raised   si.Instant
	evidence Evidence // of the last beginning

	active bool // the condition stands
	acked  bool // somebody knows of this beginning
	proven bool // since its end the answer has let it go
	reset  bool // a person has
	mode   mode
	until  si.Instant // of the shelf
	orphan bool       // of nothing that is configured: nothing will end it

	begun   string        // id of the transition by which it last came into sight, or began there; empty: none did
	newest  string        // the greatest id of its transitions
	last    si.Instant    // of the newest event that changed it
	since   si.Instant    // of the state
	shownAt si.Instant    // when it last came into sight; 0: not in sight
	calmTo  time.Duration // suppressed, and the suppressor has ended: until so much is Board.gone; 0: it stands
	by      string        // who has acknowledged it
	byAt    si.Instant
}

// over tells whether nothing is left to do.
func (a *alarm) over() bool {
	if a.reset {
		return true
	}
	if a.active || a.mode == shelved || a.mode == outOfService {
		return false
	}
	if a.latched() {
		return false
	}
	return a.acked || a.mode == suppressed || rules[a.key.Kind].Alone && a.priority < High
}

// latched tells whether the alarm stands after its condition's end.
func (a *alarm) latched() bool { return rules[a.key.Kind].Latch && !a.active && !a.proven }

func (a *alarm) state() State {
	switch {
	case a.over():
		return Normal
	case a.mode == shelved:
		return Shelved
	case a.mode == suppressed:
		return Suppressed
	case a.mode == outOfService:
		return OutOfService
	case a.active && !a.acked:
		return Unacknowledged
	case a.active:
		return Acknowledged
	case rules[a.key.Kind].Latch && a.acked:
		return LatchedAcknowledged
	case rules[a.key.Kind].Latch:
		return LatchedUnacknowledged
	}
	return ReturnedUnacknowledged
}

// apply is the one place where an event changes an alarm, live and from records.
func (a *alarm) apply(event string, at si.Instant, by string, e *Evidence) error {
	was, inSight := a.state(), a.mode == shown
	if event != EventCommented { // what is told late may have been before it
		a.last = max(a.last, at)
	}
	switch event {
	case EventRaised:
		a.begin(e)
	case EventReturned:
		a.active = false
		a.proven = a.proven || e.proves()
	case EventAcknowledged:
		a.acked, a.by, a.byAt = true, by, at
	case EventReset:
		a.reset = true
	case EventShelved:
		a.mode, a.until = shelved, e.until()
	case EventSuppressed:
		if !a.active { // it begins out of sight
			a.begin(e)
		}
		a.mode, a.calmTo = suppressed, 0
	case EventTakenOut:
		a.mode = outOfService
	case EventUnshelved, EventBroughtBack:
		a.show(false)
	case EventUnsuppressed:
		a.show(a.acked)
	case EventCommented:
	default:
		return fmt.Errorf("%q is not an event of alarms of this version", event)
	}
	if now := a.state(); now != was || a.since == 0 {
		a.since = at
	}
	switch {
	case a.mode != shown:
		a.shownAt = 0
	case event == EventRaised || !inSight || a.shownAt == 0:
		a.shownAt = at
	}
	return nil
}

func (a *alarm) begin(e *Evidence) {
	a.active, a.acked, a.proven, a.evidence = true, false, false, *e
	a.by, a.byAt = "", 0
}

// show brings an alarm back into sight. One whose condition has ended meanwhile is over, as the standard has it.
func (a *alarm) show(acked bool) {
	a.mode, a.until, a.calmTo = shown, 0, 0
	a.acked = acked || !a.active
}

// can is what a person may do with the alarm as it stands.
func (a *alarm) can() []string {
	out := []string{}
	shelf, service := hidable(a.key, a.priority)
	if a.mode == shown && !a.acked {
		out = append(out, DoAcknowledge)
	}
	if a.orphan || a.latched() {
		out = append(out, DoReset)
	}
	switch {
	case a.mode == shelved:
		out = append(out, DoUnshelve)
	case a.mode == outOfService:
		out = append(out, DoBringBack)
	case a.mode == shown && shelf:
		out = append(out, DoShelve, DoTakeOut)
	case a.mode == shown && service:
		out = append(out, DoTakeOut)
	}
	return append(out, DoComment)
}

// loud tells whether the event that was just applied brought the alarm into sight, or made it begin there.
func (a *alarm) loud(event string, was mode) bool {
	return a.mode == shown && a.active && (event == EventRaised || was != shown)
}
