package app

import (
	"slices"

	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/config"
	"gritwatch/server/internal/live"
	"gritwatch/server/internal/metrics"
	"gritwatch/server/internal/notify"
	"gritwatch/server/internal/pot"
)

// A notifier tells outside of what becomes of alarms, in the order of the board. It never waits.
type notifier interface{ Notice(notify.Notice) }

// tellers take changes of alarms to the pages, outside, and back to the pots' detectors. What comes before begin, as the desk takes over
// the records, is told outside once there is somebody to tell it.
type tellers struct {
	fleet   *fleet
	hub     *live.Hub
	outside notifier
	early   []notify.Notice
}

// begin ends the time of the start, before anything runs.
func (t *tellers) begin(f *fleet, h *live.Hub, outside notifier) {
	t.fleet, t.hub, t.outside = f, h, outside
	for _, n := range t.early {
		n.Simulated = t.simulated(n.Change.Key)
		outside.Notice(n)
	}
	t.early = nil
}

func (t *tellers) tell(c alarm.Change, agent string) {
	n := notify.Notice{Change: c, Agent: agent}
	if t.outside == nil {
		t.early = append(t.early, n)
		return
	}
	n.Simulated = t.simulated(c.Key)
	t.outside.Notice(n)
}

// simulated tells whether the readings of a pot, or of all pots of an agent, come from a simulator, as far as is known.
func (t *tellers) simulated(k alarm.Key) bool {
	if a := t.fleet.actors[k.Pot]; a != nil {
		return a.Simulated()
	}
	of := t.fleet.byAgent[k.Agent]
	return len(of) > 0 && !slices.ContainsFunc(of, func(a *pot.Actor) bool { return !a.Simulated() })
}

func (t *tellers) changed() {
	if t.hub != nil {
		t.hub.Changed()
	}
}

func (t *tellers) assume(k alarm.Key) {
	if a := t.fleet.actors[k.Pot]; a != nil {
		a.Assume(k)
	}
}

func (t *tellers) ease(k alarm.Key) bool {
	a := t.fleet.actors[k.Pot]
	return a != nil && a.Ease(k)
}

// receivers is how it goes with those who are told outside, for the metrics.
func receivers(d *notify.Dispatcher) []metrics.Receiver {
	var out []metrics.Receiver
	for _, s := range d.Stats() {
		out = append(out, metrics.Receiver{Name: s.Receiver, Kind: s.Kind, Sent: s.Sent, Failed: s.Failed, Dropped: s.Dropped, Waiting: s.Waiting})
	}
	return out
}

// units are the pots with their agents.
func units(pots []config.Pot) []alarm.Unit {
	var out []alarm.Unit
	for _, p := range pots {
		out = append(out, alarm.Unit{Pot: p.Name, Agent: p.Agent})
	}
	return out
}
