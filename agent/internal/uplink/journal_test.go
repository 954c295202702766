package uplink_test

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/backlog"
	"gritwatch/agent/internal/journal"
	"gritwatch/agent/internal/journal/slate"
	"gritwatch/agent/internal/uplink"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// A deep rig has a journal, in a real folder.
type deep struct {
	*rig
	journal *journal.Journal
	log     *bytes.Buffer
	end     func() // of uplink and journal
}

func deepStart(t *testing.T, folder journal.Folder) *deep {
	t.Helper()
	d := &deep{log: &bytes.Buffer{}}
	var err error
	if d.journal, err = journal.Open(journal.Options{Folder: folder}); err != nil {
		t.Fatal(err)
	}
	s, found, err := slate.Open(folder, "boot", d.journal.Status().ID, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.journal.Run(ctx) }()
	if _, err := slate.TakeUp(t.Context(), d.journal, found); err != nil {
		t.Fatal(err)
	}
	d.rig = startWith(t, func(o *uplink.Options) {
		o.Journal, o.Slate, o.Log = d.journal, s, slog.New(slog.NewTextHandler(d.log, nil))
	})
	d.end = sync.OnceFunc(func() {
		d.stop()
		cancel()
		if err := errors.Join(<-done, d.journal.Close(), s.Close()); err != nil {
			t.Error(err)
		}
	})
	return d
}

// A placed message is one with positions.
type placed struct {
	pot        string
	first      uint64
	epoch      uint64
	historical bool
	samples    []points.Sample
}

// placedOf reads a DDATA as a server does: the three metrics first, then readings; false where it has none.
func placedOf(t *testing.T, s sent) (p placed, ok bool) {
	t.Helper()
	uint := func(i int, name string) uint64 {
		if i >= len(s.ms) || s.ms[i].Name != name {
			t.Fatalf("metric %d of a %s is not %s: %+v", i, s.kind, name, s.ms)
		}
		v, _ := s.ms[i].Value.Uint()
		return v
	}
	if s.kind != "DDATA" || len(s.readings()) == 0 || s.ms[0].Name != points.MetricJournalPosition {
		return p, false
	}
	p = placed{pot: s.pot, first: uint(0, points.MetricJournalPosition), epoch: uint(2, points.MetricJournalEpoch), historical: s.ms[0].Historical, samples: s.readings()}
	if n := uint(1, points.MetricJournalCount); n != uint64(len(p.samples)) || n > 512 {
		t.Fatalf("%d counted, %d readings", n, len(p.samples))
	}
	for i, m := range s.ms {
		if m.Historical != p.historical || m.Historical && m.Name == points.MetricGuardState {
			t.Fatalf("metric %d: %+v", i, m)
		}
		if i > 0 && m.At/1000 < s.ms[i-1].At/1000 {
			t.Fatalf("metric %d goes back in time: the wire would have another order", i)
		}
	}
	return p, true
}

type reading struct {
	pot   string
	epoch uint64
	s     points.Sample
}

// onWire is a reading as the wire has it.
func onWire(s points.Sample) points.Sample {
	s.At -= s.At % 1000
	s.Value = si.GaugePressure(float32(s.Value))
	return s
}

func (d *deep) records(t *testing.T) map[uint64]reading {
	t.Helper()
	out := map[uint64]reading{}
	for b, err := range d.journal.Read(d.journal.Status().Oldest, math.MaxUint64) {
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range b.Samples {
			if b.Pot == "birch" && s.Point == points.Control { // a switch: the wire has no pressure of it
				s.Value = 0
			}
			out[b.First+uint64(i)] = reading{b.Pot, b.Epoch, s}
		}
	}
	return out
}

// ask sends a request as the server does.
func (d *deep) ask(id string, from, to uint64) {
	d.Command(d.session, sparkplug.Message{Metrics: []sparkplug.Metric{sparkplug.Str(points.MetricReplayID, 1, id),
		sparkplug.Uint(points.MetricReplayFrom, 1, from), sparkplug.Uint(points.MetricReplayTo, 1, to)}})
}

func (d *deep) id() string { return d.journal.Status().ID }

func node(s sent, name string) (uint64, bool) {
	m := s.find(name)
	if s.kind != "NDATA" && s.kind != "NBIRTH" || m == nil || m.Null {
		return 0, false
	}
	return m.Value.Uint()
}

