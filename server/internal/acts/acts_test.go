package acts_test

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/protocol/live"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/acts"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/desk"
	"gritwatch/server/internal/records"
)

// A shelf is the records: alarms of other days, which take their time to be found.
type shelf struct {
	of    map[string]records.Alarm
	takes time.Duration
	fails error
	reads atomic.Int32
}

func (s *shelf) Alarm(ctx context.Context, id string) (records.Alarm, bool, error) {
	s.reads.Add(1)
	select {
	case <-time.After(s.takes):
	case <-ctx.Done():
		return records.Alarm{}, false, ctx.Err()
	}
	x, ok := s.of[id]
	return x, ok, s.fails
}

func (s *shelf) Fault() (records.Fault, bool) { return records.Fault{}, s.fails != nil }

func (s *shelf) AddAlarm(records.Alarm) *records.Write              { return records.Stored(s.fails) }
func (s *shelf) AddTransition(records.Transition) *records.Write    { return records.Stored(s.fails) }
func (s *shelf) Acknowledge(records.Acknowledgement) *records.Write { return records.Stored(s.fails) }
func (s *shelf) Alarms(context.Context, records.Query) (records.Page[records.Alarm], error) {
	return records.Page[records.Alarm]{}, nil
}

const (
	past  = "01HQZX3T7N0000000000000001" // has ended long ago
	alien = "01HQZX3T7N0000000000000002" // of another version, open still
)

func newBook() (*acts.Book, *desk.Desk, *shelf) {
	at := si.InstantOf(time.Date(2026, 5, 4, 6, 7, 8, 0, time.UTC))
	s := &shelf{of: map[string]records.Alarm{past: {ID: past, Pot: "alder", Kind: "pot-empty", Raised: at, Ended: at.Add(time.Minute)}, alien: {ID: alien, Pot: "alder", Kind: "hatch-open", Raised: at}}}
	d := desk.New(context.Background(), desk.Options{Units: []alarm.Unit{{Pot: "alder", Agent: "quay-1"}}, Records: s, Log: slog.New(slog.DiscardHandler)}, time.Now())
	d.Found([]alarm.Found{{Key: alarm.Key{Pot: "alder", Kind: alarm.PotEmpty}, Priority: alarm.High, At: si.InstantOf(time.Now()), On: true}})
	return acts.New(d, s, slog.New(slog.DiscardHandler)), d, s
}

// TestWhatIsNotOpen: the words say why nothing can be done, and a comment is kept all the same where there is an alarm.
func TestWhatIsNotOpen(t *testing.T) {
	b, _, s := newBook()
	act := live.AlarmAct{By: "Ada", Note: "so"}
	for _, c := range []struct {
		id, deed string
		status   int // 0: it is done
		says     string
	}{
		{past, "acknowledge", 409, "cannot acknowledge pot-empty: it ended at 2026-05-04T06:08:08.000Z"},
		{past, "reset", 409, "it ended at"},
		{past, "comment", 0, ""},
		{alien, "acknowledge", 409, "this version of the server cannot read how it stands"},
		{alien, "comment", 0, ""},
		{"01HQZX3T7N0000000000000003", "acknowledge", 404, "no alarm of this id"},
		{"", "comment", 404, "no alarm of this id"},
		{past, "open", 400, "deed is one of acknowledge, shelve"},
		{past, "", 400, "deed is one of"},
	} {
		done, refusal := b.Do(t.Context(), c.id, c.deed, act)
		switch {
		case c.status == 0 && (refusal != nil || done.Alarm.ID != c.id || !done.Stored):
			t.Errorf("%s %s: %+v, %v", c.deed, c.id, done, refusal)
		case c.status != 0 && (refusal == nil || refusal.Status != c.status || !strings.Contains(refusal.Error(), c.says)):
			t.Errorf("%s %s: %+v", c.deed, c.id, refusal)
		}
	}
	reads := s.reads.Load()
	if _, refusal := b.Find(t.Context(), strings.Repeat("x", 1000)); refusal == nil || refusal.Status != 404 || s.reads.Load() != reads {
		t.Errorf("an id of any length goes to the disk: %+v, %d reads", refusal, s.reads.Load()-reads)
	}
	s.fails = errors.New("disk gone")
	if _, refusal := b.Find(t.Context(), past); refusal == nil || refusal.Status != 503 || strings.Contains(refusal.Says, "disk gone") {
		t.Errorf("what is told of the disk: %+v", refusal)
	}
}

// TestTheDiskIsSlow: few read at once, nobody waits for ever, and what is in memory waits for nothing.
func TestTheDiskIsSlow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, d, s := newBook()
		s.takes = time.Minute
		got := make(chan *acts.Refusal)
		for range 10 {
			go func() {
				_, refusal := b.Find(t.Context(), past)
				got <- refusal
			}()
		}
		synctest.Wait()
		if n := s.reads.Load(); n != 2 {
			t.Errorf("%d read at once", n)
		}
		start := time.Now()
		list, _ := d.Alarms()
		if _, refusal := b.Do(t.Context(), list[0].ID, "acknowledge", live.AlarmAct{By: "Ada"}); refusal != nil || time.Since(start) > 0 {
			t.Errorf("what is open waited %v: %v", time.Since(start), refusal)
		}
		for range 10 {
			if refusal := <-got; refusal == nil || refusal.Status != 503 {
				t.Errorf("%+v", refusal)
			}
		}
		if time.Since(start) > 5*time.Second {
			t.Errorf("waited %v", time.Since(start))
		}
	})
}

// TestOutcome: a page is told how the alarm stands now, or in the words of the API why nothing was done; and that it is not stored.
func TestOutcome(t *testing.T) {
	b, d, s := newBook()
	list, _ := d.Alarms()
	ask := live.ActRequest{Request: "7", Alarm: list[0].ID, Deed: "acknowledge", AlarmAct: live.AlarmAct{By: "Ada"}}
	if o := b.Ask(t.Context(), ask); o.Type != "done" || o.Request != "7" || o.Alarm == nil || o.Alarm.By != "Ada" || o.Fault != "" || o.Problem != nil {
		t.Errorf("%+v", o)
	}
	if o := b.Ask(t.Context(), ask); o.Type != "refused" || o.Request != "7" || o.Problem == nil || o.Problem.Status != 409 || o.Problem.Title != "Conflict" || !strings.Contains(o.Problem.Detail, "somebody has done so already") {
		t.Errorf("again: %+v", o)
	}
	s.fails = records.ErrFull
	ask.Deed, ask.Note = "comment", "bags are here"
	if o := b.Ask(t.Context(), ask); o.Type != "done" || o.Fault != acts.Unstored {
		t.Errorf("with a full disk: %+v", o)
	}
}
