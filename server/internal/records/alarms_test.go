package records_test

import (
	"log/slog"
	"path/filepath"
	"testing"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/records"
)

// TestAlarmByID: one alarm with its life, the acknowledgement's evidence in its transition; and those that are over alone.
func TestAlarmByID(t *testing.T) {
	s, err := records.Open(filepath.Join(t.TempDir(), "records"), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	at := si.Instant(1_790_000_000_000_000)
	var ids []string
	for i := range 3 {
		id := records.NewID(at)
		ids = append(ids, id)
		s.AddAlarm(records.Alarm{ID: id, Pot: "alder", Kind: "pot-empty", Priority: "high", Raised: at + si.Instant(i),
			Transitions: []records.Transition{{ID: records.NewID(at), Alarm: id, At: at, Event: "raised"}}})
	}
	note := `{"note":"bags are here"}`
	s.Acknowledge(records.Acknowledgement{ID: records.NewID(at), Alarm: ids[1], At: at + 5, By: "R. Malone", Note: "bags are here", Evidence: note})
	if err := s.AddTransition(records.Transition{ID: records.NewID(at), Alarm: ids[1], At: at + 9, Event: "returned", Ends: true}).Wait(t.Context()); err != nil {
		t.Fatal(err)
	}
	a, ok, err := s.Alarm(t.Context(), ids[1])
	if err != nil || !ok || a.ID != ids[1] || a.Ended != at+9 || len(a.Transitions) != 3 || a.Transitions[1].By != "R. Malone" || a.Transitions[1].Evidence != note {
		t.Errorf("%+v, %t, %v", a, ok, err)
	}
	if a, ok, err := s.Alarm(t.Context(), records.NewID(at)); err != nil || ok {
		t.Errorf("none of the id: %+v, %t, %v", a, ok, err)
	}
	for ended, want := range map[bool]int{true: 1, false: 3} {
		p, err := s.Alarms(t.Context(), records.Query{Ended: ended})
		if err != nil || len(p.Items) != want || ended && p.Items[0].ID != ids[1] {
			t.Errorf("ended %t: %+v, %v", ended, p.Items, err)
		}
	}
	if p, err := s.Alarms(t.Context(), records.Query{Ended: true, Pot: "birch"}); err != nil || len(p.Items) != 0 {
		t.Errorf("of another pot: %+v, %v", p.Items, err)
	}
}
