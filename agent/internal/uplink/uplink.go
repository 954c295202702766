// Package uplink brings an agent's readings to the broker: batches for each pot, quick where something happens,
// with the guard's word in each; births, deaths and returns of pots; echoes by which the server tells their age; what is
// counted of the serial lines.
//
// There is no journal: what comes while there is no session is lost, and counted.
package uplink

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"gritwatch/internal/edgenode"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// Limits of the contract with the server.
const (
	Silence  = 2 * time.Second // a pot of which no point answered for so long is told dead
	Late     = time.Second     // a reading older than this at hand-off is historical
	Move     = 3.5 * si.KPa    // of vessel or control: to be told at once
	gather   = 50 * time.Millisecond
	beat     = 100 * time.Millisecond
	capacity = 3000 // readings waiting for a pot: ten times what a slow broker may hold up
)

// A Session is the edge node, online or not. *edgenode.Node is one.
type Session interface {
	PublishNode(ms []sparkplug.Metric) error
	PublishDevice(device string, ms []sparkplug.Metric) error
	BirthDevice(device string, ms []sparkplug.Metric) error
	KillDevice(device string) error
	Rebirth()
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
	Log       *slog.Logger               // nil: silent
	Events    Events
}

// An Uplink gathers readings and publishes them. Sample, Wake, Births and Command are safe for concurrent use and
// never wait for the network, but for Command.
type Uplink struct {
	o    Options
	wake chan struct{}

	mu        sync.Mutex
	pots      []*pot
	names     map[string]*pot
	epoch     uint64        // of the last births; 0: there were none
	lost      int           // since the last message that went out
	toldLines []points.Line // of the serial lines, as the server has them; nil: there were no births
}

// A pot's readings on their way. Guarded by Uplink.mu.
type pot struct {
	Pot
	waiting  []entry
	newest   [points.Count]points.Sample
	epochs   [points.Count]uint64 // of newest; 0: none yet
	told     [points.Count]points.Sample
	answered time.Time
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
	u := &Uplink{o: o, wake: make(chan struct{}, 1), names: make(map[string]*pot, len(o.Pots))}
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
	age := now.Sub(s.At)
	if age < -Late {
		u.drop(p, 1) // stamped in an epoch that is over
		return
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
}

// urgentNow tells whether a reading is to be told within 100 ms.
func (p *pot) urgentNow(s points.Sample) bool {
	before := p.newest[s.Point]
	if s.Quality != before.Quality || s.Pressed != before.Pressed {
		return true
	}
	if s.Point != points.Vessel && s.Point != points.Control || s.Quality == points.NoReply {
		return false
	}
	moved := float64(s.Value - p.told[s.Point].Value)
	return moved > Move || moved < -Move
}

// Wake has what is urgent, or a changed word of the guard, published within 100 ms.
func (u *Uplink) Wake() {
	select {
	case u.wake <- struct{}{}:
	default:
	}
}

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

// Run publishes until ctx ends, then what still waits.
func (u *Uplink) Run(ctx context.Context, s Session) error {
	flush, pulse, lines := time.NewTicker(u.o.Flush), time.NewTicker(beat), time.NewTicker(LinesEvery)
	defer flush.Stop()
	defer pulse.Stop()
	defer lines.Stop()
	var soon <-chan time.Time
	for {
		select {
		case <-ctx.Done():
			u.publish(s, func(*pot) bool { return true })
			return nil
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
		if p.silent() {
			dead = append(dead, p.Name)
			p.waiting = p.waiting[:0] // nothing but no replies
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

// publish sends what waits for the pots chosen.
func (u *Uplink) publish(s Session, chosen func(*pot) bool) {
	for _, p := range u.pots {
		u.mu.Lock()
		take := chosen(p)
		u.mu.Unlock()
		if take {
			u.send(s, p)
		}
	}
}
