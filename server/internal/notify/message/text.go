package message

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
)

const (
	simulated = "SIMULATED"
	// SimulatedRule stands above what comes from a simulator.
	SimulatedRule = simulated + ": these readings come from a simulator, not from a pot."
	// Past stands beside the rule of the answer.
	Past = "This says what was, not what is when it is read."
	// NoAllClear is said of the end of an alarm that a person could take for leave to touch the vessel.
	NoAllClear = "no all-clear: only the answer at the pot decides"
	// TestSays is the whole text of a test.
	TestSays = "This is a test of the way by which alarms are told. Nothing has happened, and nobody needs to do anything."
)

// stateSays tells where an alarm stands after its newest transition.
var stateSays = [alarm.States]string{
	alarm.Normal:                 "is over",
	alarm.Unacknowledged:         "stands; nobody has acknowledged it",
	alarm.Acknowledged:           "stands; it was acknowledged",
	alarm.ReturnedUnacknowledged: "has ended; nobody has acknowledged it",
	alarm.LatchedUnacknowledged:  "is latched: its condition has ended, the vessel was not proven, and nobody has acknowledged it",
	alarm.LatchedAcknowledged:    "is latched: its condition has ended, and the vessel was not proven; it was acknowledged",
	alarm.Shelved:                "was shelved",
	alarm.Suppressed:             "is suppressed while another alarm says it already",
	alarm.OutOfService:           "was taken out of service",
}

// Over tells whether the alarm, or its condition, has ended.
func (e *Entry) Over() bool {
	return e.State == alarm.Normal || e.State == alarm.ReturnedUnacknowledged
}

// Weighs tells whether somebody could take the alarm's end for leave to touch the vessel.
func (e *Entry) Weighs() bool { return e.Priority >= alarm.High }

// Line is the words of the alarm on one line, as they are true at its newest transition.
func (e *Entry) Line() string {
	says := e.Words().Says
	switch {
	case !e.Over():
		return says
	case e.Weighs():
		return "Ended, which is " + NoAllClear + ". It told: " + says
	}
	return "Ended. It told: " + says
}

// Says is one line: what has happened to the alarm, and who did it.
func (e *Entry) Says() string {
	s := stateSays[e.State]
	if e.State == alarm.Normal && e.Event == alarm.EventReturned {
		s = "has ended"
	}
	if e.State == alarm.Shelved && e.Until != 0 {
		s += " until " + e.Until.String()
	}
	if e.By != "" {
		s += " (" + e.Event + " by " + flat(e.By) + ")"
	}
	if e.Over() && e.Weighs() {
		s += "; that is " + NoAllClear
	}
	return s
}

// LateSays tells how late something is told, and why; empty: it is told at once.
func (e *Entry) LateSays(now si.Instant) string {
	d := e.Late(now)
	if d == 0 {
		return ""
	}
	s := fmt.Sprintf("Told %s late", Long(d))
	if e.Held != NotHeld {
		s += ": " + holdSays[e.Held]
	}
	return s + "."
}

// FoundLate is said of what was found in readings that came late; else empty.
func (e *Entry) FoundLate() string {
	if e.Evidence.Late {
		return "Found in readings that came late."
	}
	return ""
}

// Long is a duration in words of two units at most, such as "2 h 5 min".
func Long(d time.Duration) string {
	if d < time.Minute {
		return fmt.Sprintf("%d s", int(d/time.Second))
	}
	d = d.Round(time.Minute)
	days, hours, minutes := d/(24*time.Hour), d%(24*time.Hour)/time.Hour, d%time.Hour/time.Minute
	switch {
	case days > 0:
		return fmt.Sprintf("%d d %d h", days, hours)
	case hours > 0:
		return fmt.Sprintf("%d h %d min", hours, minutes)
	}
	return fmt.Sprintf("%d min", minutes)
}

// Name is what an alarm is called, with the point and the fault of a gauge's.
func (e *Entry) Name() string {
	s := e.Key.Kind.String()
	if e.Key.Point != "" {
		s += " (" + e.Key.Point + " gauge: " + e.Key.Fault + ")"
	}
	return s
}

