package notify

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/config"
	"gritwatch/server/internal/notify/alertmanager"
	"gritwatch/server/internal/notify/mail"
	"gritwatch/server/internal/notify/message"
	"gritwatch/server/internal/notify/outbox"
	"gritwatch/server/internal/notify/post"
	"gritwatch/server/internal/records"
)

// A scripted sender does as it is told, and notes what it was given.
type scripted struct {
	do func(ctx context.Context) error

	mu  sync.Mutex
	got []message.Message
	at  []time.Time
}

func (s *scripted) Send(ctx context.Context, m message.Message) error {
	err := s.do(ctx)
	if err == nil {
		s.mu.Lock()
		s.got, s.at = append(s.got, m), append(s.at, time.Now())
		s.mu.Unlock()
	}
	return err
}

func (s *scripted) Close() {}

func takes(context.Context) error     { return nil }
func hangs(ctx context.Context) error { <-ctx.Done(); return ctx.Err() }
func away(context.Context) error      { return &message.Failure{Why: errors.New("no route")} }

// words are what was told: kinds with states, and how late.
func (s *scripted) words() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []string
	for _, m := range s.got {
		for _, e := range m.Entries {
			out = append(out, strings.TrimSpace(e.Key.Kind.String()+" "+e.State.String()+" "+e.LateSays(m.At)))
		}
	}
	return strings.Join(out, "; ")
}

// A memory keeps tellings without a disk, and the alarms of a test.
type memory struct {
	mu       sync.Mutex
	tellings map[string]records.Telling
	alarms   map[string]records.Alarm
}

func newMemory() *memory {
	return &memory{tellings: map[string]records.Telling{}, alarms: map[string]records.Alarm{}}
}

func (m *memory) PutTelling(t records.Telling) *records.Write {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.tellings[t.Receiver+" "+t.Alarm] = t
	return records.Stored(nil)
}

func (m *memory) DropTelling(receiver, alarm string) *records.Write {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.tellings, receiver+" "+alarm)
	return records.Stored(nil)
}

func (m *memory) Tellings(context.Context) ([]records.Telling, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []records.Telling
	for _, t := range m.tellings {
		out = append(out, t)
	}
	slices.SortFunc(out, func(a, b records.Telling) int {
		return strings.Compare(a.Receiver+" "+a.Alarm, b.Receiver+" "+b.Alarm)
	})
	return out, nil
}

func (m *memory) Alarm(_ context.Context, id string) (records.Alarm, bool, error) {
	a, ok := m.alarms[id]
	return a, ok, nil
}

func (m *memory) left() string {
	list, _ := m.Tellings(context.Background()) // of memory
	var out []string
	for _, t := range list {
		out = append(out, fmt.Sprintf("%s: %q %v", t.Receiver, t.Told, t.Waiting))
	}
	return strings.Join(out, "; ")
}

// A site is a board with a pot, and a dispatcher with receivers.
type site struct {
	t       *testing.T
	board   *alarm.Board
	memory  *memory
	d       *Dispatcher
	senders map[string]*scripted
	stop    func()
}

var units = []alarm.Unit{{Pot: "alder", Agent: "quay-1"}, {Pot: "birch", Agent: "quay-2"}}

func newSite(t *testing.T) *site {
	return &site{t: t, board: alarm.NewBoard(units, records.NewID), memory: newMemory()}
}