// At rest and in motion, of two pots at once: every live reading has its position, and the journal has it there.
func TestPositions(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := deepStart(t, journal.Dir(t.TempDir()))
		defer d.end()
		d.connect()
		n := d.quietly(2 * time.Second)
		for i := range 20 { // urgent messages between the others
			d.read("alder", points.Vessel, float64(i*i))
			d.read("birch", points.Supply, 700)
			d.Uplink.Sample("birch", points.Sample{Point: points.Control, Quality: points.Good, At: d.clock.Now() - 30_000, Pressed: i%5 == 0})
			n += 3 // another line's reading is handed on late
			time.Sleep(70 * time.Millisecond)
		}
		d.end()
		at := map[uint64]reading{}
		messages := 0
		for _, s := range d.take() {
			p, ok := placedOf(t, s)
			if !ok {
				continue
			}
			messages++
			if p.historical || s.find(points.MetricGuardState) == nil || p.epoch != d.clock.Epoch() {
				t.Fatalf("%+v", p)
			}
			for i, x := range p.samples {
				if _, twice := at[p.first+uint64(i)]; twice {
					t.Fatalf("position %d comes twice", p.first+uint64(i))
				}
				at[p.first+uint64(i)] = reading{p.pot, p.epoch, onWire(x)}
			}
		}
		records := d.records(t)
		if len(at) != n || len(records) != n || messages < 20 {
			t.Errorf("%d read, %d sent in %d messages, %d in the journal", n, len(at), messages, len(records))
		}
		for p, r := range records {
			if r.s = onWire(r.s); at[p] != r {
				t.Errorf("position %d: sent %+v, kept %+v", p, at[p], r)
			}
		}
		if d.lostCount() != 0 {
			t.Errorf("%d lost", d.lostCount())
		}
	})
}

// What is born of a journal, and what is told of it every minute.
func TestJournalIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := deepStart(t, journal.Dir(t.TempDir()))
		defer d.end()
		d.quietly(3 * time.Second)
		d.connect()
		birth := d.take()[0]
		next, ok := node(birth, points.MetricJournalNext)
		oldest, _ := node(birth, points.MetricJournalOldest)
		lost, _ := node(birth, points.MetricJournalLost)
		if id, _ := birth.find(points.MetricJournalID).Value.Text(); birth.kind != "NBIRTH" || id != d.id() || !ok || next < 40 || next > 60 || oldest != 0 || lost != 0 {
			t.Errorf("born with %s, %d, %d, %d", id, oldest, next, lost)
		}
		for _, name := range []string{points.MetricJournalVoidFrom, points.MetricJournalVoidTo, points.MetricReplayID, points.MetricReplayFrom, points.MetricReplayTo} {
			if m := birth.find(name); m == nil || !m.Null {
				t.Errorf("%s: %+v", name, m)
			}
		}
		d.quietly(3 * uplink.StandEvery)
		told := 0
		for _, s := range d.take() {
			if n, ok := node(s, points.MetricJournalNext); ok && s.kind == "NDATA" {
				_, a := node(s, points.MetricJournalOldest)
				_, b := node(s, points.MetricJournalLost)
				if told++; !a || !b || n <= next {
					t.Errorf("told %+v", s.ms)
				}
				next = n
			}
		}
		if told != 3 {
			t.Errorf("told %d times in 3 minutes", told)
		}
	})
}

// Where the network holds readings up, those that are late by then are left to be asked for, and the others have their own positions.
func TestLateInTheJournal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := deepStart(t, journal.Dir(t.TempDir()))
		defer d.end()
		d.connect()
		d.quietly(time.Second)
		d.take()
		held := make(chan struct{})
		d.session.mu.Lock()
		d.held = held
		d.session.mu.Unlock()
		n := d.quietly(3 * time.Second)
		d.session.mu.Lock()
		d.held = nil
		d.session.mu.Unlock()
		release := d.clock.Now()
		close(held)
		synctest.Wait()
		time.Sleep(600 * time.Millisecond)
		v := newServer(t)
		out := d.take()
		v.take(out)
		records := d.records(t)
		late := 0
		for p, r := range records {
			got, came := v.records[p]
			if r.s = onWire(r.s); came && got != r {
				t.Errorf("position %d: %+v, kept %+v", p, got, r)
			}
			if !came && release.Sub(r.s.At) > time.Second && release.Sub(r.s.At) < 3*time.Second {
				late++
			}
			if old := release.Sub(r.s.At) > time.Second+10*time.Millisecond; came && old && release.Sub(r.s.At) < 2400*time.Millisecond {
				t.Errorf("%v old, and live", release.Sub(r.s.At))
			}
		}
		if late < n/3 || len(v.records) < 20 {
			t.Errorf("%d read, %d late, %d arrived", n, late, len(v.records))
		}
	})
}

