package rewind_test

import (
	"context"
	"log/slog"
	"math"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/desk"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/history"
	"gritwatch/server/internal/keep"
	"gritwatch/server/internal/pot"
	"gritwatch/server/internal/records"
	"gritwatch/server/internal/rewind"
)

const alder = `name: alder
vessel: {volume: 6.5 ft3, rated: 150 psi}
hose: {bore: 1.25 in, length: 50 ft}
nozzle: {bore: 7/16 in, target: 100 psi}
points: [supply, vessel, hose, nozzle, control]
units: {pressure: psi}
`

// A field is one pot with its agent, guard and journal, in the bubble's time; its radio can be out.
type field struct {
	t       *testing.T
	dir     string
	pot     potfile.Pot
	guard   *vent.Judge
	journal []points.Sample // by position
	sent    int
	dead    int // records before it are not held any more
	mute    int // records from it on are not answered; 0: all are
	out     bool
	pressed time.Time // last press; zero: none
	loosed  time.Time // the release after it
	shut    bool      // the exhaust stays shut at the release
	began   time.Time

	store  *history.Store
	book   *records.SQLite
	keeper *keep.Keeper
	actor  *pot.Actor
	desk   *desk.Desk
	past   *rewind.Rewinder
	stop   func()

	mu   sync.Mutex
	late []string // what the rewind found
}

const agent, journalID, epoch = "quay-1", "j1", 77

func newField(t *testing.T) *field {
	p, err := potfile.ParsePot("pot.yaml", []byte(alder))
	if err != nil {
		t.Fatal(err)
	}
	return &field{t: t, dir: t.TempDir(), pot: p, guard: vent.NewJudge(p.Vent(), vent.Options{}), began: time.Now()}
}

// LateCycle and LateAlarms make the field a rewind.Finder that writes down as the server does.
func (f *field) LateCycle(pot, agent string, epoch uint64, c engine.Cycle, healthy engine.Envelope, ended si.Instant) {
	f.book.AddCycle(records.Cycle{Pot: pot, Cycle: c, Healthy: healthy, Ended: ended, Late: true})
}

func (f *field) Refill(pot, agent string, epoch uint64, r level.Refill) {
	f.book.AddRefill(records.Refill{ID: records.SameID(r.At, "refill "+pot), Pot: pot, At: r.At})
}

func (f *field) LateAlarms(found []alarm.Found) {
	f.desk.Late(found)
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, x := range found {
		if x.On {
			f.late = append(f.late, x.Kind.String())
		} else {
			f.late = append(f.late, x.Kind.String()+" ended")
		}
	}
}

// start starts a server.
func (f *field) start() {
	f.t.Helper()
	log := slog.New(slog.NewTextHandler(f.t.Output(), nil))
	must := func(err error) {
		if err != nil {
			f.t.Fatal(err)
		}
	}
	var err error
	f.store, err = history.Open(filepath.Join(f.dir, "history"), history.Options{Site: "harrow-quay", Log: log, MinFree: 1 << 20})
	must(err)
	f.book, err = records.Open(filepath.Join(f.dir, "records"), log)
	must(err)
	positions, err := f.book.Positions(f.t.Context())
	must(err)
	placed, err := f.book.Placements(f.t.Context())
	must(err)
	open, err := f.book.OpenAlarms(f.t.Context())
	must(err)
	f.desk = desk.New(f.t.Context(), desk.Options{Units: []alarm.Unit{{Pot: "alder", Agent: agent}}, Records: f.book, Open: open, Log: log,
		Assume: func(k alarm.Key) { f.actor.Assume(k) }, Ease: func(k alarm.Key) bool { return f.actor.Ease(k) }}, time.Now())
	f.actor = pot.New(pot.Config{Site: "harrow-quay", Agent: agent, Pot: f.pot}, pot.Options{Start: time.Now(), Log: log, Assume: f.desk.Standing("alder", ""), Events: pot.Events{
		Alarm: f.desk.Found,
		Cycle: func(pot, agent string, epoch uint64, c engine.Cycle, healthy engine.Envelope, ended si.Instant) {
			f.book.AddCycle(records.Cycle{Pot: pot, Cycle: c, Healthy: healthy, Ended: ended})
		}}})
	f.keeper = keep.New(keep.Options{Store: f.store, Book: f.book, Ask: f.ask, Positions: positions, Placements: placed, Log: log,
		Events: keep.Events{Late: func(l keep.Late) { f.past.Late(l) }}})
	f.past = rewind.New(rewind.Options{Pots: []*pot.Actor{f.actor}, History: f.store, Checkpoints: f.book, Keeper: f.keeper, Finder: f, Log: log})
	ctx, cancel := context.WithCancel(context.Background())
	var all sync.WaitGroup
	for _, run := range []func(context.Context) error{f.actor.Run, f.keeper.Run, f.past.Run} {
		all.Go(func() { must(run(ctx)) })
	}
	f.stop = func() {
		cancel()
		all.Wait()
		must(f.book.Close())
		must(f.store.Close())
	}
}

