// Package message is what people outside the page are told of alarms: which words, in which form, and which figures beside
// them. It is pure. Mail, webhook and Alertmanager say the same by it.
//
// A message is read later than it was written, so it says what happened and when, and never how the vessel stands now: the
// answer's good word is in none of them, not even as evidence. The words of an alarm are those of package alarm, and its rule
// of the answer stands in every message.
package message

import (
	"crypto/sha256"
	"encoding/base32"
	"strconv"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
)

// An Entry is the newest that is to be told of one alarm.
type Entry struct {
	Alarm    string // ULID
	Key      alarm.Key
	Agent    string // that reads the pot, or the agent itself
	Priority alarm.Priority
	Raised   si.Instant
	At       si.Instant // of the newest transition
	Event    string     // of it: one of package alarm's events
	State    alarm.State
	By       string     // who did it; empty: nobody
	Note     string     // of that person
	Until    si.Instant // Shelved: its end
	Evidence alarm.Evidence
	// Simulated: the readings behind it come from a simulator.
	Simulated bool

	// Repeats: the receiver knows already; it is told again so that it does not forget.
	Repeats bool
	// Held says why it is told later than it could have been.
	Held Hold
}

// Of is what an alarm is of, for people.
func (e *Entry) Of() string {
	if e.Key.Pot != "" {
		return "pot " + e.Key.Pot
	}
	return "agent " + e.Agent
}

// Stands tells whether the alarm is in sight and its condition stands, or it is latched.
func (e *Entry) Stands() bool {
	switch e.State {
	case alarm.Unacknowledged, alarm.Acknowledged, alarm.LatchedUnacknowledged, alarm.LatchedAcknowledged:
		return true
	}
	return false
}

// Same tells whether two entries tell of the same moment of the same alarm.
func (e *Entry) Same(x *Entry) bool {
	return e.Alarm == x.Alarm && e.State == x.State && e.At == x.At
}

// Words are those of the alarm.
func (e *Entry) Words() alarm.Words { return alarm.Text(e.Key) }

// Late is how much later than it happened something is told; 0: at once, or it is told again.
func (e *Entry) Late(now si.Instant) time.Duration {
	if d := now.Sub(e.At); d >= lateFrom && !e.Repeats {
		return d
	}
	return 0
}

// lateFrom is from when on a message says that it is late.
const lateFrom = time.Minute

// A Hold is why something was told later than it could have been. The greater one is told where several are true.
type Hold uint8

// The holds.
const (
	NotHeld   Hold = iota
	Quiet          // quiet hours
	Restarted      // the server was started again meanwhile
	Failed         // the receiver could not be reached
	Refused        // the receiver did not take it
)

var holdNames = [...]string{"", "quiet-hours", "server-restarted", "not-reached", "refused"}

// String is the hold's name in JSON; empty for none.
func (h Hold) String() string { return holdNames[h] }

var holdSays = [...]string{"", "it was held back by quiet hours", "the server was started again meanwhile", "the receiver could not be reached before", "the receiver did not take it before"}

// A Message is what one receiver is told at once.
type Message struct {
	Site    string
	At      si.Instant // when it is sent
	Entries []Entry    // the most urgent first; none: a test
	// Dropped is how many things were not told to this receiver since the message before, because too much waited.
	Dropped uint64
}

// Test tells whether the message only tries the way.
func (m *Message) Test() bool { return len(m.Entries) == 0 }

// ID is the same for what says the same of the same alarms, so that a receiver can leave out what it got twice; 26 characters of
// a-z and 2-7.
func (m *Message) ID() string {
	h := sha256.New()
	h.Write([]byte(m.Site))
	if m.Test() { // each by itself
		h.Write([]byte(m.At.String()))
	}
	for i := range m.Entries {
		e := &m.Entries[i]
		h.Write([]byte(" " + e.Alarm + " " + e.State.String() + " " + strconv.FormatInt(int64(e.At), 10)))
	}
	return lower.EncodeToString(h.Sum(nil)[:16])
}

var lower = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

// Simulated tells whether anything in the message comes from a simulator.
func (m *Message) Simulated() bool {
	for i := range m.Entries {
		if m.Entries[i].Simulated {
			return true
		}
	}
	return false
}

// Worst is the highest priority in it.
func (m *Message) Worst() alarm.Priority {
	var p alarm.Priority
	for i := range m.Entries {
		p = max(p, m.Entries[i].Priority)
	}
	return p
}
