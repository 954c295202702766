// Package uplink brings an agent's readings to the broker: batches for each pot, quick where something happens or should (a vessel
// that stands still after its handle has moved, or its hose has lost its pressure where no handle is read), with the guard's word in each; births, deaths and returns of pots; echoes by which the server tells their age; what is
// counted of the serial lines.
//
// # Journal
//
// Readings go into the journal at each flush, session or none, and into a message only after that, when they are in the hands
// of the operating system: a message so never has a position that a killed agent would not know of. What is over a second old
// then, or finds no session, is not sent by itself; the server sees from the positions that it has not got it, and asks
// (package backlog says how that is answered). Until the flush, readings stand on the slate, written anew as each comes, so that a kill
// costs what was read since the last writing, about one request's readings. A disk that takes longer than 250 ms for a
// write holds nothing up: the readings then go out with their positions all the same, and a kill within that stall may lose
// some of them or, in the worst case, give them a second position.
//
// Without a journal, or where it refuses, readings go out without positions; what is over a second old is marked as
// historical, and what finds no session is lost, and counted.
package uplink

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"gritwatch/agent/internal/backlog"
	"gritwatch/agent/internal/journal"
	"gritwatch/agent/internal/journal/slate"
	"gritwatch/internal/edgenode"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// Limits of the contract with the server.
const (
	Silence  = 2 * time.Second  // a pot of which no point answered for so long is told dead
	Late     = time.Second      // a reading older than this at hand-off is historical
	Move     = 3.5 * si.KPa     // of vessel or control: to be told at once
	hoseLost = 35 * si.KPa      // by so much the hose point falls at a release and hardly else; common practice, no source
	stirred  = 10 * time.Second // after a release, that the vessel does not move is news, too: its vent may have stalled
	gather   = 50 * time.Millisecond
	beat     = 100 * time.Millisecond
	capacity = 3000 // readings waiting for a pot: ten times what a slow broker may hold up

	// StandEvery is how often is told how the journal stands.
	StandEvery = time.Minute

	lentFor     = 5 * time.Second        // a silent pot stays born after its backlog: more of it may be asked for
	writeWithin = 250 * time.Millisecond // the disk's time, after which readings go out all the same
)

// A Session is the edge node, online or not. *edgenode.Node is one.
type Session interface {
	PublishNode(ms []sparkplug.Metric) error
	PublishDevice(device string, ms []sparkplug.Metric) error
	BirthDevice(device string, ms []sparkplug.Metric) error
	KillDevice(device string) error
	Rebirth()
	Waiting() int // bytes that were sent and are still on their way, as far as is known
}

// A Clock is the agent's time, now and the epoch it belongs to.
type Clock interface {
	Read() (si.Instant, uint64)
}

// A Pot is what the uplink uses of a configured pot.
type Pot struct {
	Name     string
	Points   points.Set
	Electric bool   // the handle is a switch
	Digest   string // of the configuration that the guard judges by
}

// Events are told as they happen; nil funcs are not called. They must not block.
type Events struct {
	Lost func(pot string, readings int) // without having been published
}

// Options of an uplink. Pots, Clock and Word are needed.
type Options struct {
	Pots      []Pot
	Clock     Clock
	Word      func(pot string) vent.Word // the guard's, now
	Flush     time.Duration              // 0: 500 ms
	SessionID string                     // random, new with every start
	Simulated bool                       // the sources are simulated
	Lines     func() []points.Line       // what is counted of the serial lines, now, always as many; nil: nothing
	Journal   *journal.Journal           // its Run outlives the uplink's; nil: none
	Slate     *slate.Slate               // of the journal; nil: none
	Log       *slog.Logger               // nil: silent
	Events    Events
}