func (f *field) put(e feed.Event) {
	e.Pot, e.Agent, e.Session, e.Epoch, e.Digest, e.Received = "alder", agent, "s1", epoch, f.pot.Vent().Digest(), time.Now()
	f.keeper.Event(e)
	f.actor.Put(e)
}

// born is the agent's births.
func (f *field) born() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.put(feed.Event{Kind: feed.Birth})
	f.keeper.Journal(feed.Journal{Agent: agent, Session: "s1", Received: time.Now(), ID: journalID, Birth: true, Oldest: uint64(f.dead), Next: uint64(len(f.journal))})
}

// ask is the agent's answer to a request for records.
func (f *field) ask(_, _ string, from, to uint64) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.out || f.mute > 0 && from >= uint64(f.mute) {
		return true
	}
	if p := min(uint64(f.dead), to); from < p {
		f.keeper.Journal(feed.Journal{Agent: agent, Received: time.Now(), ID: journalID, NotHeld: feed.Records{Journal: journalID, From: from, To: p}})
		from = p
	}
	for ; from < to; from += 500 {
		end := min(from+500, to)
		f.put(feed.Event{Kind: feed.LateData, Samples: f.journal[from:end], Records: feed.Records{Journal: journalID, From: from, To: end, Epoch: epoch}})
	}
	return true
}

// pressures are those of the pot: it fills with a time constant of 1.5 s and vents with one of 2 s.
func (f *field) pressures() map[points.Point]float64 {
	const full = 650e3
	p := map[points.Point]float64{points.Supply: 700e3}
	switch now := time.Now(); {
	case f.pressed.IsZero():
	case f.loosed.Before(f.pressed):
		p[points.Vessel] = full * (1 - math.Exp(-now.Sub(f.pressed).Seconds()/1.5))
		p[points.Hose], p[points.Nozzle], p[points.Control] = 0.98*p[points.Vessel], 0.9*p[points.Vessel], 600e3
	default:
		s, tau := now.Sub(f.loosed).Seconds(), 2.0
		if f.shut {
			tau = 600
		}
		p[points.Vessel] = full * math.Exp(-s/tau)
		p[points.Hose] = full * math.Exp(-s/0.3)
		p[points.Nozzle] = 0.9 * p[points.Hose]
	}
	return p
}

// run lives for a time: a poll each 100 ms, a message each 500 ms, an echo each 5 s.
func (f *field) run(d time.Duration) {
	for i := range int(d / (100 * time.Millisecond)) {
		time.Sleep(100 * time.Millisecond)
		now := time.Now()
		p := f.pressures()
		f.mu.Lock()
		for _, pt := range []points.Point{points.Supply, points.Vessel, points.Hose, points.Nozzle, points.Control} {
			s := points.Sample{Point: pt, Quality: points.Good, At: si.InstantOf(now), Value: si.GaugePressure(p[pt])}
			f.guard.Step(s)
			f.journal = append(f.journal, s)
		}
		if !f.out && i%50 == 0 && f.keeper != nil {
			e := feed.Echo{Agent: agent, Session: "s1", Epoch: epoch, Sent: now, Received: now, AgentAt: si.InstantOf(now)}
			f.keeper.Echo(e)
			f.actor.PutEcho(e)
		}
		if i%5 == 4 {
			from := f.sent
			f.sent = len(f.journal)
			if !f.out {
				g := f.guard.Answer()
				f.put(feed.Event{Kind: feed.Data, Samples: slices.Clone(f.journal[from:f.sent]), Guard: g.Word.String(), GuardAt: g.At,
					Records: feed.Records{Journal: journalID, From: uint64(from), To: uint64(f.sent), Epoch: epoch}})
			}
		}
		f.mu.Unlock()
	}
}

func (f *field) press()   { f.pressed = time.Now() }
func (f *field) release() { f.loosed = time.Now() }

// silent is a time without radio.
func (f *field) silent(during func()) {
	f.mu.Lock()
	f.out = true
	f.put(feed.Event{Kind: feed.Death, Reason: "the radio is out"})
	f.mu.Unlock()
	during()
	f.mu.Lock()
	f.out = false
	f.mu.Unlock()
	f.born()
}

