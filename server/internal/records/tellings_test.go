package records

import (
	"path/filepath"
	"testing"
	"time"

	"gritwatch/protocol/si"
)

// TestTellings: the newest of a receiver and an alarm stands over a start, and what was dropped does not come back, whether the
// two were stored apart or at once.
func TestTellings(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "records")
	at := si.InstantOf(time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC))
	a, b, c := NewID(at), NewID(at), NewID(at)
	s, _ := opened(t, dir)
	s.PutTelling(Telling{Receiver: "office", Alarm: a, Waiting: true, Simulated: true})
	s.PutTelling(Telling{Receiver: "office", Alarm: b, Waiting: true})
	s.PutTelling(Telling{Receiver: "office", Alarm: c, Waiting: true})
	must(t, s.DropTelling("office", c), s.PutTelling(Telling{Receiver: "hook", Alarm: a, Told: "acknowledged"}))
	must(t, s.PutTelling(Telling{Receiver: "office", Alarm: a, Told: "unacknowledged", Simulated: true}), s.DropTelling("office", b))
	want := []Telling{{Receiver: "hook", Alarm: a, Told: "acknowledged"}, {Receiver: "office", Alarm: a, Told: "unacknowledged", Simulated: true}}
	same(t, got[[]Telling](t)(s.Tellings(t.Context())), want)
	if err := s.PutTelling(Telling{Receiver: "", Alarm: a}).Wait(t.Context()); err == nil {
		t.Error("a telling to nobody was taken")
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s, _ = opened(t, dir)
	same(t, got[[]Telling](t)(s.Tellings(t.Context())), want)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}
