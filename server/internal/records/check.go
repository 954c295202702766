package records

import (
	"fmt"
	"math"

	"gritwatch/protocol/si"
)

// A checker finds what is not in order with a record before it is queued, so that whoever made it is told where.
type checker struct {
	what string
	err  error
}

func (c *checker) fail(format string, args ...any) {
	if c.err == nil {
		c.err = fmt.Errorf("%s %w: %s", c.what, ErrRefused, fmt.Sprintf(format, args...))
	}
}

func (c *checker) id(name, id string) {
	if !isID(id) {
		c.fail("%s %q is not a ULID; NewID makes one", name, id)
	}
}

func (c *checker) words(name, s string) {
	if s == "" {
		c.fail("%s is empty", name)
	}
}

func (c *checker) instant(name string, t si.Instant) {
	if t <= 0 {
		c.fail("%s %d is no instant since 1970", name, int64(t))
	}
}

func (c *checker) finite(name string, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		c.fail("%s is %g", name, v)
	}
}

func (c *checker) position(name string, p uint64) {
	if p > math.MaxInt64 {
		c.fail("%s %d is over 2^63-1", name, p)
	}
}

func (x Cycle) check() error {
	c := checker{what: "cycle of " + x.Pot}
	c.words("pot", x.Pot)
	c.instant("press", x.Press)
	if x.Release < x.Press || x.Ended < x.Release {
		c.fail("press %s, release %s and end %s are not in order", x.Press, x.Release, x.Ended)
	}
	c.finite("vent from", float64(x.Vent.From))
	c.finite("tau", x.Vent.Tau)
	c.finite("residual", float64(x.Vent.Residual))
	return c.err
}

func (x Alarm) check() error {
	c := checker{what: "alarm"}
	c.id("id", x.ID)
	if x.Pot == "" && x.Agent == "" {
		c.fail("pot and agent are empty")
	}
	c.words("kind", x.Kind)
	c.words("priority", x.Priority)
	c.instant("raised", x.Raised)
	if len(x.Transitions) > 0 {
		if t := x.Transitions[0]; t.Alarm != x.ID {
			c.fail("its transition is of alarm %q", t.Alarm)
		} else if err := t.check(); err != nil && c.err == nil {
			c.err = err
		}
	}
	return c.err
}

func (x Transition) check() error {
	c := checker{what: "transition"}
	c.id("id", x.ID)
	c.id("alarm", x.Alarm)
	c.instant("at", x.At)
	c.words("event", x.Event)
	return c.err
}

func (x Acknowledgement) check() error {
	c := checker{what: "acknowledgement"}
	c.id("id", x.ID)
	c.id("alarm", x.Alarm)
	c.instant("at", x.At)
	c.words("by", x.By)
	return c.err
}

func (x Refill) check() error {
	c := checker{what: "refill of " + x.Pot}
	c.id("id", x.ID)
	c.words("pot", x.Pot)
	c.instant("at", x.At)
	c.finite("mass", float64(x.Mass))
	return c.err
}

func (x Service) check() error {
	c := checker{what: "service of " + x.Pot}
	c.id("id", x.ID)
	c.words("pot", x.Pot)
	c.instant("at", x.At)
	c.words("part", x.Part)
	c.words("work", x.Work)
	c.words("by", x.By)
	return c.err
}

func (x Shift) check() error {
	c := checker{what: "shift " + x.Name}
	c.id("id", x.ID)
	c.instant("from", x.From)
	if x.To != 0 && x.To < x.From {
		c.fail("it ends at %s, before it begins at %s", x.To, x.From)
	}
	return c.err
}

func (x Baseline) check() error {
	c := checker{what: "baseline of " + x.Pot}
	c.id("id", x.ID)
	c.words("pot", x.Pot)
	c.instant("at", x.At)
	c.words("what", x.What)
	c.finite("value", x.Value)
	c.finite("standard deviation", x.SD)
	return c.err
}

func (x Position) check() error {
	c := checker{what: "position of " + x.Agent}
	c.words("agent", x.Agent)
	c.words("journal", x.Journal)
	c.position("stored", x.Stored)
	c.position("before", x.Before)
	return c.err
}

func (x Loss) check() error {
	c := checker{what: "loss of " + x.Agent}
	c.words("agent", x.Agent)
	c.words("journal", x.Journal)
	c.position("to", x.To)
	if x.From >= x.To {
		c.fail("from %d to %d holds nothing", x.From, x.To)
	}
	c.instant("at", x.At)
	c.words("why", x.Why)
	return c.err
}

func (x Checkpoint) check() error {
	c := checker{what: "checkpoint of " + x.Pot}
	c.words("pot", x.Pot)
	c.instant("at", x.At)
	if len(x.State) == 0 || len(x.State) > MaxState {
		c.fail("its state has %d bytes, not 1 to %d", len(x.State), MaxState)
	}
	for _, n := range x.Next {
		c.words("journal", n.Journal)
		c.position("position", n.Position)
	}
	return c.err
}