// A server is what one knows of an agent: which request is being answered, and how far.
type server struct {
	t       *testing.T
	asked   []backlog.Request
	records map[uint64]reading // all that came, live or not
	times   map[uint64]int     // that it came as an answer
	void    map[uint64]bool
}

func newServer(t *testing.T) *server {
	return &server{t: t, records: map[uint64]reading{}, times: map[uint64]int{}, void: map[uint64]bool{}}
}

// upTo goes on with the request that is being answered.
func (v *server) answered(from, to uint64, times bool) {
	v.t.Helper()
	if len(v.asked) == 0 || v.asked[0].From != from || to > v.asked[0].To || to <= from {
		v.t.Fatalf("answered %d to %d, asked %+v", from, to, v.asked)
	}
	for p := from; p < to; p++ {
		if times {
			v.times[p]++
		} else {
			v.void[p] = true
		}
	}
	if v.asked[0].From = to; v.asked[0].From == v.asked[0].To {
		v.asked = v.asked[1:]
	}
}

func (v *server) take(out []sent) {
	v.t.Helper()
	for _, s := range out {
		if from, ok := node(s, points.MetricJournalVoidFrom); ok {
			to, _ := node(s, points.MetricJournalVoidTo)
			v.answered(from, to, false)
		}
		p, ok := placedOf(v.t, s)
		if !ok {
			continue
		}
		if p.historical {
			v.answered(p.first, p.first+uint64(len(p.samples)), true)
		}
		for i, x := range p.samples {
			at, r := p.first+uint64(i), reading{p.pot, p.epoch, onWire(x)}
			if before, twice := v.records[at]; twice && before != r {
				v.t.Fatalf("position %d is %+v, and was %+v", at, r, before)
			}
			v.records[at] = r
		}
	}
}

// An outage: nothing old is sent by itself, everything comes when it is asked for, once, in order, and no faster than allowed.
func TestOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := deepStart(t, journal.Dir(t.TempDir()))
		defer d.end()
		n := d.quietly(10 * time.Minute)
		d.connect()
		n += d.quietly(2 * time.Second)
		v := newServer(t)
		out := d.take()
		next, _ := node(out[0], points.MetricJournalNext)
		v.take(out)
		if len(v.times) > 0 || len(v.records) > 50 || len(v.records) < 30 {
			t.Fatalf("%d sent by themselves, %d as history", len(v.records), len(v.times))
		}
		v.asked = append(v.asked, backlog.Request{From: 0, To: next})
		d.ask(d.id(), 0, next)
		began := time.Now()
		for len(v.asked) > 0 && time.Since(began) < 10*time.Second {
			time.Sleep(time.Millisecond)
			v.take(d.take())
		}
		took := time.Since(began)
		if least := time.Duration(next) * time.Second / backlog.PerSecond; took < least/2 || took > 10*least {
			t.Errorf("%d readings in %v", next, took)
		}
		n += d.quietly(time.Second)
		d.end()
		v.take(d.take())
		records := d.records(t)
		if len(records) != n || len(v.records) != n || d.lostCount() != 0 {
			t.Errorf("%d read, %d in the journal, %d arrived", n, len(records), len(v.records))
		}
		for p, r := range records {
			if r.s = onWire(r.s); v.records[p] != r || p < next && v.times[p] != 1 {
				t.Fatalf("position %d: %+v, kept %+v; answered %d times", p, v.records[p], r, v.times[p])
			}
		}
	})
}