// start begins a run with a sender of each name.
func (s *site) start(senders map[string]*scripted) {
	s.t.Helper()
	var receivers []config.Receiver
	for _, name := range slices.Sorted(maps.Keys(senders)) {
		receivers = append(receivers, config.Receiver{Name: name, Alertmanager: &alertmanager.Settings{}, Policy: outbox.Policy{Acts: true}})
	}
	d, err := newWith(s.t.Context(), Options{Site: "harrow-quay", Receivers: receivers, Units: units, Memory: s.memory, Open: s.board.Open(), Log: slog.New(slog.DiscardHandler)},
		func(r *config.Receiver) sender { return senders[r.Name] })
	if err != nil {
		s.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(s.t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := d.Run(ctx); err != nil {
			s.t.Error(err)
		}
	}()
	s.d, s.senders, s.stop = d, senders, func() { cancel(); <-done }
}

// note has the board find something, records it and tells the dispatcher, if there is one.
func (s *site) note(k alarm.Kind, on bool) string {
	s.t.Helper()
	f := alarm.Found{Key: alarm.Key{Pot: "alder", Kind: k}, On: on, At: si.InstantOf(time.Now()), Priority: alarm.RuleOf(k).Priority}
	return s.tell(s.board.Note(f, nil))
}

func (s *site) tell(changes []alarm.Change) (id string) {
	for _, c := range changes {
		id = c.Alarm
		a := s.memory.alarms[c.Alarm]
		if c.New {
			r := c.Record()
			a = records.Alarm{ID: r.ID, Pot: r.Pot, Agent: r.Agent, Kind: r.Kind, Priority: r.Priority, Raised: r.Raised}
		}
		a.Transitions = append(a.Transitions, records.Transition(c.Transition))
		if c.Ends {
			a.Ended = c.At
		}
		s.memory.alarms[c.Alarm] = a
		if s.d != nil {
			s.d.Notice(Notice{Change: c, Agent: "quay-1", Simulated: true})
		}
	}
	return id
}

// TestNobodyWaits: a receiver that hangs delays neither the caller nor another receiver, however much happens.
func TestNobodyWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSite(t)
		s.start(map[string]*scripted{"hangs": {do: hangs}, "well": {do: takes}})
		defer s.stop()
		begin := time.Now()
		s.note(alarm.VentSlow, true)
		for range 3000 {
			s.note(alarm.SupplyLow, true)
			s.note(alarm.SupplyLow, false)
		}
		if d := time.Since(begin); d != 0 {
			t.Errorf("the caller waited %v", d)
		}
		synctest.Wait()
		well := s.senders["well"]
		if w := well.words(); !strings.HasPrefix(w, "vent-slow unacknowledged") || well.at[0] != begin {
			t.Errorf("told %.200q at %v", w, well.at)
		}
		if st := s.d.Stats()[0]; st.Receiver != "hangs" || st.Waiting != outbox.Most || st.Dropped == 0 || st.Sent != 0 {
			t.Errorf("of the one that hangs: %+v", st)
		}
	})
}

// TestCommentIsNotTold: nobody is told of a comment, and what waits is told as if there were none.
func TestCommentIsNotTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSite(t)
		var back atomic.Bool
		s.start(map[string]*scripted{"well": {do: takes}, "away": {do: func(ctx context.Context) error {
			if back.Load() {
				return nil
			}
			return away(ctx)
		}}})
		defer s.stop()
		id := s.note(alarm.VentSlow, true)
		synctest.Wait()
		changes, err := s.board.Comment(id, alarm.Act{At: si.InstantOf(time.Now()), By: "R. Malone", Note: "on my way"}, nil)
		if err != nil {
			t.Fatal(err)
		}
		s.tell(changes)
		time.Sleep(time.Hour)
		synctest.Wait()
		if w := s.senders["well"].words(); w != "vent-slow unacknowledged" {
			t.Errorf("told %q", w)
		}
		back.Store(true)
		time.Sleep(time.Hour)
		synctest.Wait()
		got := s.senders["away"].got
		if len(got) != 1 || len(got[0].Entries) != 1 || got[0].Entries[0].Event != alarm.EventRaised || got[0].Entries[0].By != "" {
			t.Errorf("told %+v", got)
		}
	})
}

// TestOverARestart: what was raised while nobody could be reached is told after a restart, late, and says why; what was told is
// not told twice; what ended while the server was down is told as ended, and so is what began and ended before.
func TestOverARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSite(t)
		s.start(map[string]*scripted{"away": {do: away}, "well": {do: takes}})
		s.note(alarm.VentSlow, true)
		s.note(alarm.SupplyLow, true)
		time.Sleep(10 * time.Second)
		s.note(alarm.SupplyLow, false) // over: nobody need acknowledge it
		synctest.Wait()
		if w := s.senders["well"].words(); w != "vent-slow unacknowledged; supply-low unacknowledged; supply-low normal" {
			t.Errorf("told %q", w)
		}
		s.stop()
		if l := s.memory.left(); l != `away: "" true; away: "" true; well: "unacknowledged" false` {
			t.Errorf("remembered %s", l)
		}
		time.Sleep(2 * time.Hour)
		s.d = nil
		s.note(alarm.VesselHeld, true)
		s.start(map[string]*scripted{"away": {do: takes}, "well": {do: takes}, "new": {do: takes}})
		time.Sleep(time.Second)
		const late = " Told 2 h 0 min late: the server was started again meanwhile."
		if w, want := s.senders["away"].words(), "vent-slow unacknowledged"+late+"; vessel-held unacknowledged; supply-low normal"+late; w != want {
			t.Errorf("told %q,\nwant %q", w, want)
		}
		if w := s.senders["well"].words(); w != "vessel-held unacknowledged" {
			t.Errorf("the other was told %q", w)
		}
		if w, want := s.senders["new"].words(), "vent-slow unacknowledged"+late+"; vessel-held unacknowledged"; w != want {
			t.Errorf("the new one was told %q,\nwant %q", w, want)
		}
		for _, e := range s.senders["away"].got[0].Entries {
			if e.Agent != "quay-1" || e.Simulated != (e.Key.Kind != alarm.VesselHeld) {
				t.Errorf("of %s: agent %q, simulated %v", e.Key.Kind, e.Agent, e.Simulated)
			}
		}
		s.stop()

		// A receiver that is no longer in the file is forgotten, and so is what has ended and was told.
		s.d = nil
		s.note(alarm.VentSlow, false)
		id := s.board.Open()
		for _, v := range id {
			c, err := s.board.Acknowledge(v.ID, alarm.Act{At: si.InstantOf(time.Now()), By: "Ida"}, nil)
			if err != nil {
				t.Fatal(err)
			}
			s.tell(c)
		}
		s.start(map[string]*scripted{"well": {do: takes}})
		time.Sleep(time.Second)
		if w := s.senders["well"].words(); w != "vent-slow normal; vessel-held acknowledged" {
			t.Errorf("told %q", w)
		}
		s.stop()
		if l := s.memory.left(); l != `well: "acknowledged" false` {
			t.Errorf("remembered %s", l)
		}
	})
}

