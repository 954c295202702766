package pot

import (
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/baseline"
)

// Config is what the actor follows.
func (a *Actor) Config() Config { return a.cfg }

// told is what people have recorded of the pot; a follower that is made for a rewind hears it too.
type told struct {
	baselines baseline.Set
	services  []engine.Service
}

// Ritual is the profile of the pot's last steady blast; the zero value where there was none lately.
func (a *Actor) Ritual() baseline.Profile {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.follow.Ritual()
}

// Recorded is the instant of the newest baseline that people have recorded; 0: none.
func (a *Actor) Recorded() si.Instant {
	a.mu.Lock()
	defer a.mu.Unlock()
	return max(a.told.baselines.Laden.At, a.told.baselines.Air.At)
}

// Record takes over baselines that a person has recorded.
func (a *Actor) Record(s baseline.Set) {
	a.mu.Lock()
	defer a.mu.Unlock()
	defer a.news.Add(1)
	a.told.baselines.Put(s)
	a.follow.Record(s)
}

// Serve takes a service that a person has recorded just now, by its record's id.
func (a *Actor) Serve(id, part, work string) {
	a.mu.Lock()
	at := a.follow.Out.At
	a.mu.Unlock()
	a.Remind(engine.Service{ID: id, At: at + 1, Part: part, Work: work})
}

// Remind takes a service, once: one that was taken before, by its record's id, changes nothing.
func (a *Actor) Remind(s engine.Service) {
	a.mu.Lock()
	defer a.mu.Unlock()
	defer a.news.Add(1)
	if n := len(a.told.services); n >= engine.MostServices {
		a.told.services = a.told.services[n-engine.MostServices+1:]
	}
	a.told.services = append(a.told.services, s)
	a.follow.Serve(s)
}

// again is a follower for a rewind, with what people told.
func (a *Actor) again() *engine.Follower {
	a.mu.Lock()
	defer a.mu.Unlock()
	f := newFollower(a.cfg)
	f.Record(a.told.baselines)
	for _, s := range a.told.services {
		f.Serve(s)
	}
	return f
}