// Whatever is read, asked and broken off in any order, over kills: every request in a session that lasts is answered
// exactly, position by position, once; and every reading that got as far as the slate is in the journal once.
func TestAnyOrder(t *testing.T) {
	for seed := range uint64(6) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			path := t.TempDir()
			synctest.Test(t, func(t *testing.T) {
				rng := rand.New(rand.NewPCG(seed, 7))
				var want []reading
				for life := range 3 {
					d := deepStart(t, journal.Dir(path))
					v := newServer(t)
					online := false
					read := func(pot string, p points.Point, s points.Sample) {
						s.Point, s.At = p, d.clock.Now()
						want = append(want, reading{pot, d.clock.Epoch(), s})
						d.Uplink.Sample(pot, s)
					}
					for range 300 {
						switch rng.IntN(20) {
						case 0:
							if online {
								d.disconnect()
								v.asked = nil
							} else {
								d.connect()
							}
							online = !online
							d.take()
						case 1, 2, 3:
							next := d.journal.Status().Next
							if !online || next == 0 {
								continue
							}
							from := rng.Uint64N(next)
							to := from + rng.Uint64N(next-from+2)
							d.ask(d.id(), from, to)
							if to = min(to, next); to > from && len(v.asked) < backlog.MaxWaiting {
								v.asked = append(v.asked, backlog.Request{From: from, To: to})
							} else if to > from { // it may be refused, or not
								d.disconnect()
								v.asked = nil
								d.connect()
								d.take()
							}
						case 4:
							if online {
								d.Rebirth()
							}
						default:
							for range rng.IntN(8) {
								pot := []string{"alder", "birch"}[rng.IntN(2)]
								s := points.Sample{Quality: points.Good, Value: si.GaugePressure(rng.NormFloat64() * 700e3)}
								if rng.IntN(10) == 0 {
									s.Quality = points.OutOfRange
								}
								read(pot, points.Vessel, s)
								time.Sleep(time.Duration(rng.IntN(20_000)) * time.Microsecond)
							}
							time.Sleep(time.Duration(rng.IntN(200)) * time.Millisecond)
						}
						v.take(d.take())
					}
					// Both pots answer to the end, so that nothing that was read is left out with a silent pot's no replies.
					time.Sleep(2 * time.Second)
					v.take(d.take())
					if online && len(v.asked) > 0 {
						t.Fatalf("life %d: never answered: %+v", life, v.asked)
					}
					records := d.records(t)
					for p, r := range v.records {
						if kept := records[p]; kept.pot != r.pot || kept.epoch != r.epoch || onWire(kept.s) != r.s {
							t.Fatalf("position %d: arrived %+v, kept %+v", p, r, kept)
						}
					}
					for p := range v.void {
						if _, there := records[p]; there {
							t.Fatalf("position %d is told to hold nothing", p)
						}
					}
					d.end()
					if life == 1 { // as if killed: the marks of an end in order are not there, and positions are left out
						leaveHole(t, path)
					}
				}
				d := deepStart(t, journal.Dir(path))
				defer d.end()
				times := map[reading]int{}
				for _, r := range d.records(t) {
					times[r]++
				}
				for _, w := range want {
					if w.s.Value = si.GaugePressure(float32(w.s.Value)); times[w] != 1 {
						t.Fatalf("%+v is in the journal %d times", w, times[w])
					}
				}
				if len(times) != len(want) {
					t.Errorf("%d in the journal, %d read", len(times), len(want))
				}
			})
		})
	}
}

// leaveHole opens the journal and leaves it without an end.
func leaveHole(t *testing.T, path string) {
	t.Helper()
	j, err := journal.Open(journal.Options{Folder: journal.Dir(path)})
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}

