package pot

import (
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/potparams"
)

// A Checkpoint is the state of what follows a pot, between two samples.
type Checkpoint struct {
	Agent, Journal string
	Next           uint64     // the first record of the journal that is not in State; 0 without a journal
	Epoch          uint64     // Clock/Epoch
	At             si.Instant // of the newest sample in State, by the agent's clock
	State          []byte
}

// Checkpoint appends the state to dst; false while there is nothing to save: the pot is not heard.
func (a *Actor) Checkpoint(dst []byte) (Checkpoint, bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if !a.born || a.follow.Out.At == 0 {
		return Checkpoint{}, false
	}
	return Checkpoint{a.cfg.Agent, a.journal, a.next, a.epoch, a.follow.Out.At, a.follow.AppendState(dst)}, true
}

// Follower is one for this pot that has seen nothing, for a rewind.
func (a *Actor) Follower() *engine.Follower { return a.again() }

func newFollower(c Config) *engine.Follower {
	return potparams.Follower(c.Pot, 0)
}

// maxHeld bounds what is kept beside for a rewind, samples.
const maxHeld = 50_000

// held are live samples that are kept beside, for the follower that catches up.
type held struct {
	on      bool
	over    bool // there were more than maxHeld, or the pot's time base has changed
	samples []points.Sample
}

// A Present is where a pot stands when a rewind begins to catch up with it.
type Present struct {
	Agent, Journal, Session string
	Epoch                   uint64
	Next                    uint64 // the first record that is kept beside from now on
}

// Hold keeps the live samples from now on beside, until Adopt or Let. It is false while the pot is not heard.
func (a *Actor) Hold() (Present, bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if !a.born || a.follow.Out.At == 0 {
		return Present{}, false
	}
	a.held = held{on: true}
	return Present{a.cfg.Agent, a.journal, a.session, a.epoch, a.next}, true
}

// Let ends that.
func (a *Actor) Let() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.held = held{}
}

// Adopt ends what Hold began: the rewound follower, which has seen all samples up to what Hold told, is stepped over those that came
// since, and the live one takes over what it may. step steps the rewound one and tells of what it finds. Where whole is false,
// records of the agent's journal are missing in what it has seen: then only what it has found wrong counts (R7). It is
// false where nothing was taken over, as the pot has moved on, or the two do not meet yet.
func (a *Actor) Adopt(p Present, f *engine.Follower, whole bool, step func(points.Sample)) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	defer a.news.Add(1)
	h := a.held
	a.held = held{}
	if !h.on || h.over || !a.born || a.session != p.Session || a.epoch != p.Epoch {
		return false
	}
	for _, s := range h.samples {
		step(s)
	}
	if !whole {
		a.follow.Watch.Keep(f.Watch)
		a.follow.Gauges.Keep(f.Gauges)
	} else if !a.follow.Adopt(f) {
		return false
	}
	for _, s := range a.told.services {
		a.follow.Serve(s) // what was recorded meanwhile the rewound one has not heard
	}
	a.answer = a.follow.Judge.Answer()
	return true
}

// keepBeside notes live samples for a rewind.
func (a *Actor) keepBeside(e *feed.Event) {
	switch {
	case !a.held.on || a.held.over:
	case len(a.held.samples)+len(e.Samples) > maxHeld:
		a.held = held{on: true, over: true}
	default:
		a.held.samples = append(a.held.samples, e.Samples...)
	}
}
