// Package pot follows one pot: an actor takes what the field delivers, in order, through a bounded mailbox, steps the
// judge and the engine, and answers with the newest estimate at any moment.
//
// The word of the answer comes from package vent alone. This package feeds it what it asks for: the ages by the echoes
// (R6), the guard's word, and the claims of R8. Nothing here raises a word.
package pot

import (
	"context"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/figures"
)

// Config is what an actor follows.
type Config struct {
	Site  string
	Agent string
	Pot   potfile.Pot
}

// Events tell of what an actor does, for metrics and memory. Nil funcs are left out. They must not block.
type Events struct {
	Latency func(time.Duration) // of the newest sample of a live batch at its arrival, worst case
	Dropped func()              // the mailbox was full
	Faulty  func(pot string)    // the vessel gauge was proven outside its declared error (R1); once

	// Sample is told of every live sample whose age is known, with the handle as it is after it, both on the server's clock.
	Sample func(context.Context, points.Sample, vent.Handle)
	// Cycle is told of every cycle that was completed, with what its vent was judged by and the instant at which it ended. Times are of
	// the agent's clock, in the epoch given.
	Cycle func(pot, agent string, epoch uint64, c engine.Cycle, healthy engine.Envelope, ended si.Instant)
	// Refill is told of every refill that was seen, by its first press.
	Refill func(pot, agent string, epoch uint64, r level.Refill)
	// Alarm is told of conditions that have begun and ended, in stored time. The list is the actor's: it is not to be kept. The actor's
	// lock is held, so nothing of the actor may be called.
	Alarm func([]alarm.Found)
}

// Options of an actor. Start and Log are needed.
type Options struct {
	Start  time.Time // origin of the monotonic time, with its monotonic reading
	Log    *slog.Logger
	Events Events
	Faulty bool // the gauge was proven faulty before the server started; it can only lower the word

	Assume  []alarm.Key                                    // conditions that stood before the server started
	Shift   func(agent string, epoch uint64) time.Duration // stored time less the agent's; nil: none
	Crossed func() string                                  // the pot whose gauge seems to be exchanged with one of this; empty: none. nil: nobody looks
}

// refusedFor is how long data of another agent, or of a second session, keeps the pot not proven (R8).
const refusedFor = 60 * time.Second

// clockParted is how far wall and monotonic time may part between two events. More: the machine slept, or its clock was
// set; as monotonic time may stand still in sleep, ages are not known until the next echo.
const clockParted = time.Second

// An Actor follows one pot. Put and PutEcho may be called from one goroutine, Estimate from any.
type Actor struct {
	cfg   Config
	opts  Options
	own   string // digest of the server's configuration
	about figures.Pot
	box   *mailbox
	news  atomic.Uint64

	mu       sync.Mutex
	follow   *engine.Follower
	clock    vent.Clock
	answer   vent.Answer
	guard    vent.Answer
	faulty   bool
	born     bool
	received time.Time // of the newest event or echo

	session   string
	epoch     uint64
	journal   string // of the agent, as the newest readings told; empty: none
	next      uint64 // the record of it behind them
	digest    string
	simulated bool

	refusedAgent   time.Time // last message of another agent; zero: none
	refusedSession time.Time // of a second session

	alarms     alarms
	simulation atomic.Bool // simulated, for those who may not wait

	held held
	told told
}

// New is an actor that has heard nothing. Run it.
func New(c Config, o Options) *Actor {
	e := &o.Events
	if e.Cycle == nil {
		e.Cycle = func(string, string, uint64, engine.Cycle, engine.Envelope, si.Instant) {}
	}
	if e.Refill == nil {
		e.Refill = func(string, string, uint64, level.Refill) {}
	}
	a := &Actor{cfg: c, opts: o, own: c.Pot.Vent().Digest(), about: figures.Of(c.Pot), box: newMailbox(), follow: newFollower(c), alarms: newAlarms(c, o.Assume)}
	if o.Faulty {
		a.faulty = true
		a.follow.Judge.MarkFaulty()
	}
	a.answer = a.follow.Judge.Answer()
	return a
}