// Subject is one line for the head of a mail.
func (m *Message) Subject() string {
	if m.Test() {
		return "Test from site " + m.Site + ": nothing has happened"
	}
	e := &m.Entries[0]
	s := fmt.Sprintf("%s %s %s: %s", strings.ToUpper(e.Priority.String()), e.Name(), e.Of(), headline(e))
	if n := len(m.Entries) - 1; n > 0 {
		s += fmt.Sprintf(" (and %d more)", n)
	}
	if e.Late(m.At) > 0 {
		s = "LATE " + s
	}
	if m.Simulated() {
		s = simulated + " " + s
	}
	return s + ", site " + m.Site
}

func headline(e *Entry) string {
	switch {
	case e.Over() && e.Weighs(): // a telephone shows the beginning of a subject alone
		return NoAllClear + " (the alarm has ended)"
	case e.Over():
		return "ended"
	case e.Stands() && e.Event == alarm.EventRaised:
		return "raised"
	case e.State == alarm.LatchedUnacknowledged, e.State == alarm.LatchedAcknowledged:
		return "latched"
	}
	return e.Event
}

// Text is the message for a person who reads plain text, with times in a zone.
func (m *Message) Text(zone *time.Location) string {
	w := &writer{zone: zone}
	if m.Test() {
		w.say("%s", TestSays)
		w.say("Site %s, %s.", m.Site, w.when(m.At))
		return w.String()
	}
	if m.Simulated() {
		w.say("%s", SimulatedRule)
		w.say("")
	}
	if m.Dropped > 0 {
		w.say("%s", m.DroppedSays())
		w.say("")
	}
	for i := range m.Entries {
		w.entry(m, &m.Entries[i])
		w.say("")
	}
	w.say("%s", alarm.AnswerRule)
	w.say("%s", Past)
	w.say("")
	w.say("Site %s, sent %s.", m.Site, w.when(m.At))
	return w.String()
}

// DroppedSays tells what was not told; empty: nothing.
func (m *Message) DroppedSays() string {
	if m.Dropped == 0 {
		return ""
	}
	return fmt.Sprintf("%d more were not told here, as too many waited or they were refused: look at the list of alarms on the page.", m.Dropped)
}

type writer struct {
	strings.Builder
	zone *time.Location
}

func (w *writer) say(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }

func (w *writer) when(i si.Instant) string {
	return i.Time().In(w.zone).Format("2006-01-02 15:04:05 MST")
}

func (w *writer) entry(m *Message, e *Entry) {
	words := e.Words()
	head := fmt.Sprintf("%s  %s  %s", strings.ToUpper(e.Priority.String()), e.Name(), e.Of())
	if e.Key.Pot != "" {
		head += " (agent " + e.Agent + ")"
	}
	if e.Simulated {
		head = simulated + "  " + head
	}
	w.say("%s", head)
	w.say("Raised %s. At %s it %s.", w.when(e.Raised), w.when(e.At), e.Says())
	for _, s := range []string{flat(e.Note), e.LateSays(m.At), e.FoundLate()} {
		if s != "" {
			w.say("%s", s)
		}
	}
	if !e.Stands() {
		w.say("It told: %s", words.Says)
		return // what to do about something that has ended is not told again
	}
	w.say("%s", words.Says)
	w.say("Else: %s", words.Consequence)
	w.list("What to do:", words.Do, true)
	w.list("Likely causes:", words.Causes, false)
}

func (w *writer) list(title string, items []string, numbered bool) {
	if len(items) == 0 {
		return
	}
	w.say("%s", title)
	for i, s := range items {
		if numbered {
			w.say("  %d. %s", i+1, s)
		} else {
			w.say("  - %s", s)
		}
	}
}

// flat is text of a person on one line.
func flat(s string) string {
	return strings.Join(slices.DeleteFunc(strings.FieldsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f }), func(s string) bool { return s == "" }), " ")
}