// Wrong or unreadable requests are refused, logged and answered with how the journal stands; acknowledgements count.
func TestRequests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := deepStart(t, journal.Dir(t.TempDir()))
		defer d.end()
		d.connect()
		d.quietly(2 * time.Second)
		time.Sleep(20 * time.Millisecond) // the flush of this moment
		d.take()
		next := d.journal.Status().Next
		bad := func(what string, ms ...sparkplug.Metric) {
			t.Helper()
			d.log.Reset()
			d.Command(d.session, sparkplug.Message{Metrics: ms})
			out := d.take()
			if len(out) != 1 || out[0].find(points.MetricJournalID) == nil || !strings.Contains(d.log.String(), "refused") || !strings.Contains(d.log.String(), what) {
				t.Errorf("%s: %s, log %s", what, kinds(out), d.log)
				return
			}
			id, _ := out[0].find(points.MetricJournalID).Value.Text()
			if n, _ := node(out[0], points.MetricJournalNext); id != d.id() || n != next {
				t.Errorf("%s: answered %+v", what, out[0].ms)
			}
			if d.journal.Status().Acknowledged != 0 {
				t.Error("acknowledged for another journal")
			}
		}
		id := func(s string) sparkplug.Metric { return sparkplug.Str(points.MetricReplayID, 1, s) }
		from := func(n uint64) sparkplug.Metric { return sparkplug.Uint(points.MetricReplayFrom, 1, n) }
		to := func(n uint64) sparkplug.Metric { return sparkplug.Uint(points.MetricReplayTo, 1, n) }
		bad("the journal asked for is", id("0123"), from(5), to(9))
		bad("one command", id(d.id()), from(5))
		bad("one command", from(5), to(9))
		bad("from no more than to", id(d.id()), from(9), to(5))
		bad("whole numbers", id(d.id()), sparkplug.Str(points.MetricReplayFrom, 1, "5"), to(9))

		d.ask(d.id(), 7, 7)
		if out := d.take(); len(out) != 0 || d.journal.Status().Acknowledged != 7 {
			t.Errorf("an acknowledgement alone: %s, %+v", kinds(out), d.journal.Status())
		}
		d.ask(d.id(), next, next+1000) // nothing is there yet
		d.ask(d.id(), next-2, math.MaxUint64)
		v := newServer(t)
		v.asked = []backlog.Request{{From: next - 2, To: next}}
		time.Sleep(time.Millisecond)
		v.take(d.take())
		if len(v.asked) != 0 || d.journal.Status().Acknowledged != next {
			t.Errorf("cut to the next: %+v, %+v", v.asked, d.journal.Status())
		}

		// Nothing is answered while the connection is full; eight more wait, one is refused.
		d.session.mu.Lock()
		d.unconfirmed = 1 << 20
		d.session.mu.Unlock()
		d.log.Reset()
		for i := range uint64(10) {
			d.ask(d.id(), i, i+1)
			time.Sleep(10 * time.Millisecond)
		}
		if n := strings.Count(d.log.String(), "too many wait"); n != 1 || len(d.take()) > 0 {
			t.Errorf("%d refused: %s", n, d.log)
		}
		d.disconnect() // all are forgotten
		d.session.mu.Lock()
		d.unconfirmed = 0
		d.session.mu.Unlock()
		d.connect()
		time.Sleep(time.Second)
		for _, s := range d.take() {
			if p, ok := placedOf(t, s); ok && p.historical {
				t.Errorf("answered in another session: %+v", p)
			}
		}
	})
}

// Live readings go out on time, whatever is asked for; history goes only where the connection has room.
func TestLiveFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := deepStart(t, journal.Dir(t.TempDir()))
		defer d.end()
		d.quietly(5 * time.Minute)
		d.connect()
		d.quietly(time.Second)
		d.take()
		next := d.journal.Status().Next
		d.ask(d.id(), 0, next)
		d.session.mu.Lock()
		d.unconfirmed = 1 << 20
		d.session.mu.Unlock()
		n := d.quietly(5 * time.Second)
		live := 0
		var last time.Duration
		for _, s := range d.take() {
			p, ok := placedOf(t, s)
			if !ok {
				continue
			}
			if p.historical {
				t.Fatal("history on a full connection")
			}
			if gap := s.after - last; last > 0 && gap > 520*time.Millisecond {
				t.Errorf("%v without a live message", gap)
			}
			last = s.after
			live += len(p.samples)
		}
		if live < n-12 {
			t.Errorf("%d of %d live readings while history waits", live, n)
		}
		d.session.mu.Lock()
		d.unconfirmed = 0
		d.session.mu.Unlock()
		time.Sleep(2 * time.Second)
		v := newServer(t)
		v.asked = []backlog.Request{{From: 0, To: next}}
		v.take(d.take())
		if len(v.asked) > 0 {
			t.Errorf("history does not go on: %+v", v.asked)
		}
	})
}

