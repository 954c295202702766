package app

import (
	"sort"
	"time"

	"gritwatch/protocol/live"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/keep"
	"gritwatch/server/internal/metrics"
	"gritwatch/server/internal/pot"
)

// A fleet is all pots of the site: it hands what comes from the field to the pots it concerns, and gives their estimates.
type fleet struct {
	actors  map[string]*pot.Actor
	byAgent map[string][]*pot.Actor
	names   []string // sorted
}

func newFleet(actors []*pot.Actor) *fleet {
	f := &fleet{actors: map[string]*pot.Actor{}, byAgent: map[string][]*pot.Actor{}}
	for _, a := range actors {
		f.actors[a.Name()] = a
		f.byAgent[a.Agent()] = append(f.byAgent[a.Agent()], a)
		f.names = append(f.names, a.Name())
	}
	sort.Strings(f.names)
	return f
}

// A sink hands what comes from the field to the pots, the keeper, the attendance and the metrics.
type sink struct {
	*fleet
	keeper     *keep.Keeper
	attendance *attendance
	metrics    *metrics.Metrics
}

// Event hands an event to its pot and to the keeper; both only read its samples.
func (s sink) Event(e feed.Event) {
	s.attendance.event(&e)
	s.keeper.Event(e)
	s.fleet.Event(e)
}

// Echo hands an echo to all.
func (s sink) Echo(e feed.Echo) {
	s.attendance.heard(e.Agent, e.Received)
	s.keeper.Echo(e)
	s.fleet.Echo(e)
	s.metrics.Echo(e)
}

// Journal hands on what an agent says of its journal.
func (s sink) Journal(j feed.Journal) {
	s.attendance.heard(j.Agent, j.Received)
	s.keeper.Journal(j)
}

// Lines hands on what an agent counts of its serial lines.
func (s sink) Lines(l feed.Lines) { s.metrics.Lines(l) }

// Event hands an event to its pot.
func (f *fleet) Event(e feed.Event) {
	if a := f.actors[e.Pot]; a != nil {
		a.Put(e)
	}
}

// Echo hands an echo to all pots of its agent.
func (f *fleet) Echo(e feed.Echo) {
	for _, a := range f.byAgent[e.Agent] {
		a.PutEcho(e)
	}
}

// Names are those of all pots, sorted. The caller must not change the slice.
func (f *fleet) Names() []string { return f.names }

// News counts what has come for a pot.
func (f *fleet) News(name string) uint64 {
	if a := f.actors[name]; a != nil {
		return a.News()
	}
	return 0
}

// Estimate is what can be said of a pot at now.
func (f *fleet) Estimate(name string, now time.Time) (live.Pot, bool) {
	a := f.actors[name]
	if a == nil {
		return live.Pot{}, false
	}
	return a.Estimate(now), true
}

// Vent is the vent of a pot since its last release, until the next press; nil: there is none.
func (f *fleet) Vent(name string) *live.RunningVent {
	if a := f.actors[name]; a != nil {
		return a.Vent()
	}
	return nil
}