// String names the actor in logs.
func (a *Actor) String() string { return "pot " + a.cfg.Pot.Name }

// Name is the pot's.
func (a *Actor) Name() string { return a.cfg.Pot.Name }

// Agent is the one that the configuration binds the pot to.
func (a *Actor) Agent() string { return a.cfg.Agent }

// Ready tells whether the mailbox keeps up.
func (a *Actor) Ready() bool { return !a.box.full() }

// Put hands over an event; it never blocks. A full mailbox drops readings, which leaves a gap.
func (a *Actor) Put(e feed.Event) { a.put(letter{event: e}) }

// PutEcho hands over an echo of the pot's agent.
func (a *Actor) PutEcho(e feed.Echo) { a.put(letter{echo: &e}) }

func (a *Actor) put(l letter) {
	if !a.box.put(l) && a.opts.Events.Dropped != nil {
		a.opts.Events.Dropped()
	}
}

// Run takes from the mailbox until ctx ends; it returns nil.
func (a *Actor) Run(ctx context.Context) error {
	var spare []letter
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-a.box.notify:
			queue, burst := a.box.take(spare)
			for i := range queue {
				a.take(ctx, &queue[i])
			}
			if burst {
				a.lostTrack(ctx)
			}
			spare = queue
		}
	}
}

// News counts what was taken from the mailbox, and whatever else has changed what is said of the pot but time.
func (a *Actor) News() uint64 { return a.news.Load() }

// take handles one letter.
func (a *Actor) take(ctx context.Context, l *letter) {
	a.mu.Lock()
	defer a.mu.Unlock()
	defer a.news.Add(1)
	at := l.event.Received
	if l.echo != nil {
		at = l.echo.Received
	}
	if parted(a.received, at) {
		a.clock.Reset()
	}
	a.received = at
	if l.echo != nil {
		a.takeEcho(l.echo)
		return
	}
	a.takeEvent(ctx, &l.event)
	a.answer = a.follow.Judge.Answer()
	if n := len(l.event.Samples); n > 0 && l.event.Kind == feed.Data {
		a.watch(at, l.event.Samples[n-1].At)
	} else {
		a.watch(at, 0)
	}
	if !a.faulty && a.follow.Judge.Faulty() {
		a.faulty = true
		a.opts.Log.LogAttrs(ctx, slog.LevelWarn, "vessel gauge is outside its declared error; record a zero or a service",
			slog.String("pot", a.cfg.Pot.Name))
		if a.opts.Events.Faulty != nil {
			a.opts.Events.Faulty(a.cfg.Pot.Name)
		}
	}
}

// parted tells whether wall time ran ahead of monotonic time between two instants.
func parted(from, to time.Time) bool {
	return !from.IsZero() && to.Round(0).Sub(from.Round(0))-to.Sub(from) > clockParted
}

func (a *Actor) takeEcho(e *feed.Echo) {
	if e.Agent != a.cfg.Agent || e.Session != a.session || e.Epoch != a.epoch {
		return // of a session or a time base that this pot has not been born into, or has left
	}
	a.clock.Add(e.Sent.Sub(a.opts.Start), e.Received.Sub(a.opts.Start), e.AgentAt)
}

func (a *Actor) takeEvent(ctx context.Context, e *feed.Event) {
	switch e.Kind {
	case feed.Birth:
		a.join(e)
	case feed.Data:
		a.join(e)
		if e.Records.Journal != "" {
			a.journal, a.next = e.Records.Journal, e.Records.To
		} else {
			a.journal, a.next = "", 0
		}
		a.step(ctx, e)
		a.keepBeside(e)
	case feed.Death:
		if a.born {
			a.opts.Log.LogAttrs(ctx, slog.LevelInfo, "pot fell silent", slog.String("pot", a.cfg.Pot.Name), slog.String("reason", e.Reason))
		}
		a.born = false
		a.guard = vent.Answer{}
		a.follow.Break(vent.SourceSilent)
	case feed.Contest:
		switch {
		case e.SecondSession && !e.Heard.IsZero():
			a.refusedSession = e.Heard // what was refused since was of the session that is believed now
		case e.SecondSession:
			a.refusedSession = e.Received
		default:
			a.refusedAgent = e.Received
		}
	case feed.LateData:
		// They are stored, and a rewind sees what they change.
	}
}