// An Uplink gathers readings and publishes them. All but Run is safe for concurrent use, and waits for neither network nor
// disk, but for Command, which may wait for the network.
type Uplink struct {
	o     Options
	wake  chan struct{}
	jot   chan struct{} // the slate is to be written
	asked chan struct{} // there is a request

	mu        sync.Mutex
	pots      []*pot
	names     map[string]*pot
	epoch     uint64        // of the last births; 0: there were none
	lost      int           // since the last message that went out
	toldLines []points.Line // of the serial lines, as the server has them; nil: there were no births
	clock     epochs
	floor     uint64 // no reading that stands on the slate has a position before it, while taken are not empty
	requests  backlog.Queue
	session   uint64 // counts their ends

	answers answers // of Run's goroutine
	slow    time.Time
}

// epochs are the clock's last two, as far as readings came in them; 0: none.
type epochs struct{ now, before uint64 }

// A pot's readings on their way. Guarded by Uplink.mu.
type pot struct {
	Pot
	waiting  []entry
	taken    []entry   // appended to the journal, and not known to be written
	lent     time.Time // when it was silent and last had its backlog told, for which it was born
	newest   [points.Count]points.Sample
	epochs   [points.Count]uint64 // of newest; 0: none yet
	told     [points.Count]points.Sample
	answered time.Time
	moved    time.Time // when the control last did; without one, when the hose last lost its pressure
	urgent   bool
	word     vent.Word // as last published
	spoken   bool
}

type entry struct {
	s     points.Sample
	got   time.Time
	age   time.Duration // when got
	epoch uint64
}

func (e entry) late(now time.Time) bool { return e.age+now.Sub(e.got) > Late }

