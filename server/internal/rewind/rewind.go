package rewind

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/clocks"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/history"
	"gritwatch/server/internal/keep"
	"gritwatch/server/internal/pot"
	"gritwatch/server/internal/records"
)

// A History gives what is stored.
type History interface {
	Range(ctx context.Context, q history.Query, each func(history.Record) error) error
}

// Checkpoints are those of the records.
type Checkpoints interface {
	SaveCheckpoints([]records.Checkpoint) *records.Write
	DropCheckpoints(pot string, after si.Instant) *records.Write
	CheckpointBefore(ctx context.Context, pot string, at si.Instant) (records.Checkpoint, bool, error)
}

// A Keeper knows what has arrived, and where clocks stand.
type Keeper interface {
	Placement(agent string, epoch uint64) (clocks.Placement, bool)
	Whole(ctx context.Context, agent, journal string, from, to uint64) (bool, error)
}

// A Finder is told what a rewind finds, with the agent and the epoch of the clock that times are of. Calls must not block.
type Finder interface {
	LateCycle(pot, agent string, epoch uint64, c engine.Cycle, healthy engine.Envelope, ended si.Instant)
	// Refill is told of every refill; one that the live follower has told already too.
	Refill(pot, agent string, epoch uint64, r level.Refill)
	// LateAlarms is told of conditions of a pot's alarms that have begun and ended, in stored time. The list is not to be kept.
	LateAlarms([]alarm.Found)
}

// Options of a rewinder. All are needed.
type Options struct {
	Pots        []*pot.Actor
	History     History
	Checkpoints Checkpoints
	Keeper      Keeper
	Finder      Finder
	Log         *slog.Logger
}

// Times of a rewinder.
const (
	lookEvery = time.Second
	lateQuiet = time.Second      // after the last late sample, where all has arrived
	lateMost  = 60 * time.Second // where something is still missing
	saveEvery = 30 * time.Second // each pot
	saveStep  = time.Second
	primeBy   = 8 * time.Second // how far back what follows a pot looks
	overlap   = 2 * time.Second // points of one pot may come in that order; what was seen before is passed over
)

// A Rewinder saves checkpoints, and mends what was said without late samples.
type Rewinder struct {
	o    Options
	pots map[string]*pot.Actor

	mu  sync.Mutex
	due map[string]due
}

// due is a pot whose past has changed.
type due struct {
	first si.Instant // the earliest late sample, in stored time; 0: none has come
	start bool       // of this server: from the newest checkpoint on, if not from further back
	last  time.Time  // the latest arrival
}

// New is a rewinder that begins with each pot's newest checkpoint. Run it.
func New(o Options) *Rewinder {
	r := &Rewinder{o: o, pots: map[string]*pot.Actor{}, due: map[string]due{}}
	now := time.Now()
	for _, a := range o.Pots {
		r.pots[a.Name()] = a
		r.due[a.Name()] = due{start: true, last: now}
	}
	return r
}

// String names the rewinder in logs.
func (r *Rewinder) String() string { return "rewind" }

// Late notes late samples. It does not block.
func (r *Rewinder) Late(l keep.Late) {
	p, ok := r.o.Keeper.Placement(l.Agent, l.Records.Epoch)
	if !ok {
		return
	}
	first := l.First.Add(p.Shift)
	now := time.Now()
	r.mu.Lock()
	defer r.mu.Unlock()
	d := r.due[l.Pot]
	if d.first == 0 || first < d.first {
		d.first = first
		r.o.Checkpoints.DropCheckpoints(l.Pot, first.Add(-time.Microsecond)) // so that it is not forgotten by a kill
	}
	d.last = now
	r.due[l.Pot] = d
}

// Run saves checkpoints and rewinds until ctx ends; it returns nil. The pots are saved a part of them at a time, so that ten
// thousand need neither the memory nor the disk all at once.
func (r *Rewinder) Run(ctx context.Context) error {
	const parts = int(saveEvery / saveStep)
	look, save := time.NewTicker(lookEvery), time.NewTicker(saveStep)
	defer look.Stop()
	defer save.Stop()
	for part := 0; ; {
		select {
		case <-ctx.Done():
			r.save(r.o.Pots)
			return nil
		case <-save.C:
			n := len(r.o.Pots)
			r.save(r.o.Pots[part*n/parts : (part+1)*n/parts])
			part = (part + 1) % parts
		case <-look.C:
			r.look(ctx)
		}
	}
}

// save saves a checkpoint of each of these pots that is heard and waits for no rewind.
func (r *Rewinder) save(pots []*pot.Actor) {
	var out []records.Checkpoint
	for _, a := range pots {
		r.mu.Lock()
		_, waits := r.due[a.Name()]
		r.mu.Unlock()
		if waits {
			continue // what it says of its past is not whole
		}
		if c, ok := r.checkpoint(a); ok {
			out = append(out, c)
		}
	}
	if len(out) > 0 {
		r.o.Checkpoints.SaveCheckpoints(out) // one that is not stored is made good by the next
	}
}

// look rewinds the pots that are due, one after the other.
func (r *Rewinder) look(ctx context.Context) {
	r.mu.Lock()
	var names []string
	now := time.Now()
	for name, d := range r.due {
		if now.Sub(d.last) >= lateQuiet {
			names = append(names, name)
		}
	}
	r.mu.Unlock()
	slices.Sort(names)
	for _, name := range names {
		d := r.begin(name)
		done, err := r.rewind(ctx, r.pots[name], d, time.Since(d.last) >= lateMost)
		if err != nil && ctx.Err() == nil && !errors.Is(err, history.ErrAway) {
			r.o.Log.LogAttrs(ctx, slog.LevelWarn, "late samples of a pot are stored, but cannot be judged now; trying again",
				slog.String("pot", name), slog.String("reason", err.Error()))
		}
		if !done || err != nil {
			r.again(name, d)
		}
		if ctx.Err() != nil {
			return
		}
	}
}

// begin takes what is due of a pot: what comes late from now on is another rewind's, which begins only before that.
func (r *Rewinder) begin(name string) due {
	r.mu.Lock()
	defer r.mu.Unlock()
	d := r.due[name]
	delete(r.due, name)
	return d
}

// again puts back what begin has taken.
func (r *Rewinder) again(name string, d due) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if more, ok := r.due[name]; ok {
		d.last = more.last
		if d.first == 0 || more.first < d.first {
			d.first = more.first
		}
	}
	r.due[name] = d
}