// join takes over session, time base and configuration, and ends the run where one of them is new.
func (a *Actor) join(e *feed.Event) {
	if e.Session != a.session {
		a.follow.Break(vent.NewSession)
	} else if e.Epoch != a.epoch {
		a.follow.Break(vent.ClockStep)
	}
	if e.Session != a.session || e.Epoch != a.epoch {
		a.clock.Reset()
		a.follow.Reset()
		a.guard = vent.Answer{}
		a.alarms.at, a.alarms.sample = 0, 0
	}
	if a.digest != "" && e.Digest != a.digest {
		a.follow.Break(vent.Reconfigured)
	}
	a.session, a.epoch, a.digest, a.simulated = e.Session, e.Epoch, e.Digest, e.Simulated
	a.simulation.Store(e.Simulated)
	a.born = true
}

func (a *Actor) step(ctx context.Context, e *feed.Event) {
	by, shared := a.toServer(e)
	a.alarms.shift = 0
	if a.opts.Shift != nil {
		a.alarms.shift = a.opts.Shift(a.cfg.Agent, a.epoch)
	}
	for i, s := range e.Samples {
		if i > 0 && s.At.Sub(a.alarms.sample) > stepApart && s.At > e.Samples[i-1].At {
			a.answer = a.follow.Judge.Answer()
			a.watch(e.Received, e.Samples[i-1].At)
		}
		cycles, refills := a.follow.Out.Cycles, a.follow.Out.Level.Refills
		a.follow.Step(s)
		if shared {
			a.share(ctx, s, by)
		}
		if a.follow.Out.Cycles != cycles {
			a.opts.Events.Cycle(a.cfg.Pot.Name, a.cfg.Agent, a.epoch, a.follow.Out.Cycle, a.follow.Judged(), a.follow.Out.At)
		}
		if l := &a.follow.Out.Level; l.Refills != refills {
			a.opts.Events.Refill(a.cfg.Pot.Name, a.cfg.Agent, a.epoch, l.Refill)
		}
	}
	if e.GuardAt != 0 && e.GuardAt >= a.guard.At {
		// A word that is none counts as not proven.
		word, err := vent.ParseWord(e.Guard)
		if err != nil {
			word = vent.NotProven
		}
		if e.GuardAt == a.guard.At {
			word = vent.Worse(word, a.guard.Word)
		}
		a.guard = vent.Answer{Word: word, At: e.GuardAt}
	}
	if n := len(e.Samples); n > 0 && a.opts.Events.Latency != nil {
		if age, ok := a.clock.Age(e.Samples[n-1].At, e.Received.Sub(a.opts.Start)); ok && age >= 0 {
			a.opts.Events.Latency(age)
		}
	}
}

// lostTrack is what remains to be said when births, deaths or contests were dropped: everything that lowers the word.
func (a *Actor) lostTrack(ctx context.Context) {
	a.mu.Lock()
	defer a.mu.Unlock()
	defer a.news.Add(1)
	a.opts.Log.LogAttrs(ctx, slog.LevelError, "pot's mailbox overflowed", slog.String("pot", a.cfg.Pot.Name))
	a.follow.Break(vent.SourceSilent)
	a.clock.Reset()
	a.born, a.guard = false, vent.Answer{}
	a.refusedAgent, a.refusedSession = a.received, a.received
	a.answer = a.follow.Judge.Answer()
	a.watch(a.received, 0)
}
