// Package outbox decides what one receiver is told of alarms, and when. It is pure: instants are arguments, and whoever
// sends says what became of it.
//
// # What is told
//
// Of each alarm only the newest waits to be told: who was away learns how things stand, not each step. An alarm is told first
// when it comes into sight; what is suppressed, or stays out of sight, is never told. Then its end is told, once: when its
// condition ends, and of a latched one when it is let go too. What people did (acknowledged, shelved, taken out of service, reset)
// is told only where Policy.Acts says so, and an alarm that rings again is always told. What a receiver was told already it is not told again; an alarm that
// was raised and ended while nothing could be told is told all the same, once, as ended.
//
// # When
//
// Critical alarms and their ends go at once, at any hour. Others wait for Gather, so that what happens to one pot together comes
// together, and through quiet hours; they go along with a critical one of the same pot. All that waits of one pot, or of one
// agent, is one message; with Mixed all that waits is, and where more than five pots have something to say at once, as after a loss of power.
//
// A receiver that cannot be reached is tried again after 1 s, 2 s, 4 s and so on up to 5 min, or when it asks to be. A new critical
// alarm is tried at once, but where the receiver asks to be left alone. What is refused is tried by itself, after 30 s, 1 min and
// so on up to 10 min, and given up after an hour; meanwhile the rest goes on.
//
// At most Most alarms wait. Over that the least urgent is dropped, of these the oldest: Dropped counts them, and the next message says so.
package outbox

import (
	"time"

	"gritwatch/server/internal/alarm"
)

// Policy is what one receiver wants to be told, and when.
type Policy struct {
	Least  alarm.Priority  // less urgent ones are not told
	Pots   map[string]bool // whose alarms are told; nil: those of all
	Agents map[string]bool // the same of agents; looked at where Pots is not nil
	Acts   bool            // tell what people did, too
	Quiet  Hours           // when only critical ones are told
	Gather time.Duration   // how long what is not critical waits for more
	Mixed  bool            // one message for all pots
	// Refresh is how often a receiver is told again of what stands, so that it does not forget it; 0: never.
	Refresh time.Duration
}

// wants tells whether an alarm concerns the receiver.
func (p *Policy) wants(k alarm.Key, priority alarm.Priority) bool {
	switch {
	case priority < p.Least:
		return false
	case p.Pots == nil:
		return true
	case k.Pot != "":
		return p.Pots[k.Pot]
	}
	return p.Agents[k.Agent]
}

// Hours are those of a day, by the clock on the wall; the zero Hours are none.
type Hours struct {
	From, To time.Duration  // since midnight, of whole minutes; To before From: over midnight
	Zone     *time.Location // of the clock; nil where From and To are equal, which means none
}

// Until is the end of the hours that now lies in; false: it lies in none.
func (h Hours) Until(now time.Time) (time.Time, bool) {
	if h.From == h.To {
		return time.Time{}, false
	}
	t := now.In(h.Zone)
	at := time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute
	late := at >= h.From // after their beginning today
	in := late && at < h.To
	if h.To < h.From {
		in = late || at < h.To
	}
	if !in {
		return time.Time{}, false
	}
	day := t.Day()
	if late && h.To < h.From {
		day++
	}
	end := time.Date(t.Year(), t.Month(), day, int(h.To/time.Hour), int(h.To%time.Hour/time.Minute), 0, 0, h.Zone)
	if !end.After(now) { // the hour that a clock is set back is there twice
		end = now.Add(time.Minute)
	}
	return end, true
}