// New is an uplink; pots count as having answered now.
func New(o Options) *Uplink {
	if o.Flush == 0 {
		o.Flush = 500 * time.Millisecond
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	u := &Uplink{o: o, wake: make(chan struct{}, 1), jot: make(chan struct{}, 1), asked: make(chan struct{}, 1), names: make(map[string]*pot, len(o.Pots))}
	for _, p := range o.Pots {
		n := &pot{Pot: p, answered: time.Now()}
		u.pots = append(u.pots, n)
		u.names[p.Name] = n
	}
	return u
}

// Sample takes one reading of a pot, just read; unknown pots are ignored.
func (u *Uplink) Sample(name string, s points.Sample) {
	now, epoch := u.o.Clock.Read()
	u.mu.Lock()
	defer u.mu.Unlock()
	p := u.names[name]
	if p == nil || int(s.Point) >= points.Count || !p.Points.Has(s.Point) { // none but those it is born with
		return
	}
	if epoch != u.clock.now {
		u.clock = epochs{epoch, u.clock.now}
	}
	age := now.Sub(s.At)
	if age < -Late || uint64(s.At) < epoch { // stamped in an epoch that is over
		if epoch = u.clock.before; epoch == 0 || u.o.Journal == nil {
			u.drop(p, 1)
			return
		}
		age = 2 * Late
	}
	if s.Quality != points.NoReply {
		p.answered = time.Now()
	}
	if len(p.waiting) >= capacity {
		n := capacity / 10
		p.waiting = p.waiting[:copy(p.waiting, p.waiting[n:])]
		u.drop(p, n)
	}
	p.waiting = append(p.waiting, entry{s, time.Now(), max(0, age), epoch})
	if p.urgentNow(s) {
		p.urgent = true
		u.Wake()
	}
	p.newest[s.Point], p.epochs[s.Point] = s, epoch
	signal(u.jot)
}

func signal(c chan<- struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// urgentNow tells whether a reading is to be told within 100 ms.
func (p *pot) urgentNow(s points.Sample) bool {
	before := p.newest[s.Point]
	moved := float64(s.Value - p.told[s.Point].Value)
	moves := s.Quality != points.NoReply && (moved > Move || moved < -Move)
	handle := s.Point == points.Control && (moves || s.Pressed != before.Pressed)
	hose := s.Point == points.Hose && !p.Points.Has(points.Control) && s.Quality == points.Good && moved < -hoseLost
	if handle || hose {
		p.moved = time.Now()
	}
	switch {
	case s.Quality != before.Quality || s.Pressed != before.Pressed:
		return true
	case s.Point == points.Vessel && s.Quality != points.NoReply && !p.moved.IsZero() && time.Since(p.moved) < stirred:
		return true
	}
	return moves && (s.Point == points.Vessel || s.Point == points.Control)
}

// Wake has what is urgent, or a changed word of the guard, published within 100 ms.
func (u *Uplink) Wake() { signal(u.wake) }

// drop counts readings that will never be published; with mu held.
func (u *Uplink) drop(p *pot, n int) {
	if n == 0 {
		return
	}
	u.lost += n
	if u.o.Events.Lost != nil {
		u.o.Events.Lost(p.Name, n)
	}
}

// Run publishes until ctx ends, then what still waits, which it also appends to the journal.
func (u *Uplink) Run(ctx context.Context, s Session) error {
	var chalk sync.WaitGroup
	chalk.Go(func() { u.keepSlate(ctx) })
	defer func() {
		chalk.Wait()
		u.writeSlate() // nothing waits any more
	}()
	defer u.answers.end()
	flush, pulse, lines, stand := time.NewTicker(u.o.Flush), time.NewTicker(beat), time.NewTicker(LinesEvery), time.NewTicker(StandEvery)
	defer flush.Stop()
	defer pulse.Stop()
	defer lines.Stop()
	defer stand.Stop()
	var soon, next <-chan time.Time // something urgent; the next part of an answer
	for {
		select { // readings of now come first
		case <-ctx.Done():
			u.publish(s, func(*pot) bool { return true })
			return nil
		case <-flush.C:
			u.publish(s, func(*pot) bool { return true })
			continue
		case <-soon:
			soon = nil
			u.publish(s, func(p *pot) bool { return p.urgent || !p.spoken || p.word != u.o.Word(p.Name) })
			continue
		default:
		}
		select {
		case <-ctx.Done():
		case <-flush.C:
			u.publish(s, func(*pot) bool { return true })
		case <-u.wake:
			if soon == nil {
				soon = time.After(gather)
			}
		case <-soon:
			soon = nil
			u.publish(s, func(p *pot) bool { return p.urgent || !p.spoken || p.word != u.o.Word(p.Name) })
		case <-pulse.C:
			u.bury(s)
		case <-lines.C:
			u.tellLines(s)
		case <-stand.C:
			u.tellStand(s)
		case <-u.asked:
			if next == nil {
				next = time.After(0)
			}
		case <-next:
			next = nil
			if again, wait := u.answer(s); again {
				next = time.After(wait)
			}
		}
	}
}

// bury tells pots dead that answer nothing, and asks for births where the clock has stepped.
func (u *Uplink) bury(s Session) {
	_, epoch := u.o.Clock.Read()
	u.mu.Lock()
	stepped := u.epoch != 0 && u.epoch != epoch
	var dead []string
	for _, p := range u.pots {
		if !p.silent() {
			p.lent = time.Time{}
		} else if time.Since(p.lent) > lentFor {
			dead = append(dead, p.Name)
			p.waiting = replied(p.waiting)
		}
	}
	u.mu.Unlock()
	if stepped {
		s.Rebirth()
		return
	}
	for _, name := range dead {
		if err := s.KillDevice(name); err != nil && !errors.Is(err, edgenode.ErrOffline) {
			u.o.Log.LogAttrs(context.Background(), slog.LevelWarn, "death of a pot not told", slog.String("pot", name), slog.Any("reason", err))
		}
	}
}

func (p *pot) silent() bool { return time.Since(p.answered) > Silence }

// replied is the readings up to the last one that was an answer: a pot that is told dead needs no others.
func replied(es []entry) []entry {
	for n := len(es); n > 0; n-- {
		if es[n-1].s.Quality != points.NoReply {
			return es[:n]
		}
	}
	return es[:0]
}

// publish sends what waits for the pots chosen; what is to be kept is in the journal then.
func (u *Uplink) publish(s Session, chosen func(*pot) bool) {
	var pots []*pot
	u.mu.Lock()
	for _, p := range u.pots {
		if chosen(p) {
			pots = append(pots, p)
		}
	}
	u.mu.Unlock()
	kept := u.keep(pots)
	for i, p := range pots {
		u.send(s, p, kept[i])
	}
}
