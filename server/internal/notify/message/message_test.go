package message_test

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/notify/message"
)

var at = si.InstantOf(time.Date(2026, 3, 4, 22, 30, 0, 0, time.UTC))

func slow() message.Entry {
	return message.Entry{Alarm: "01KJX0000000000000000000AB", Key: alarm.Key{Pot: "alder", Kind: alarm.VentSlow}, Agent: "quay-1", Priority: alarm.Critical,
		Raised: at, At: at, Event: alarm.EventRaised, State: alarm.Unacknowledged}
}

// TestText: a person reads what it is, where, since when, what it leads to and what to do, with the rule of the answer below.
func TestText(t *testing.T) {
	e := slow()
	e.Simulated, e.Held = true, message.Failed
	m := message.Message{Site: "harrow-quay", At: at.Add(2*time.Hour + 5*time.Minute), Entries: []message.Entry{e}, Dropped: 3}
	zone := time.FixedZone("WEST", 3600)
	text := m.Text(zone)
	for _, want := range []string{
		"SIMULATED: these readings come from a simulator, not from a pot.\n",
		"3 more were not told here",
		"SIMULATED  CRITICAL  vent-slow  pot alder (agent quay-1)\n",
		"Raised 2026-03-04 23:30:00 WEST. At 2026-03-04 23:30:00 WEST it stands; nobody has acknowledged it.\n",
		"Told 2 h 5 min late: the receiver could not be reached before.\n",
		alarm.Text(e.Key).Says + "\n",
		"Else: " + alarm.Text(e.Key).Consequence + "\n",
		"  1. " + alarm.Text(e.Key).Do[0] + "\n",
		"  - " + alarm.Text(e.Key).Causes[0] + "\n",
		alarm.AnswerRule + "\n",
		"Site harrow-quay, sent 2026-03-05 01:35:00 WEST.\n",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	if s := m.Subject(); s != "SIMULATED LATE CRITICAL vent-slow pot alder: raised, site harrow-quay" {
		t.Errorf("subject %q", s)
	}
}

// TestEnd: what has ended is told as ended, without what to do, with the rule of the answer.
func TestEnd(t *testing.T) {
	e := slow()
	e.At, e.Event, e.State, e.By, e.Note = at.Add(30*time.Second), alarm.EventReset, alarm.Normal, "Ida\nBcc: x", "silencer\r\ncleaned"
	m := message.Message{Site: "harrow-quay", At: e.At, Entries: []message.Entry{e, slow()}}
	text := m.Text(time.UTC)
	head, _, _ := strings.Cut(text, "CRITICAL  vent-slow  pot alder (agent quay-1)\nRaised 2026-03-04 22:30:00 UTC. At 2026-03-04 22:30:00 UTC it stands")
	if !strings.Contains(head, "It told: "+alarm.Text(e.Key).Says) || !strings.Contains(head, "it is over (reset by Ida Bcc: x); that is no all-clear: only the answer at the pot decides.\nsilencer cleaned\n") || strings.Contains(head, "What to do") || strings.Contains(text, "Told ") || !strings.Contains(text, alarm.AnswerRule) {
		t.Errorf("text\n%s", text)
	}
	if s := m.Subject(); s != "CRITICAL vent-slow pot alder: no all-clear: only the answer at the pot decides (the alarm has ended) (and 1 more), site harrow-quay" {
		t.Errorf("subject %q", s)
	}
}

// TestEndIsNoAllClear: of every alarm that a person could take for leave to touch a vessel, each line that tells its end says before anything
// else of it that the answer at the pot decides; nothing that stands is said to have ended.
func TestEndIsNoAllClear(t *testing.T) {
	for k := range alarm.Kind(alarm.Kinds) {
		for _, p := range []alarm.Priority{alarm.Low, alarm.Medium, alarm.High, alarm.Critical} {
			for s := range alarm.State(alarm.States) {
				e := slow()
				e.Key.Kind, e.Priority, e.State, e.Event = k, p, s, alarm.EventReturned
				m := message.Message{Site: "harrow-quay", At: at, Entries: []message.Entry{e}}
				over := s == alarm.Normal || s == alarm.ReturnedUnacknowledged
				subject := m.Subject()
				for what, line := range map[string]string{"subject": subject, "line": e.Line(), "state": e.Says()} {
					if clear := strings.Contains(line, "no all-clear: only the answer at the pot decides"); clear != (over && p >= alarm.High) {
						t.Errorf("%s of a %s %s that is %s: %q", what, p, k, s, line)
					}
				}
				if ended := strings.Index(subject, "ended"); over && p >= alarm.High && ended < strings.Index(subject, "the answer at the pot decides") || !over && ended >= 0 {
					t.Errorf("subject of a %s %s that is %s: %q", p, k, s, subject)
				}
				if over && !strings.HasPrefix(e.Line(), "Ended") {
					t.Errorf("what has ended is told as if it stood: %q", e.Line())
				}
			}
		}
	}
}

// TestNeverTheAnswer: no text of any alarm in any state says the answer's good word of a vessel, or tells anybody to open one.
func TestNeverTheAnswer(t *testing.T) {
	bad := regexp.MustCompile(`(?i)\bvented\b|\bis (safe|empty of air)\b|\b(may|can) be opened\b|\bopen (the|it|a) (vessel|pot|cover|port)\b`)
	for k := range alarm.Kind(alarm.Kinds) {
		for s := range alarm.State(alarm.States) {
			e := slow()
			e.Key.Kind, e.State = k, s
			e.Evidence.Word = vent.Vented.String()
			m := message.Message{Site: "harrow-quay", At: at, Entries: []message.Entry{e}}
			if text := m.Subject() + "\n" + e.Line() + "\n" + m.Text(time.UTC); bad.MatchString(text) {
				t.Errorf("%s %s says %q:\n%s", k, s, bad.FindString(text), text)
			}
		}
	}
}

// TestID: the same told again has the same id, and anything else another.
func TestID(t *testing.T) {
	m := message.Message{Site: "harrow-quay", At: at, Entries: []message.Entry{slow()}}
	again := m
	again.At = at.Add(time.Hour)
	if m.ID() != again.ID() || len(m.ID()) != 26 {
		t.Errorf("ids %s and %s", m.ID(), again.ID())
	}
	known := slow()
	known.State = alarm.Acknowledged
	later := slow()
	later.At++
	seen := map[string]string{m.ID(): "first"}
	for what, x := range map[string]message.Message{"another site": {Site: "x", Entries: m.Entries}, "acknowledged": {Site: m.Site, Entries: []message.Entry{known}},
		"rang again": {Site: m.Site, Entries: []message.Entry{later}}, "two": {Site: m.Site, Entries: []message.Entry{slow(), slow()}}, "test": {Site: m.Site, At: at}, "another test": {Site: m.Site, At: at + 1000}} {
		if was := seen[x.ID()]; was != "" {
			t.Errorf("%s has the id of %s", what, was)
		}
		seen[x.ID()] = what
	}
}

func TestTest(t *testing.T) {
	m := message.Message{Site: "harrow-quay", At: at}
	if !m.Test() || m.Subject() != "Test from site harrow-quay: nothing has happened" || !strings.HasPrefix(m.Text(time.UTC), message.TestSays) {
		t.Errorf("test %q\n%s", m.Subject(), m.Text(time.UTC))
	}
}

func TestLong(t *testing.T) {
	for d, want := range map[time.Duration]string{59 * time.Second: "59 s", time.Minute: "1 min", 119 * time.Second: "2 min", time.Hour: "1 h 0 min",
		26*time.Hour + 29*time.Minute: "1 d 2 h"} {
		if got := message.Long(d); got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
}

func TestFailureOf(t *testing.T) {
	f := &message.Failure{Refused: true, Why: errors.New("no")}
	if got := message.FailureOf(fmt.Errorf("sent: %w", f)); !got.Refused || got.Error() != "no" {
		t.Errorf("got %+v", got)
	}
	if got := message.FailureOf(errors.New("away")); got.Refused || got.Error() != "away" {
		t.Errorf("got %+v", got)
	}
}
