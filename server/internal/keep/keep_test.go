package keep_test

import (
	"context"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/clocks"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/history"
	"gritwatch/server/internal/keep"
	"gritwatch/server/internal/records"
)

// A site is a keeper on a real history and real records, and an agent with a journal that answers it.
type site struct {
	t       *testing.T
	dir     string
	store   *history.Store
	records *records.SQLite
	keeper  *keep.Keeper
	stop    func()
	moved   chan struct{} // something was stored, or is known to be lost

	mu      sync.Mutex
	rng     *rand.Rand
	journal []points.Sample // by position
	oldest  int
	epoch   uint64
	lossy   bool     // messages and answers are lost at random
	asked   [][2]int // ranges
	forgets uint64   // what the agent was told that it may forget
}

const name, journalID = "quay-1", "j1"

func newSite(t *testing.T, dir string, lossy bool) *site {
	return &site{t: t, dir: dir, lossy: lossy, rng: rand.New(rand.NewPCG(1, 2)), epoch: 9, moved: make(chan struct{}, 1)}
}

func (s *site) signal() {
	select {
	case s.moved <- struct{}{}:
	default:
	}
}

func (s *site) start() {
	s.t.Helper()
	log := slog.New(slog.NewTextHandler(s.t.Output(), nil))
	var err error
	if s.store, err = history.Open(filepath.Join(s.dir, "history"), history.Options{Site: "harrow-quay", Log: log, MinFree: 1 << 20}); err != nil {
		s.t.Fatal(err)
	}
	if s.records, err = records.Open(filepath.Join(s.dir, "records"), log); err != nil {
		s.t.Fatal(err)
	}
	positions, err := s.records.Positions(s.t.Context())
	if err != nil {
		s.t.Fatal(err)
	}
	placed, err := s.records.Placements(s.t.Context())
	if err != nil {
		s.t.Fatal(err)
	}
	s.keeper = keep.New(keep.Options{Store: s.store, Book: s.records, Ask: s.ask, Positions: positions, Placements: placed, Log: log,
		Events: keep.Events{Stored: func(history.Result) { s.signal() }, Lost: func(records.Loss) { s.signal() }}})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- s.keeper.Run(ctx) }()
	s.stop = func() {
		cancel()
		if err := <-done; err != nil {
			s.t.Error(err)
		}
		if err := s.records.Close(); err != nil {
			s.t.Error(err)
		}
		if err := s.store.Close(); err != nil {
			s.t.Error(err)
		}
	}
}

// born is a birth of the agent, and an echo that measures its clock.
func (s *site) born(ahead time.Duration) {
	now := time.Now()
	s.keeper.Event(feed.Event{Kind: feed.Birth, Pot: "alder", Agent: name, Session: "s", Epoch: s.epoch, Received: now})
	s.keeper.Echo(feed.Echo{Agent: name, Session: "s", Epoch: s.epoch, Sent: now, Received: now, AgentAt: si.InstantOf(now).Add(ahead)})
	s.mu.Lock()
	defer s.mu.Unlock()
	s.keeper.Journal(feed.Journal{Agent: name, Session: "s", Received: now, ID: journalID, Birth: true, Oldest: uint64(s.oldest), Next: uint64(len(s.journal))})
}

// ask is the agent's answer to a request.
func (s *site) ask(agent, journal string, from, to uint64) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if agent != name || journal != journalID {
		s.t.Errorf("asked %s for %s", agent, journal)
	}
	s.forgets = max(s.forgets, from)
	if from == to {
		return true
	}
	s.asked = append(s.asked, [2]int{int(from), int(to)})
	if int(from) < s.oldest {
		s.keeper.Journal(feed.Journal{Agent: name, Received: time.Now(), ID: journalID,
			NotHeld: feed.Records{Journal: journalID, From: from, To: min(to, uint64(s.oldest))}})
	}
	for p := max(int(from), s.oldest); p < int(to); p += 512 {
		s.send(feed.LateData, p, min(p+512, int(to)))
	}
	return true
}

// send sends records, or loses them.
func (s *site) send(kind feed.Kind, from, to int) {
	if s.lossy && s.rng.IntN(8) == 0 {
		return
	}
	s.keeper.Event(feed.Event{Kind: kind, Pot: "alder", Agent: name, Session: "s", Epoch: s.epoch, Received: time.Now(), Samples: s.journal[from:to],
		Records: feed.Records{Journal: journalID, From: uint64(from), To: uint64(to), Epoch: s.epoch}})
}

// read is n samples read by the agent, the last of them at an instant of its clock; live are sent as they are read.
func (s *site) read(n int, until si.Instant, live bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range n {
		s.journal = append(s.journal, points.Sample{Point: points.Vessel, Quality: points.Good,
			At: until.Add(-time.Duration(n-1-i) * 100 * time.Millisecond), Value: si.GaugePressure(len(s.journal))})
		if k := len(s.journal); live && k%5 == 0 {
			s.send(feed.Data, k-5, k)
		}
	}
}