// A step of the clock: no batch mixes epochs, what was read before it is kept under its own and comes when it is asked for.
func TestEpochsInTheJournal(t *testing.T) {
	for _, by := range []time.Duration{time.Hour, -time.Hour} {
		t.Run(by.String(), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d := deepStart(t, journal.Dir(t.TempDir()))
				defer d.end()
				d.connect()
				d.quietly(time.Second)
				time.Sleep(20 * time.Millisecond)
				d.take()
				old := d.clock.Epoch()
				a := d.read("alder", points.Vessel, 0.5) // waits for the flush
				late := points.Sample{Point: points.Hose, Quality: points.Good, At: d.clock.Now(), Value: 5}
				d.step(by)
				b := d.read("alder", points.Vessel, 0.6)
				d.Uplink.Sample("alder", late) // stamped before the step, handed on after it
				d.quietly(time.Second)
				d.end()
				if by > 0 && d.clock.Epoch() <= old {
					t.Fatal("no step")
				}
				epochs := map[string]uint64{}
				for _, r := range d.records(t) {
					for name, s := range map[string]points.Sample{"a": a, "b": b, "late": late} {
						if r.s.At == s.At && r.s.Point == s.Point {
							epochs[name] = r.epoch
						}
					}
				}
				if epochs["a"] != old || epochs["late"] != old || epochs["b"] != d.clock.Epoch() {
					t.Errorf("kept under %v; the epochs are %d and %d", epochs, old, d.clock.Epoch())
				}
				for _, s := range d.take() {
					p, ok := placedOf(t, s)
					if ok && (p.epoch != d.clock.Epoch() || p.samples[0].At == a.At) {
						t.Errorf("live of an epoch that is over: %+v", p)
					}
				}
				if d.lostCount() != 0 {
					t.Errorf("%d lost", d.lostCount())
				}
			})
		})
	}
}

// The backlog of a pot that is told dead, and of one that is configured no more.
func TestBacklogOfTheDead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := deepStart(t, journal.Dir(t.TempDir()))
		defer d.end()
		strange := []points.Sample{{Point: points.Vessel, Quality: points.Good, At: d.clock.Now(), Value: 1}, {Point: points.Vessel, Quality: points.Good, At: d.clock.Now() + 9, Value: 2}}
		if _, ok := d.journal.Append("gone", d.clock.Epoch(), strange); !ok {
			t.Fatal("refused")
		}
		if _, ok := d.journal.Append("alder", d.clock.Epoch(), []points.Sample{{Point: points.Nozzle, Quality: points.Good, At: d.clock.Now()}}); !ok {
			t.Fatal("refused")
		}
		d.quietly(15 * time.Minute) // so that it takes longer than a beat
		time.Sleep(3 * time.Second) // silent
		d.connect()
		time.Sleep(time.Second)
		if k := kinds(d.take()); strings.Count(k, "DDEATH") != 2 || strings.Contains(k, "DDATA") {
			t.Fatalf("silent pots: %s", k)
		}
		next := d.journal.Status().Next
		v := newServer(t)
		v.asked = []backlog.Request{{From: 0, To: next}}
		d.ask(d.id(), 0, next/2) // window by window, as a server does
		time.Sleep(2 * time.Second)
		d.ask(d.id(), next/2, next)
		v.asked = []backlog.Request{{From: 0, To: next / 2}, {From: next / 2, To: next}}
		time.Sleep(7 * time.Second)
		out := d.take()
		v.take(out)
		var life []string
		for _, s := range out {
			if s.kind != "DDATA" && s.kind != "NDATA" {
				life = append(life, s.kind+" "+s.pot)
			}
		}
		slices.Sort(life)
		if len(v.asked) > 0 || len(v.void) != 3 || !v.void[0] || !v.void[2] || uint64(len(v.records)) != next-3 {
			t.Errorf("left %+v, void %v, %d of %d", v.asked, v.void, len(v.records), next)
		}
		if got := strings.Join(life, ", "); got != "DBIRTH alder, DBIRTH birch, DDEATH alder, DDEATH birch" {
			t.Errorf("lives: %s", got)
		}
		if last := out[len(out)-1].kind; last != "DDEATH" {
			t.Errorf("the last word is a %s", last)
		}
	})
}