// cycle is a press of 10 s and the vent after it.
func (f *field) cycle() {
	f.press()
	f.run(10 * time.Second)
	f.release()
	f.run(20 * time.Second)
}

func (f *field) word() string {
	synctest.Wait()
	return f.actor.Estimate(time.Now()).Answer.Word
}

func (f *field) want(word string) {
	f.t.Helper()
	if got := f.word(); got != word {
		f.t.Errorf("%v after the beginning: %s, want %s (because %v)", time.Since(f.began), got, word, f.actor.Estimate(time.Now()).Answer.Because)
	}
}

// cycles are those that are written down, the oldest first: true for a late one.
func (f *field) cycles() []bool {
	f.t.Helper()
	p, err := f.book.Cycles(f.t.Context(), records.Query{OldestFirst: true})
	if err != nil {
		f.t.Fatal(err)
	}
	var out []bool
	for _, c := range p.Items {
		out = append(out, c.Late)
		if d := c.Blast(); d < 9500*time.Millisecond || d > 10500*time.Millisecond {
			f.t.Errorf("a cycle of %v, want 10 s", d)
		}
		if h := c.Healthy; h.Rate < 0.05 || h.From < 500e3 || h.Open <= 0 || h.Open > 2*time.Second {
			f.t.Errorf("late %v: its vent was judged by %+v", c.Late, h)
		}
	}
	return out
}

// never holds that the word is not VENTED at any moment of a time.
func (f *field) never(d time.Duration) {
	f.t.Helper()
	for range int(d / (500 * time.Millisecond)) {
		f.run(500 * time.Millisecond)
		if f.word() == "vented" {
			f.t.Fatalf("VENTED %v after the beginning", time.Since(f.began))
		}
	}
}

// TestGap: the radio is out from the midst of a blast until the vessel is vented. What came through says nothing of the vent, so
// nothing is said; once the records of that time have come, the vent has been seen, the cycle is written down as late, and the
// word is what it would have been.
func TestGap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newField(t)
		f.start()
		f.born()
		f.run(40 * time.Second) // a checkpoint is saved meanwhile
		f.cycle()
		f.want("vented")
		f.press()
		f.run(5 * time.Second)
		f.silent(func() {
			f.run(5 * time.Second)
			f.release()
			f.run(20 * time.Second)
		})
		f.run(time.Second)
		f.want("not-proven")
		f.run(9 * time.Second)
		f.want("vented")
		if got := f.cycles(); !slices.Equal(got, []bool{false, true}) {
			t.Errorf("late cycles %v, want the second", got)
		}
		f.cycle() // and the live follower goes on as if nothing had happened
		f.want("vented")
		if got := f.cycles(); !slices.Equal(got, []bool{false, true, false}) {
			t.Errorf("late cycles %v", got)
		}
		f.stop()
	})
}

// TestGapLost: the same, but the agent does not hold the records any more. However long that is: without a new vent, not proven.
func TestGapLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newField(t)
		f.start()
		f.born()
		f.run(40 * time.Second)
		f.cycle()
		f.press()
		f.run(5 * time.Second)
		f.silent(func() {
			f.run(5 * time.Second)
			f.release()
			f.run(20 * time.Second)
			f.dead = len(f.journal)
		})
		f.never(3 * time.Minute)
		if got := f.cycles(); !slices.Equal(got, []bool{false}) {
			t.Errorf("late cycles %v, want none", got)
		}
		f.cycle()
		f.want("vented")
		f.stop()
	})
}

// TestGapHidesPress: vented, then the radio is out while the pot is pressed, and the exhaust stays shut. A witness of before
// the gap must not stand: not for what came live, and not for what a rewind adds. The alarm of the gap appears late.
func TestGapHidesPress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newField(t)
		f.start()
		f.born()
		f.run(40 * time.Second)
		f.cycle()
		f.want("vented")
		f.silent(func() {
			f.press()
			f.run(10 * time.Second)
			f.shut = true
			f.release()
			f.run(10 * time.Second)
		})
		f.never(time.Minute)
		f.want("pressurised")
		f.mu.Lock()
		defer f.mu.Unlock()
		if !slices.Contains(f.late, "vent-slow") || !slices.Contains(f.late, "vessel-held") {
			t.Errorf("found late: %v, want vent-slow and vessel-held", f.late)
		}
		f.stop()
	})
}