// settled waits until all from a position on is stored. The agent tells how far its journal reaches.
func (s *site) settled(from, to int) {
	s.t.Helper()
	ctx, cancel := context.WithTimeout(s.t.Context(), time.Minute)
	defer cancel()
	s.keeper.Journal(feed.Journal{Agent: name, Received: time.Now(), ID: journalID, Oldest: uint64(s.oldest), Next: uint64(to)})
	for {
		ok, err := s.keeper.Whole(ctx, name, journalID, uint64(from), uint64(to))
		if err != nil {
			s.t.Fatal(err)
		}
		if ok {
			return
		}
		select {
		case <-s.moved:
		case <-ctx.Done():
			s.t.Fatal("not all has come within a minute")
		}
	}
}

// check holds what the history has against the journal, from position from on: each once.
func (s *site) check(from int, shift time.Duration) {
	s.t.Helper()
	var got []points.Sample
	err := s.store.Range(s.t.Context(), history.Query{Pot: "alder"}, func(r history.Record) error {
		if r.Epoch != s.epoch {
			s.t.Errorf("epoch %d", r.Epoch)
		}
		r.At = r.At.Add(-shift)
		got = append(got, r.Sample)
		return nil
	})
	if err != nil {
		s.t.Fatal(err)
	}
	if !slices.Equal(got, s.journal[from:]) {
		s.t.Errorf("%d samples are stored, want %d", len(got), len(s.journal)-from)
	}
}

// TestBacklogSpeed: an agent that answers at once has a window asked for as soon as the one before is on the disk, so that the time that
// is waited for is that in which arrivals are gathered.
func TestBacklogSpeed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const records = 200_000
		s := newSite(t, t.TempDir(), false)
		s.read(records, si.InstantOf(time.Now()).Add(-time.Minute), false)
		s.start()
		began := time.Now()
		s.born(0)
		s.settled(0, records)
		// A second in which a hole is waited for, and a tick; then windows of 4096, twice as much each, to 65,536.
		if took, most := time.Since(began), 1250*time.Millisecond+7*100*time.Millisecond; took > most {
			t.Errorf("%d records have come after %v, want %v at most", records, took, most)
		}
		s.check(0, 0)
		s.stop()
	})
}

// TestAllComes: over a link that loses an eighth of all messages, with a restart of the server in the midst, every record of the journal
// is stored once; what is asked for is bounded; and what the agent may forget is what is stored.
func TestAllComes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSite(t, t.TempDir(), true)
		now := si.InstantOf(time.Now())
		s.read(5000, now.Add(-10*time.Minute), false) // while there was no server
		s.start()
		s.born(0)
		s.read(300, now.Add(-time.Minute), true)
		s.settled(0, 5300)
		s.stop()
		s.mu.Lock()
		if s.forgets > 5300 {
			t.Errorf("told to forget up to %d of 5300", s.forgets)
		}
		s.asked = nil
		s.mu.Unlock()

		s.start()
		s.born(0)
		s.read(100, now, true)
		s.settled(0, 5400)
		s.check(0, 0)
		p, err := s.records.Positions(t.Context())
		if err != nil || len(p) != 1 || p[0].Stored < 5300 || p[0].Stored > 5400 || p[0].Agent != name || p[0].Journal != journalID {
			t.Errorf("positions %+v, %v", p, err)
		}
		s.stop()
		for _, a := range s.asked {
			if n := a[1] - a[0]; n <= 0 || n > 1<<16 {
				t.Errorf("asked for %v", a)
			}
		}
		if lost, err := reopened(t, s.dir).Losses(t.Context(), records.Query{}); err != nil || len(lost.Items) != 0 {
			t.Errorf("losses %+v, %v", lost, err)
		}
	})
}

func reopened(t *testing.T, dir string) *records.SQLite {
	t.Helper()
	r, err := records.Open(filepath.Join(dir, "records"), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = r.Close() })
	return r
}

// TestDropped: what the journal dropped before it could be fetched is a recorded loss; what it had dropped before this server
// heard of it is none. A range that is lost is no unbroken run.
func TestDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSite(t, t.TempDir(), false)
		now := si.InstantOf(time.Now())
		s.read(300, now, false)
		s.oldest = 100
		s.start()
		s.born(0)
		s.settled(100, 300)
		s.stop()
		s.read(300, now.Add(time.Minute), false)
		s.oldest = 450
		s.start()
		s.born(0)
		s.settled(450, 600)
		if ok, err := s.keeper.Whole(t.Context(), name, journalID, 449, 600); err != nil || ok {
			t.Errorf("a range with a loss is whole: %v, %v", ok, err)
		}
		s.stop()
		lost, err := reopened(t, s.dir).Losses(t.Context(), records.Query{})
		if err != nil || len(lost.Items) != 1 {
			t.Fatalf("losses %+v, %v", lost, err)
		}
		if l := lost.Items[0]; l.Agent != name || l.Journal != journalID || l.From != 300 || l.To != 450 {
			t.Errorf("lost %+v, want 300 to 450", l)
		}
	})
}