// What an agent read last, before it was told to end, is in the journal.
func TestEndInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		path := t.TempDir()
		d := deepStart(t, journal.Dir(path))
		d.quietly(time.Second)
		last := d.read("alder", points.Hose, 77)
		d.end()
		again := deepStart(t, journal.Dir(path))
		defer again.end()
		found := 0
		for _, r := range again.records(t) {
			if r.s.At == last.At && r.s.Point == points.Hose {
				found++
			}
		}
		if st := again.journal.Status(); found != 1 || st.Recovered.Positions != 0 {
			t.Errorf("found %d times: %+v", found, st)
		}
	})
}

var errWhole = errors.New("no space left on device")

// A broken folder can be read, and not written; a slow one holds writes up.
type broken struct {
	journal.Folder
	held chan struct{} // nil: writes fail
}

func (b broken) Create(name string) (journal.File, error) {
	if b.held == nil && strings.HasSuffix(name, ".segment") {
		return nil, errWhole
	}
	f, err := b.Folder.Create(name)
	if strings.HasPrefix(name, "slate") {
		return f, err
	}
	return brokenFile{f, b.held}, err
}

type brokenFile struct {
	journal.File
	held chan struct{}
}

func (b brokenFile) WriteAt(p []byte, off int64) (int, error) {
	if off > 0 {
		<-b.held
	}
	return b.File.WriteAt(p, off)
}

// Without positions it goes as it did without a journal: live ones go out, late ones as history.
func TestJournalRefuses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := deepStart(t, broken{Folder: journal.Dir(t.TempDir())})
		defer d.end()
		d.connect()
		n := d.quietly(3 * time.Second)
		d.session.mu.Lock()
		d.held = make(chan struct{})
		held := d.held
		d.session.mu.Unlock()
		n += d.quietly(3 * time.Second)
		d.session.mu.Lock()
		d.held = nil
		d.session.mu.Unlock()
		close(held)
		n += d.quietly(time.Second)
		d.end()
		got, late := 0, 0
		for _, s := range d.take() {
			if _, ok := placedOf(t, s); ok {
				t.Fatal("a position that the journal has not given")
			}
			if s.kind == "DDATA" {
				got += len(s.readings())
				if s.ms[0].Historical {
					late += len(s.readings())
				}
			}
		}
		if got != n || late == 0 || d.lostCount() != 0 {
			t.Errorf("%d of %d sent, %d late, %d lost", got, n, late, d.lostCount())
		}
	})
}

// A disk that hangs holds up live readings by a quarter of a second at most, and reading not at all.
func TestSlowDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		held := make(chan struct{})
		d := deepStart(t, broken{journal.Dir(t.TempDir()), held})
		d.connect()
		d.quietly(600 * time.Millisecond)
		d.take()
		began := time.Now()
		n := d.quietly(5 * time.Second)
		if took := time.Since(began); took > 5100*time.Millisecond {
			t.Errorf("reading for 5 s took %v", took)
		}
		worst, got := time.Duration(0), 0
		for _, s := range d.take() {
			if p, ok := placedOf(t, s); ok {
				got += len(p.samples)
				worst = max(worst, d.session.start.Add(s.after).Sub(p.samples[0].At.Time()))
			}
		}
		if got < n-20 || worst > 900*time.Millisecond {
			t.Errorf("%d of %d sent, up to %v old", got, n, worst)
		}
		if c := strings.Count(d.log.String(), "disk is slow"); c != 1 {
			t.Errorf("told %d times", c)
		}
		close(held)
		d.end()
		if st := d.journal.Status(); st.Synced != st.Next {
			t.Errorf("%+v", st)
		}
	})
}

// The guard's word goes alone, without positions.
func TestWordHasNoPosition(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := deepStart(t, journal.Dir(t.TempDir()))
		defer d.end()
		d.connect()
		d.quietly(600 * time.Millisecond)
		time.Sleep(500 * time.Millisecond)
		d.take()
		d.say(vent.Pressurised)
		time.Sleep(100 * time.Millisecond)
		out := d.take()
		slices.SortFunc(out, func(a, b sent) int { return cmp.Compare(a.pot, b.pot) })
		if kinds(out) != "DDATA alder, DDATA birch" || len(out[0].ms) != 1 {
			t.Errorf("sent %s", kinds(out))
		}
	})
}
