package app

import (
	"context"
	"sync"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/desk"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/pot"
)

// attendEvery is how often agents and pots are looked at of which nothing has come.
const attendEvery = time.Second

// comeBack is how long agents that lost the server with the last run may take to come back, beyond what any silence may last: they try every
// 5 to 15 s. A start must not raise alarms that end within seconds.
const comeBack = 10 * time.Second

// clockFor is how long an echo tells where an agent's clock stands; one comes every five seconds.
const clockFor = 30 * time.Second

// An attendance knows which agents are heard. It looks at all of them and at their pots once a second, so that what falls silent is
// found. Methods may be called from any goroutine.
type attendance struct {
	desk  *desk.Desk
	pots  []*pot.Actor
	start time.Time

	mu     sync.Mutex
	agents map[string]*attended
	names  []string // in the order of the site's pots
}

// attended is one agent.
type attended struct {
	detector *alarm.AgentDetector
	pots     int
	since    time.Time // of the silence: the last message, or comeBack after the start
	heard    bool      // since the start
	died     map[string]bool
	dead     bool // the deaths of all its pots were told, and nothing came since

	clockAt      time.Time // of the last echo; zero: none
	ahead, round time.Duration
}

func newAttendance(d *desk.Desk, pots []*pot.Actor, start time.Time) *attendance {
	a := &attendance{desk: d, pots: pots, start: start, agents: map[string]*attended{}}
	for _, p := range pots {
		x := a.agents[p.Agent()]
		if x == nil {
			x = &attended{detector: alarm.NewAgentDetector(p.Agent()), since: start.Add(comeBack), died: map[string]bool{}}
			for _, k := range d.Standing("", p.Agent()) {
				x.detector.Assume(k)
			}
			a.agents[p.Agent()] = x
			a.names = append(a.names, p.Agent())
		}
		x.pots++
	}
	return a
}

// String names the attendance in logs.
func (a *attendance) String() string { return "attendance of agents" }

// Run looks until ctx ends; it returns nil.
func (a *attendance) Run(ctx context.Context) error {
	tick := time.NewTicker(attendEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			a.look(time.Now())
		}
	}
}

// heard notes that something came from an agent.
func (a *attendance) heard(agent string, at time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if x := a.agents[agent]; x != nil {
		x.hear(at)
	}
}

func (x *attended) hear(at time.Time) {
	was := x.heard
	x.heard, x.dead = true, false
	if at.After(x.since) || !was {
		x.since = at
	}
}

// event notes what happened to a pot. A death that the broker tells is not the agent's own word.
func (a *attendance) event(e *feed.Event) {
	a.mu.Lock()
	defer a.mu.Unlock()
	x := a.agents[e.Agent]
	if x == nil {
		return
	}
	switch e.Kind {
	case feed.Contest: // of somebody else
	case feed.Death:
		x.died[e.Pot] = true
		x.dead = len(x.died) == x.pots
	default:
		delete(x.died, e.Pot)
		x.hear(e.Received)
	}
}

// clock notes where an agent's clock stands by an echo.
func (a *attendance) clock(agent string, at time.Time, ahead, round time.Duration) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if x := a.agents[agent]; x != nil {
		x.clockAt, x.ahead, x.round = at, ahead, round
	}
}

// look looks at all pots, then at their agents.
func (a *attendance) look(now time.Time) {
	pressed := map[string]bool{} // agents of which a pot's last word is not the good one
	away := a.away(now)
	for _, p := range a.pots {
		if away[p.Agent()] || !p.Look(now).IsVented() {
			pressed[p.Agent()] = true
		}
	}
	a.desk.Found(a.step(now, pressed))
	a.desk.Tick(now)
}

// away are the agents that may still come back after the start: of their pots nothing is to be found yet. Nil: none.
func (a *attendance) away(now time.Time) map[string]bool {
	if now.Sub(a.start) >= comeBack {
		return nil
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	out := map[string]bool{}
	for name, x := range a.agents {
		out[name] = !x.heard
	}
	return out
}

func (a *attendance) step(now time.Time, pressed map[string]bool) []alarm.Found {
	a.mu.Lock()
	defer a.mu.Unlock()
	var found []alarm.Found
	for _, name := range a.names {
		x := a.agents[name]
		s := alarm.AgentSignals{At: si.InstantOf(now), Heard: x.heard, Silent: max(0, now.Sub(x.since)), Dead: x.dead, Safe: !pressed[name],
			ClockKnown: !x.clockAt.IsZero() && now.Sub(x.clockAt) <= clockFor, Ahead: x.ahead, Round: x.round}
		found = x.detector.Step(&s, found)
	}
	return found
}