// TestStopWhileSending: what was under way at the stop is told after the start.
func TestStopWhileSending(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSite(t)
		s.start(map[string]*scripted{"a": {do: hangs}})
		s.note(alarm.VentSlow, true)
		synctest.Wait()
		s.stop()
		if l := s.memory.left(); l != `a: "" true` {
			t.Errorf("remembered %s", l)
		}
		s.start(map[string]*scripted{"a": {do: takes}})
		synctest.Wait()
		s.stop()
		if w := s.senders["a"].words(); w != "vent-slow unacknowledged" {
			t.Errorf("told %q", w)
		}
	})
}

// TestBackAgain: who comes back is told within the longest wait, and the trouble is over.
func TestBackAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSite(t)
		var up atomic.Bool
		s.start(map[string]*scripted{"a": {do: func(ctx context.Context) error {
			if !up.Load() {
				return away(ctx)
			}
			return nil
		}}})
		defer s.stop()
		s.note(alarm.VentSlow, true)
		time.Sleep(time.Hour)
		synctest.Wait()
		if st := s.d.Stats()[0]; st.Trouble != "no route" || st.Failed < 15 || st.Waiting != 1 {
			t.Errorf("%+v", st)
		}
		if w := s.d.Troubles(); len(w) != 1 || w[0] != "alarms are not told to a (alertmanager): no route; alarms that wait: 1" {
			t.Errorf("troubles %q", w)
		}
		up.Store(true)
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		if w := s.senders["a"].words(); !strings.HasPrefix(w, "vent-slow unacknowledged Told 1 h ") || !strings.HasSuffix(w, "late: the receiver could not be reached before.") {
			t.Errorf("told %q", w)
		}
		if st := s.d.Stats()[0]; st.Trouble != "" || st.Sent != 1 || st.Waiting != 0 || len(s.d.Troubles()) != 0 {
			t.Errorf("%+v", st)
		}
	})
}

// TestTry says of a receiver that is not there that it is not.
func TestTry(t *testing.T) {
	for what, r := range map[string]config.Receiver{
		"mail":         {Mail: &mail.Settings{Host: "127.0.0.1", Port: 1, TLS: mail.None, From: "a@mail.example", To: []string{"b@mail.example"}, Timeout: time.Second}, Zone: time.UTC},
		"alertmanager": {Alertmanager: &alertmanager.Settings{Settings: post.Settings{URL: "http://127.0.0.1:1/api/v2/alerts", Timeout: time.Second}}},
	} {
		if err := Try(t.Context(), "harrow-quay", r); err == nil || !strings.Contains(err.Error(), "refused") {
			t.Errorf("%s: %v", what, err)
		}
	}
}

func BenchmarkNotice(b *testing.B) {
	d, err := newWith(b.Context(), Options{Site: "harrow-quay", Units: units, Memory: newMemory(), Log: slog.New(slog.DiscardHandler),
		Receivers: []config.Receiver{{Name: "a", Alertmanager: &alertmanager.Settings{}}, {Name: "b", Alertmanager: &alertmanager.Settings{}}}},
		func(*config.Receiver) sender { return &scripted{do: takes} })
	if err != nil {
		b.Fatal(err)
	}
	board := alarm.NewBoard(units, records.NewID)
	c := board.Note(alarm.Found{Key: alarm.Key{Pot: "alder", Kind: alarm.VentSlow}, On: true, At: si.InstantOf(time.Now()), Priority: alarm.Critical}, nil)
	for b.Loop() {
		d.Notice(Notice{Change: c[0], Agent: "quay-1"})
	}
}