// TestRestart: the server is down for a minute in which nothing happens. What it had seen before stands again once all records of
// that time have come, and not before.
func TestRestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newField(t)
		f.start()
		f.born()
		f.run(40 * time.Second)
		f.cycle()
		f.run(40 * time.Second)
		f.want("vented")
		f.stop()
		f.out = true
		f.run(time.Minute)
		f.out = false
		f.start()
		f.born()
		f.run(time.Second)
		f.want("not-proven")
		f.run(12 * time.Second)
		f.want("vented")
		f.cycle()
		if got := f.cycles(); !slices.Equal(got, []bool{false, false}) {
			t.Errorf("late cycles %v, want two that were seen live", got)
		}
		f.stop()
	})
}

// TestRestartOverPress: the server is down during a press whose vent it does not see; or the pot is pressed still.
func TestRestartOverPress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newField(t)
		f.start()
		f.born()
		f.run(40 * time.Second)
		f.cycle()
		f.stop()
		f.out = true
		f.cycle()
		f.out = false
		f.start()
		f.born()
		f.run(15 * time.Second)
		f.want("vented")
		if got := f.cycles(); !slices.Equal(got, []bool{false, true}) {
			t.Errorf("late cycles %v, want the second", got)
		}
		f.stop()
		f.out = true
		f.press()
		f.run(30 * time.Second)
		f.out = false
		f.start()
		f.born()
		f.never(30 * time.Second)
		f.want("pressurised")
		f.stop()
	})
}

// TestFirstStart: a server begins that knows nothing, and the agent has the past in its journal. Whenever it is heard, between two
// looks of the rewind, that past is judged as soon as it has come.
func TestFirstStart(t *testing.T) {
	for _, after := range []time.Duration{100, 300, 500, 700, 900} {
		synctest.Test(t, func(t *testing.T) {
			f := newField(t)
			f.out = true
			f.run(40 * time.Second)
			f.cycle()
			f.run(20 * time.Second)
			f.out = false
			f.start()
			time.Sleep(after * time.Millisecond)
			f.born()
			f.run(15 * time.Second)
			if got := f.cycles(); !slices.Equal(got, []bool{true}) {
				t.Errorf("heard %d ms after the start: late cycles %v, want one", after, got)
			}
			f.want("not-proven") // nobody who is sure has seen the vent
			f.stop()
		})
	}
}

// TestRestartAfterGap: the server stops when the radio is back and its records have not come yet. The past before the newest
// checkpoint is judged all the same.
func TestRestartAfterGap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newField(t)
		f.start()
		f.born()
		f.run(70 * time.Second)
		f.silent(f.cycle)
		f.run(700 * time.Millisecond)
		f.stop() // which saves a checkpoint
		f.start()
		f.born()
		f.run(15 * time.Second)
		if got := f.cycles(); !slices.Equal(got, []bool{true}) {
			t.Errorf("late cycles %v, want that of the silence", got)
		}
		f.want("vented")
		f.stop()
	})
}

// TestStoppedWhileItComes: the server stops when it has one half of the past, and goes on with the other. All of it is judged: whether
// it knew nothing before, or had a checkpoint from before and one from between the agent's return and the first late sample.
func TestStoppedWhileItComes(t *testing.T) {
	past := func(f *field) { // 7000 records, and no more than 4096 are asked for at first
		f.cycle()
		time.Sleep(time.Hour) // the agent is off
		f.run(79400 * time.Millisecond)
		f.cycle()
	}
	for name, before := range map[string]func(f *field){
		"first start": func(f *field) {
			f.out = true
			f.run(20 * time.Second)
			past(f)
			f.out = false
			f.start()
			f.born()
		},
		"gap": func(f *field) {
			f.start()
			f.born()
			f.run(70 * time.Second)
			f.silent(func() { past(f) }) // until 0.6 s before a checkpoint
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newField(t)
				f.mute = 4000
				before(f)
				f.run(1700 * time.Millisecond)
				f.stop()
				f.mute = 0
				if got := f.stored(); got < 4000 || got > 7700 {
					t.Fatalf("%d samples are stored, want one half", got)
				}
				f.start()
				f.born()
				f.run(15 * time.Second)
				if got := f.cycles(); !slices.Equal(got, []bool{true, true}) {
					t.Errorf("late cycles %v, want both of the past", got)
				}
				f.stop()
			})
		})
	}
}

// stored is how many samples a server that was stopped has.
func (f *field) stored() (n int) {
	f.t.Helper()
	store, err := history.Open(filepath.Join(f.dir, "history"), history.Options{Site: "harrow-quay", Log: slog.New(slog.DiscardHandler), MinFree: 1 << 20})
	if err != nil {
		f.t.Fatal(err)
	}
	defer store.Close()
	if err := store.Range(f.t.Context(), history.Query{Pot: "alder"}, func(history.Record) error { n++; return nil }); err != nil {
		f.t.Fatal(err)
	}
	return n
}
