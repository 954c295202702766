package vent

import (
	"time"

	"gritwatch/protocol/si"
)

// MaxAge is how old, in the worst case, the newest reading behind a word may be when the word is said (R6).
const MaxAge = 2 * time.Second

// A Witness is one judge's word as the server has it.
type Witness struct {
	Answer Answer
	Age    time.Duration // of Answer.At, worst case, now
	Known  bool          // Age can be told: an echo was heard
}

// Claims are what R8, and R2 of a fault that the server finds, ask beside the two words. The zero value claims nothing and
// gives not proven.
type Claims struct {
	Agent         bool   // the pot's agent is connected and this pot is born
	Own, Theirs   string // digests of the server and of the agent
	SecondAgent   bool   // another agent sent data for this pot within 60 s
	SecondSession bool   // a second session of the agent sent data within 60 s
	SensorFault   bool   // something is found of the vessel's gauge (R2)
}

// Serve is the answer at serving time: the server's own judge and the guard's word, lowered by R6 and R8. It never
// says a better word than either of them. The guard's Because is not looked at.
func Serve(own, guard Witness, c Claims) Answer {
	out := own.Answer
	if !own.Known {
		out = lower(out, NoEcho)
	} else if own.Age > MaxAge || own.Answer.At == 0 {
		// A reading this old proves neither pressure nor its absence.
		out = Answer{Word: NotProven, Because: out.Because.With(VesselOld), At: out.At}
	}
	if !c.Agent {
		out = Answer{Word: NotProven, Because: out.Because.With(AgentSilent), At: out.At}
	}
	switch {
	case guard.Answer.At == 0 || !guard.Known || guard.Age > MaxAge:
		out = lower(out, GuardAbsent)
	case guard.Answer.Word == Pressurised:
		out.Word = Pressurised
		out.Because = out.Because.With(GuardDiffers)
		if own.Answer.Word == Pressurised {
			out.Because &^= CodesOf(GuardDiffers)
		}
	case guard.Answer.Word == NotProven && own.Answer.Word == Vented:
		out = lower(out, GuardDiffers)
	}
	if c.Theirs != c.Own || c.Own == "" {
		if RulesOf(c.Theirs) != RulesOf(c.Own) {
			out = lower(out, RulesDiffer)
		} else {
			out = lower(out, ConfigDiffers)
		}
	}
	if c.SecondAgent {
		out = lower(out, SecondAgent)
	}
	if c.SecondSession {
		out = lower(out, SecondSession)
	}
	if c.SensorFault {
		out = out.WithSensorFault()
	}
	return out
}

// lower takes vented back to not proven and names the reason; pressurised stays.
func lower(a Answer, c Code) Answer {
	if a.Word == Vented {
		a.Word = NotProven
	}
	a.Because = a.Because.With(c)
	return a
}

// A Clock reckons an agent's time in the server's monotonic time from echoes, always in the worst case: a reading
// is never taken for younger than it can be.
type Clock struct {
	echoes []echo
}

type echo struct {
	sent, round time.Duration // on the server's monotonic clock
	at          si.Instant    // on the agent's
}

// clockMemory is how long a round trip counts (R6).
const clockMemory = 10 * time.Minute

// clockEchoes bounds what a clock remembers: twice as many round trips as one every five seconds makes.
const clockEchoes = 240

// clockDrift is how far two quartz clocks may part: 100 parts per million each, from memory of usual crystals.
const clockDrift = 200e-6

// Reset forgets all echoes: another session, or another epoch of the agent's clock.
func (c *Clock) Reset() { c.echoes = c.echoes[:0] }

// Add takes one round trip: asked at sent, answered at the agent's instant at, heard at received, both on the
// server's monotonic clock. Times run on from call to call.
func (c *Clock) Add(sent, received time.Duration, at si.Instant) {
	if received < sent {
		return
	}
	keep := 0
	for _, e := range c.echoes {
		if received-e.sent <= clockMemory {
			c.echoes[keep] = e
			keep++
		}
	}
	if keep == clockEchoes { // asked far more often than needed: the oldest goes
		keep = copy(c.echoes, c.echoes[1:keep])
	}
	c.echoes = append(c.echoes[:keep], echo{sent, received - sent, at})
}

// Age is the greatest age that a reading stamped at can have at now; false while no echo of the last ten minutes
// tells. It is reckoned from the shortest round trip: the agent answered no earlier than the question was sent.
func (c *Clock) Age(at si.Instant, now time.Duration) (time.Duration, bool) {
	best := -1
	for i, e := range c.echoes {
		if now-e.sent <= clockMemory && (best < 0 || e.round <= c.echoes[best].round) {
			best = i
		}
	}
	if best < 0 {
		return 0, false
	}
	e := c.echoes[best]
	since := now - e.sent
	return since + e.at.Sub(at) + time.Duration(float64(since)*clockDrift), true
}