// TestWrongClock: the readings of a clock that is 20 years behind are stored by the server's clock, by the same shift after a start,
// and none of them twice.
func TestWrongClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const ahead = -20 * 365 * 24 * time.Hour
		s := newSite(t, t.TempDir(), false)
		s.start()
		at := si.InstantOf(time.Now()).Add(ahead)
		s.read(100, at, true) // before the clock was measured
		s.born(ahead)
		s.read(100, at.Add(20*time.Second), true)
		s.settled(0, 200)
		first, ok := s.keeper.Placement(name, s.epoch)
		if !ok || (first.Shift+ahead).Abs() > 10*time.Second || first.Estimated {
			t.Fatalf("placed %+v", first)
		}
		s.stop()
		s.start()
		s.born(ahead + time.Second) // measured a little otherwise
		s.read(5, at.Add(21*time.Second), true)
		s.settled(0, 205)
		if p, _ := s.keeper.Placement(name, s.epoch); p != (clocks.Placement{Agent: name, Epoch: s.epoch, Shift: first.Shift}) {
			t.Errorf("placed anew: %+v, before %+v", p, first)
		}
		s.check(0, first.Shift)
		s.stop()
	})
}

// TestClockStepsUnmeasured: readings of an epoch that was over before its clock was measured wait for no measurement that cannot come,
// and hold back nothing of the epoch after it.
func TestClockStepsUnmeasured(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSite(t, t.TempDir(), false)
		s.start()
		now := time.Now()
		event := func(kind feed.Kind, epoch uint64, from uint64, at si.Instant) {
			e := feed.Event{Kind: kind, Pot: "alder", Agent: name, Session: "s", Epoch: epoch, Received: now}
			if kind != feed.Birth {
				e.Samples = []points.Sample{{Point: points.Vessel, Quality: points.Good, At: at, Value: si.GaugePressure(from)}}
				e.Records = feed.Records{Journal: journalID, From: from, To: from + 1, Epoch: epoch}
			}
			s.keeper.Event(e)
		}
		s.keeper.Journal(feed.Journal{Agent: name, Session: "s", Received: now, ID: journalID, Birth: true})
		event(feed.Birth, 8, 0, 0)
		event(feed.Data, 8, 0, si.InstantOf(now).Add(-10*time.Minute))
		event(feed.Birth, 9, 0, 0) // the clock was set
		event(feed.Data, 9, 1, si.InstantOf(now))
		s.keeper.Echo(feed.Echo{Agent: name, Session: "s", Epoch: 9, Sent: now, Received: now, AgentAt: si.InstantOf(now)})
		s.settled(0, 2)
		s.stop()
	})
}

// A counted store counts appends.
type counted struct {
	keep.Store
	mu      sync.Mutex
	batches []int // of each append
}

func (c *counted) Append(b ...history.Batch) (history.Result, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.batches = append(c.batches, len(b))
	return history.Result{Stored: len(b)}, nil
}
func (c *counted) Fate(history.Mark) history.Fate { return history.OnDisk }
func (c *counted) Sync() error                    { return nil }
func (c *counted) sizes() []int                   { c.mu.Lock(); defer c.mu.Unlock(); return slices.Clone(c.batches) }

type noBook struct{}

func (noBook) PutPositions([]records.Position) *records.Write  { return records.Stored(nil) }
func (noBook) AddLosses([]records.Loss) *records.Write         { return records.Stored(nil) }
func (noBook) PutPlacements([]clocks.Placement) *records.Write { return records.Stored(nil) }

// TestGathers: what arrives within a tenth of a second is stored in one go, and at once where somebody waits for it.
func TestGathers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &counted{}
		k := keep.New(keep.Options{Store: store, Book: noBook{}, Ask: func(string, string, uint64, uint64) bool { return true }, Log: slog.New(slog.DiscardHandler)})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- k.Run(ctx) }()
		now := time.Now()
		k.Echo(feed.Echo{Agent: name, Session: "s", Epoch: 9, Sent: now, Received: now, AgentAt: si.InstantOf(now)})
		give := func() {
			now := time.Now()
			k.Event(feed.Event{Kind: feed.Data, Pot: "alder", Agent: name, Session: "s", Epoch: 9, Received: now, Samples: []points.Sample{{Point: points.Vessel, Quality: points.Good, At: si.InstantOf(now)}}})
		}
		for range 9 {
			give()
			time.Sleep(10 * time.Millisecond)
		}
		if got := store.sizes(); len(got) != 0 {
			t.Errorf("stored %v before the time", got)
		}
		time.Sleep(20 * time.Millisecond)
		if got := store.sizes(); !slices.Equal(got, []int{9}) {
			t.Errorf("stored %v, want nine in one go", got)
		}
		give()
		was := time.Now()
		if _, err := k.Whole(ctx, name, "", 0, 0); err != nil || time.Since(was) > 0 {
			t.Errorf("waited %v, %v", time.Since(was), err)
		}
		if got := store.sizes(); !slices.Equal(got, []int{9, 1}) {
			t.Errorf("stored %v, want one at once", got)
		}
		give()
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if got := store.sizes(); !slices.Equal(got, []int{9, 1, 1}) {
			t.Errorf("stored %v, want the last at the end", got)
		}
	})
}
