package rewind

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/clocks"
	"gritwatch/server/internal/engine"
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
	LateCycle(pot, agent string, epoch uint64, c engine.Cycle, ended si.Instant)
	LateCondition(pot, agent string, epoch uint64, at si.Instant, c vent.Condition, f vent.Finding)
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
	saveEvery = 30 * time.Second
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
	first si.Instant // the earliest late sample, in stored time; 0: from the newest checkpoint on
	last  time.Time  // the latest arrival
	since time.Time
}

// New is a rewinder that begins with each pot's newest checkpoint. Run it.
func New(o Options) *Rewinder {
	r := &Rewinder{o: o, pots: map[string]*pot.Actor{}, due: map[string]due{}}
	now := time.Now()
	for _, a := range o.Pots {
		r.pots[a.Name()] = a
		r.due[a.Name()] = due{last: now, since: now}
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
	d, ok := r.due[l.Pot]
	if !ok {
		d = due{first: first, since: now}
	}
	if d.first != 0 { // else it begins further back anyway, or at what is looked for then
		d.first = min(d.first, first)
	}
	d.last = now
	r.due[l.Pot] = d
}

// Run saves checkpoints and rewinds until ctx ends; it returns nil.
func (r *Rewinder) Run(ctx context.Context) error {
	look, save := time.NewTicker(lookEvery), time.NewTicker(saveEvery)
	defer look.Stop()
	defer save.Stop()
	for {
		select {
		case <-ctx.Done():
			r.save()
			return nil
		case <-save.C:
			r.save()
		case <-look.C:
			r.look(ctx)
		}
	}
}

// save saves a checkpoint of each pot that is heard and waits for no rewind.
func (r *Rewinder) save() {
	var out []records.Checkpoint
	for _, a := range r.o.Pots {
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
		r.mu.Lock()
		d := r.due[name]
		r.mu.Unlock()
		done, err := r.rewind(ctx, r.pots[name], d, time.Since(d.last) >= lateMost)
		if err != nil && ctx.Err() == nil {
			r.o.Log.LogAttrs(ctx, slog.LevelWarn, "late samples of a pot are stored, but cannot be judged now; trying again",
				slog.String("pot", name), slog.String("reason", err.Error()))
		}
		if ctx.Err() != nil {
			return
		}
		r.mu.Lock()
		if now := r.due[name]; done && err == nil && now.last.Equal(d.last) {
			delete(r.due, name)
		}
		r.mu.Unlock()
	}
}
